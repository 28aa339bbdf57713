"""The command line."""


def main() -> int:
    """Run the command line and return its exit code."""
    raise NotImplementedError
