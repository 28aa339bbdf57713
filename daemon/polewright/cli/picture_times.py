"""Times of pictures that say none, or a wrong one: from ``--start`` and ``--every``, or a list."""

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from polewright.cli.pictures import SolvedPicture
from polewright.core.errors import UsageError

# A picture's own time that differs by more is worth a line (s).
_NOTABLE_S = 60.0
_YEARS = range(1900, 2100)


def times_of(files: Sequence[Path], options: argparse.Namespace) -> dict[Path, datetime]:
    """Return when the shutter opened, for each file of which an option says it.

    Raises
    ------
    UsageError
        ``wrong_time``: a time without its zone, or none; ``--start`` without ``--every``.
    """
    if options.times is not None:
        if options.start is not None or options.every is not None:
            raise UsageError(
                "--times and --start do not go together", remedy="Give one of them.",
                code="wrong_time",
            )  # fmt: skip
        return _listed(options.times, files)
    if options.start is None and options.every is None:
        return {}
    if options.start is None or (options.every is None and len(files) > 1):
        raise UsageError(
            "--start and --every belong together",
            remedy="Give when the first picture began, and the seconds from one beginning to the "
            "next; pictures at uneven times go into a list: --times FILE.",
            code="wrong_time",
        )
    every_s = options.every or 0.0
    if not 0.0 <= every_s <= 86400.0:
        raise UsageError(
            f"--every {every_s:g} is outside 0 to 86400 s",
            remedy="Give the seconds from one picture's beginning to the next one's.",
            code="wrong_time",
        )
    start = _instant(options.start)
    return {path: start + timedelta(seconds=n * every_s) for n, path in enumerate(files)}


def own_times_words(solved: Sequence[SolvedPicture]) -> tuple[str, ...]:
    """Return a line where pictures themselves say another time than the options."""
    others = [
        one
        for one in solved
        if one.own_instant is not None
        and one.attitude.mid_exposure is not None
        and abs((one.own_instant - one.attitude.mid_exposure).total_seconds()) > _NOTABLE_S
    ]
    if not others:
        return ()
    first = others[0]
    more = f" (and {len(others) - 1} more)" if len(others) > 1 else ""
    return (
        f"{first.path.name}{more} says {first.own_instant:%Y-%m-%d %H:%M:%S} UTC itself; the time "
        f"by the options holds, {first.attitude.mid_exposure:%Y-%m-%d %H:%M:%S} UTC",
    )


def _listed(path: Path, files: Sequence[Path]) -> dict[Path, datetime]:
    """Read lines of a file's name and a time; empty ones and what follows a # say nothing."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as trouble:
        raise UsageError(
            f"{path} cannot be read: {getattr(trouble, 'strerror', None) or 'it is no text'}",
            remedy="Name a text file with one picture a line: its name and when it began.",
            code="cannot_read",
        ) from None
    by_name = {file.name: file for file in files}
    found: dict[Path, datetime] = {}
    for number, line in enumerate(lines, start=1):
        said = line.partition("#")[0].strip()
        if not said:
            continue
        # The time is last: names may hold blanks.
        name, _, time = said.rpartition(" ")
        file = by_name.get(Path(name.strip()).name)
        if file is None:
            raise UsageError(
                f"{path.name} line {number}: '{name.strip() or said}' is none of the pictures",
                remedy="Give one picture a line: its name and when it began, such as "
                "'sky1.png 2026-11-25T20:00:00Z'.",
                code="wrong_time",
            )
        found[file] = _instant(time)
    return found


def _instant(text: str) -> datetime:
    try:
        instant = datetime.fromisoformat(text)
        if instant.tzinfo is not None and instant.year in _YEARS:
            return instant.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise UsageError(
        f"'{text}' is no time with its zone",
        remedy="Give date, time and zone: 2026-11-25T20:00:00Z for UTC, or "
        "2026-11-25T22:00:00+02:00.",
        code="wrong_time",
    )
