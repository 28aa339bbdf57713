"""The rehearsal of a whole evening: the day, then star alignment, verification, and the watch.

After the day's adjustment the mount is star-aligned and the axis verified.  Then two hours of
imaging pass at a faster pace: the person takes frames with the camera and hands them over as any
imaging program does, and at a random time a leg of the tripod sinks.
"""

import math
import random
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from polewright.app.day_rehearsal import DayReport, person_at_dawn, play_day
from polewright.app.rehearsal import Tell, read_truth
from polewright.app.rehearsed_person import HONEST_SIGMAS, Finding, Person, true_arcmin
from polewright.app.rehearsed_watch import watch_two_hours
from polewright.core.geometry.directions import angle_between, enu_from_altaz

# Part of the whole that the day takes.
_DAY_PART = 0.5
# How far the check of an honest star alignment may miss, as a part of what it promised.
_CHECK_MISSES = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EveningReport(DayReport):
    """What came out of an evening; ``journal``: where it is kept, while the rehearsal lasts."""

    findings: tuple[Finding, ...]
    journal: Path

    def as_dict(self) -> dict[str, Any]:
        """Return the figures by name."""
        figures = DayReport.as_dict(self)
        del figures["journal"]
        return figures


async def rehearse_evening(
    seed: int,
    site: str,
    tell: Tell,
    *,
    on_page: Callable[[str], None] = lambda _address: None,
    linger: Callable[[EveningReport], Awaitable[None]] | None = None,
) -> EveningReport:
    """Run one evening; arguments as of :func:`polewright.app.rehearsal.rehearse`.

    The journal of the report lasts until ``linger`` is done.

    Raises
    ------
    PolewrightError
        What went wrong; everything that was started has been ended.
    """
    started_s = time.monotonic()

    def tell_day(words: str, part: float | None) -> None:
        tell(words, None if part is None else _DAY_PART * part)

    def more(folder: Path) -> dict[str, Any]:
        (folder / "frames").mkdir()
        return {
            "journal": {"directory": str(folder)},
            "watch": {"folder": str(folder / "frames")},
        }

    async with person_at_dawn(seed, site, tell_day, on_page=on_page, more=more) as person:
        initial = await true_arcmin(person.bench)
        await play_day(person)
        person.tell = tell
        findings = [await _align(person), await _verify(person)]
        findings += await watch_two_hours(person, random.Random(seed))
        journal = person.settings.journal.file(person.settings.mount.slug)
        if journal is None:
            raise AssertionError("the rehearsal keeps a journal")
        report = EveningReport(
            site=site,
            seed=seed,
            initial_true_arcmin=initial,
            stages=tuple(person.stages),
            findings=tuple(findings),
            wall_s=time.monotonic() - started_s,
            journal=journal,
        )
        if linger is not None:
            await linger(report)
    return report


async def _align(person: Person) -> Finding:
    """Star-align the mount, and hold its axis and its check against what is true."""
    person.tell("star alignment: going to a few fields", 0.55)
    await person.command("confirm_clear")
    found = await person.command("align_stars")
    truth = await read_truth(person.bench)
    off_arcsec = 3600.0 * _apart_deg(
        (found["axis_altitude_deg"], found["axis_azimuth_deg"]),
        (truth["TRUE_AXIS_ALT_DEG"], truth["TRUE_AXIS_AZ_DEG"]),
    )
    sigma_arcsec = math.hypot(
        *(term["sigma_arcsec"] for term in found["terms"] if term["name"].startswith("axis_"))
    )
    met, promised = found["check_met_arcsec"], found["check_promised_arcsec"]
    return Finding(
        name="star alignment",
        words=f"{found['fields']} fields; a field that it did not know met within {met:.0f} "
        f"arcsec, {promised:.0f} promised; its axis {off_arcsec:.0f} arcsec from the true one, "
        f"sigma {sigma_arcsec:.0f}",
        held=met < _CHECK_MISSES * promised and off_arcsec < HONEST_SIGMAS * sigma_arcsec,
    )


async def _verify(person: Person) -> Finding:
    """Verify the axis, as a scheduler does before it begins."""
    person.tell("verification before imaging", 0.62)
    told = await person.command("verify")
    claimed, sigma = told["total_error_arcmin"], told["total_error_sigma_arcmin"]
    true = await true_arcmin(person.bench)
    if claimed is None or sigma is None:
        return Finding(name="verification", words=str(told["words"]), held=False)
    return Finding(
        name="verification",
        words=f"{told['verdict']}: claimed {claimed:.2f} +- {sigma:.2f} arcmin, true {true:.2f}",
        held=told["verdict"] == "good_enough" and abs(claimed - true) < HONEST_SIGMAS * sigma,
    )


def _apart_deg(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the angle between two directions, each altitude and azimuth (deg)."""
    north, east = (enu_from_altaz(*map(math.radians, direction)) for direction in (one, other))
    return math.degrees(angle_between(north, east))
