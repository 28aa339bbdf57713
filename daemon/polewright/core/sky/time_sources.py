"""Times from several sources: which one holds, and what it means where they disagree.

Precedence: a computer that is set over the network (NTP), then a GPS receiver, then the computer
as it is.  A choice in the settings goes before all that.  The mount's clock never holds; it is
only compared.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.sky.doubts import (
    SUN_DEG_PER_HOUR,
    TOLERATED_SUN_DEG,
    Bars,
    Doubt,
    motion_words,
    survey_words,
)
from polewright.core.sky.place_sources import Source, name_of

# Receivers and mounts tell whole seconds, some late; nothing depends on less than this (s).
_SAME_S = 30.0
# A time zone shows as a whole number of quarter hours, to within what clocks are off (s).
_ZONE_STEP_S = 900.0
_ZONE_WITHIN_S = 120.0
# Time zones reach from UTC-12 to UTC+14; taken with the wrong sign as well.
_WIDEST_ZONE_S = 14.0 * 3600.0
# Laws and summer time move zones by up to this from the Sun's own time (s).
_ZONE_FROM_SUN_S = 3.0 * 3600.0
# This program is younger: a clock that says earlier was never set.
_YOUNGEST = datetime(2025, 1, 1, tzinfo=UTC)
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeReading:
    """A source's time at one moment.

    Attributes
    ----------
    source : Source
        Who.
    utc : datetime
        What it says.
    ahead_s : float
        How far it is ahead of the computer's own clock (s); 0 for the computer.
    disciplined : bool or None
        Whether it is kept right from outside (NTP, satellites); None where nobody can tell.
    """

    source: Source
    utc: datetime
    ahead_s: float = 0.0
    disciplined: bool | None = None


def choose_time(readings: Sequence[TimeReading], wish: Source | None = None) -> TimeReading | None:
    """Return the reading that holds; None where what is wished for is not there."""
    known = {reading.source: reading for reading in readings}
    if wish is not None:
        return known.get(wish)
    host, gps = known.get(Source.HOST), known.get(Source.GPS)
    if host is not None and host.disciplined:
        return host
    # A receiver without a fix may tell the time of its factory.
    return gps if gps is not None and gps.utc >= _YOUNGEST else host or gps


def time_doubts(
    readings: Sequence[TimeReading],
    wish: Source | None = None,
    *,
    longitude_deg: float | None = None,
) -> tuple[Doubt, ...]:
    """Return what does not fit between the time that holds and the others.

    ``longitude_deg`` tells which time zones are plausible.
    """
    chosen = choose_time(readings, wish)
    if chosen is None:
        return ()
    doubts = []
    if chosen.utc < _YOUNGEST:
        doubts.append(_never_set(chosen))
    confirmed = bool(chosen.disciplined) or chosen.source is Source.GPS
    for reading in readings:
        if reading is chosen or (reading.source is Source.HOST and not reading.disciplined):
            continue  # a computer that nobody keeps right contradicts nobody
        ahead_s = reading.ahead_s - chosen.ahead_s
        if abs(ahead_s) <= _SAME_S:
            confirmed = True
        else:
            settled = wish is not None
            doubts.append(_between(chosen, reading, ahead_s, settled, longitude_deg))
    if not confirmed and not doubts:
        doubts.append(_undisciplined(chosen))
    return tuple(doubts)


def _never_set(chosen: TimeReading) -> Doubt:
    return Doubt(
        code="clock_never_set",
        text=f"the clock of {name_of(chosen.source)} says {chosen.utc:%Y-%m-%d}: it was never set",
        consequence="nobody knows where the Sun is, nor whether it is up: motion is refused",
        remedy='Set it, or connect a network or a GPS receiver ([site] clock = "auto").',
        bars=Bars.ALWAYS,
    )


def _undisciplined(chosen: TimeReading) -> Doubt:
    how = "is not set over the network" if chosen.disciplined is False else "may not be kept right"
    return Doubt(
        code="clock_unconfirmed",
        text=f"the clock of {name_of(chosen.source)} {how}, and nothing here confirms it",
        consequence="a minute is 16 arcsec of the survey for each degree that the axis is off; "
        "an hour would be 15 deg of the Sun's cone",
        remedy="Compare it with a watch (date -u), or connect a network or a GPS receiver.",
    )


def _between(
    chosen: TimeReading,
    other: TimeReading,
    ahead_s: float,
    settled: bool,
    longitude_deg: float | None,
) -> Doubt:
    hours = abs(ahead_s) / 3600.0
    sun_deg = min(SUN_DEG_PER_HOUR * hours, 180.0)
    if sun_deg <= TOLERATED_SUN_DEG:
        bars = Bars.NOTHING
    elif other.source is Source.MOUNT:
        bars = Bars.BY_DAY
    else:
        # Two good clocks contradict each other, unless a person has said which one holds.
        bars = Bars.NOTHING if settled else Bars.ALWAYS
    sense = "ahead of" if ahead_s > 0 else "behind"
    code, why = _kind(ahead_s, longitude_deg)
    who = name_of(other.source)
    return Doubt(
        code=code,
        text=f"the clock of {who} is {span_words(abs(ahead_s))} {sense} that of "
        f"{name_of(chosen.source)}{why}",
        consequence=(
            "the axis survey does not feel it, but unless the mount was star-aligned since, it "
            f"points {_mispointing(sun_deg)} elsewhere than it says; {motion_words(bars, sun_deg)}"
            if other.source is Source.MOUNT
            else f"if that of {name_of(chosen.source)} is wrong: {survey_words(sun_deg)}; "
            f"{motion_words(bars, sun_deg)}"
        ),
        remedy=(
            "Set the mount's time with your INDI client, or let polewright do it: [site] "
            "write_to_mount = true."
            if other.source is Source.MOUNT
            else 'Compare both with a watch (date -u); say which one holds: [site] clock = "host" '
            'or "gps".'
        ),
        bars=bars,
    )


def _kind(ahead_s: float, longitude_deg: float | None) -> tuple[str, str]:
    if abs(ahead_s) > _WIDEST_ZONE_S + _ZONE_WITHIN_S:
        return ("wrong_date", ", another date") if abs(ahead_s) > _DAY_S else ("clocks_differ", "")
    nearest = round(ahead_s / _ZONE_STEP_S) * _ZONE_STEP_S
    if nearest == 0.0 or abs(ahead_s - nearest) > _ZONE_WITHIN_S:
        return "clocks_differ", ""
    if longitude_deg is not None:
        sun_s = wrap_half_turn_deg(longitude_deg) / 15.0 * 3600.0
        if abs(nearest - sun_s) <= _ZONE_FROM_SUN_S:
            return "time_zone", ": local time was taken for UTC, as it seems"
        if abs(nearest + sun_s) <= _ZONE_FROM_SUN_S:
            return "time_zone", ": a time zone was taken off twice, as it seems"
    if nearest % 1800.0 == 0.0:
        return "time_zone", ": a time zone or summer time, as it seems"
    return "clocks_differ", ""


def span_words(span_s: float) -> str:
    """Return a span of time (s) as a person says it."""
    if span_s > 2.0 * _DAY_S:
        return f"{span_s / _DAY_S:.0f} days"
    if span_s >= 3600.0:
        minutes = round(span_s / 60.0)
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{span_s / 60.0:.0f} min" if span_s >= 90.0 else f"{span_s:.0f} s"


def _mispointing(sun_deg: float) -> str:
    return f"up to {sun_deg:.0f} deg" if sun_deg >= 1.0 else f"up to {60.0 * sun_deg:.0f} arcmin"
