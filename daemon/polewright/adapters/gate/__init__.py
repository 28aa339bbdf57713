"""The gate: a program that may begin once the axis was verified."""
