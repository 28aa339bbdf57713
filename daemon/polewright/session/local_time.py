"""Local time: the clock on the wall, for words to people."""

from datetime import UTC, datetime, tzinfo


def local_zone() -> tzinfo:
    """Return the time zone of this computer."""
    return datetime.now().astimezone().tzinfo or UTC


def clock_words(instant: datetime) -> str:
    """Return an instant as the clock on the wall shows it."""
    return f"{instant.astimezone(local_zone()):%H:%M}"
