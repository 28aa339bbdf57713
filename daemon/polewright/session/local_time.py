"""Local time: the clock on the wall, for words to people."""

from datetime import UTC, datetime, timedelta, tzinfo


class _Wall(tzinfo):
    """The clock on this computer's wall, with its summer time whenever that begins and ends.

    The zone that Python tells of a computer is the offset of one instant, and an hour wrong from
    the next change on.
    """

    def utcoffset(self, dt: datetime | None) -> timedelta | None:
        """Return how far the clock is ahead of UTC at what it shows (``fold`` as in PEP 495)."""
        return None if dt is None else dt.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, dt: datetime | None) -> timedelta | None:
        """Return nothing: how much of the offset is summer time is not known here."""
        return None

    def tzname(self, dt: datetime | None) -> str | None:
        """Return what the clock's time is called then."""
        return None if dt is None else dt.replace(tzinfo=None).astimezone().tzname()

    def fromutc(self, dt: datetime) -> datetime:
        """Return what the clock shows at an instant."""
        at = dt.replace(tzinfo=UTC).astimezone()
        shown = at.replace(tzinfo=None, fold=0)
        # Shown twice, when summer ends: is this the second time?
        second = shown.astimezone().utcoffset() != at.utcoffset()
        return shown.replace(tzinfo=self, fold=int(second))


_WALL = _Wall()


def local_zone() -> tzinfo:
    """Return the time zone of this computer, which follows its summer time."""
    return _WALL


def wall_clock_words(instant: datetime) -> str:
    """Return an instant as the clock on the wall shows it."""
    return f"{instant.astimezone(local_zone()):%H:%M}"
