"""The outside world, one protocol each."""
