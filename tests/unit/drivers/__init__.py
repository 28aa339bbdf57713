"""The drivers without INDI."""
