"""The past on the page: what the journal keeps of earlier evenings, read beside the event loop."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from polewright.core.errors import UsageError

if TYPE_CHECKING:
    from polewright.adapters.journal.figures import Kept
    from polewright.adapters.journal.reading import JournalReader
    from polewright.core.records import KnobRecord

T = TypeVar("T")

# A phone shows no more; the command line tells all.
MOST_EVENINGS = 60
_MOST_REPORTS = 40
_MOST_RETURNS = 20


class Past:
    """Reads the journal for the page; one reader at a time, and again only after it was written.

    Parameters
    ----------
    file : Path, optional
        The journal; None: none is kept.
    slug : str
        The mount's short name: reports are headed by it.
    """

    def __init__(self, file: Path | None, slug: str) -> None:
        self._file = file
        self._slug = slug
        self._one_at_a_time = asyncio.Lock()
        self._known: tuple[object, dict[str, Any]] | None = None

    async def overview(self) -> dict[str, Any]:
        """Return evenings, knobs, placements, mounts and brackets, the newest first.

        Raises
        ------
        UsageError
            ``no_journal``: none is kept, or nothing was kept yet.
        MeasurementError
            ``journal_damaged``, ``journal_unreadable``.
        """
        file = self._kept()
        async with self._one_at_a_time:
            state = await asyncio.to_thread(_state_of, file)
            if self._known is None or self._known[0] != state:
                self._known = (state, await asyncio.to_thread(_read, file, overview_of))
            return self._known[1]

    async def report(self, number: int) -> str:
        """Return the report of one evening, a whole HTML page.

        Raises
        ------
        UsageError
            ``no_journal``, ``no_such_evening``.
        MeasurementError
            ``journal_damaged``, ``journal_unreadable``.
        """
        file = self._kept()

        def page(reader: "JournalReader") -> str:
            from polewright.adapters.journal.figures import Kept
            from polewright.app.evening_report import evening_page, surveyed_evening

            kept = Kept.read(reader)
            return evening_page(reader, kept, surveyed_evening(kept, number), self._slug)

        async with self._one_at_a_time:
            return await asyncio.to_thread(_read, file, page)

    def _kept(self) -> Path:
        if self._file is None:
            raise UsageError(
                "no journal is kept, so nothing is known of earlier evenings",
                remedy='Set [journal] mode = "on" and start the service again.',
                code="no_journal",
            )
        return self._file


def _state_of(file: Path) -> object:
    """Return what changes when the journal is written."""
    found: list[tuple[int, int, int] | None] = []
    for one in (file, Path(f"{file}-wal")):
        try:
            state = one.stat()
        except OSError:
            found.append(None)
        else:
            found.append((state.st_ino, state.st_size, state.st_mtime_ns))
    return found


def _read(file: Path, of: "Callable[[JournalReader], T]") -> T:
    from polewright.adapters.journal.reading import open_reader

    with open_reader(file) as reader:
        return of(reader)


def overview_of(reader: "JournalReader") -> dict[str, Any]:
    """Return what the page shows of a journal (slow: call it in a worker)."""
    from polewright.adapters.journal.figures import Kept

    kept = Kept.read(reader)
    evenings = _evenings(kept)
    return {
        "evenings": evenings[:MOST_EVENINGS],
        "more_evenings": max(len(evenings) - MOST_EVENINGS, 0),
        "knobs": _knobs(reader.knobs()),
        "placements": _placements(kept),
        "brackets": _brackets(reader),
        "mounts": _mounts(reader, kept),
    }


def _evenings(kept: "Kept") -> list[dict[str, Any]]:
    """Return the evenings with a survey, newest first."""
    from polewright.adapters.journal.figures import evening_figures

    rows = []
    for evening in reversed(kept.evenings):
        figures = evening_figures(kept, evening)
        if figures["verdict"] is None:
            continue
        records = [one.record for one in kept.surveys_of(evening) if one.record is not None]
        rows.append(
            {
                name: figures[name]
                for name in ("number", "began_at", "ended_at", "mounts", "marks", "verdict")
            }
            | {
                "surveys": len(figures["surveys"]),
                "start_arcmin": round(figures["start_total_error_arcmin"], 4),
                "end_arcmin": round(figures["end_total_error_arcmin"], 4),
                "end_sigma_arcmin": round(figures["end_total_error_sigma_arcmin"], 4),
                "tolerance_arcmin": records[-1].correction.tolerance_arcmin if records else None,
            }
        )
    return rows


def _knobs(records: "Iterable[KnobRecord]") -> list[dict[str, Any]]:
    """Return what was known of each knob after each report of a turn, oldest first."""
    from polewright.adapters.journal.figures import knob_figures

    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for record in records:
        figures = knob_figures(record)
        found.setdefault((record.mount, record.bolt.value), []).append(
            {
                name: figures[name]
                for name in (
                    "at", "arcmin_per_turn", "arcmin_per_turn_sigma", "slack_turns",
                    "slack_sigma_turns", "turns",
                )
            }
        )  # fmt: skip
    return [
        {"mount": mount, "bolt": bolt, "reports": reports[-_MOST_REPORTS:]}
        for (mount, bolt), reports in sorted(found.items())
    ]


def _placements(kept: "Kept") -> list[dict[str, Any]]:
    from polewright.adapters.journal.figures import marks_known, return_figures
    from polewright.app.history_words import marks_lines

    found = []
    for known in marks_known(kept.stands):
        returns = [return_figures(known.mount, one) for one in known.returns[-_MOST_RETURNS:]]
        found.append(
            {
                "mount": known.mount,
                "marks": known.name,
                "stands": known.stands,
                # The single returns are told as a table.
                "words": [line.strip() for line in marks_lines(known) if line[:4] != "    "],
                "returns": [
                    {
                        "at": one["placed_at"],
                        "altitude_arcmin": round(one["altitude_change_arcmin"], 3),
                        "azimuth_arcmin": round(one["azimuth_change_arcmin"], 3),
                    }
                    for one in returns
                ],
            }
        )
    return found


def _brackets(reader: "JournalReader") -> list[dict[str, Any]]:
    from polewright.adapters.journal.figures import bracket_figures, by_bracket

    return [bracket_figures(records) for records in by_bracket(reader.lessons().brackets)]


def _mounts(reader: "JournalReader", kept: "Kept") -> list[dict[str, Any]]:
    """Return of each mount how much it wanders: from frame to frame, and over weeks."""
    from polewright.app.history_words import trend_words
    from polewright.core.axis.axis_trend import axis_trend
    from polewright.session.experience import mechanical_floors

    floors = mechanical_floors(reader.lessons())
    found = []
    for mount, stands in sorted(kept.stands.items()):
        spells = [spell for stand in stands for spell in stand.spells if spell]
        trend = axis_trend(spells)
        floor = floors.get(mount)
        found.append(
            {
                "mount": mount,
                "looks": _looks(spells),
                "floor_arcsec": None if floor is None else round(floor.floor_arcsec, 2),
                "floor_sigma_arcsec": None if floor is None else round(floor.sigma_arcsec, 2),
                "altitude_words": None if trend is None else trend_words(trend.altitude),
                "azimuth_words": None if trend is None else trend_words(trend.azimuth),
            }
        )
    return found


def _looks(spells: Sequence[Sequence[object]]) -> int:
    return sum(map(len, spells))
