"""The words of ``polewright sun``, for the terminal and for the printed sheet."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING

from polewright.cli.place_and_time import Occasion
from polewright.core.sky.sun_aids import (
    NEAR_SUN_RAD,
    STARS_RAD,
    MeridianTurn,
    SunMinute,
    meridian_turn,
    stick_sigma_rad,
)

if TYPE_CHECKING:
    from polewright.cli.sun import BodyFacts, SunFacts

CAUTION = (
    "NEVER LOOK AT THE SUN: not with the bare eye, never through a telescope, finder or "
    "binoculars. It blinds at once and for good. Cap every tube and finder now, and turn your "
    "back to the Sun: the shadow is all that you need."
)
SHADE = (
    "By day look for them only from the shade of a wall that hides the Sun and will go on hiding "
    "it while you look."
)
# Under a Sun so near the zenith (deg) a stick throws no shadow to speak of.
_NO_SHADOW_DEG = 0.5
# A direction that may err by more is not told as one (deg).
_COARSE_DEG = 5.0
_LONG = 20.0
_STRAIGHT_DEG = 0.05
# A needle that may err by more is no help (deg).
_USELESS_NEEDLE_DEG = 15.0
_SIDES = (
    "north", "north-north-east", "north-east", "east-north-east",
    "east", "east-south-east", "south-east", "south-south-east",
    "south", "south-south-west", "south-west", "west-south-west",
    "west", "west-north-west", "north-west", "north-north-west",
)  # fmt: skip


def clock(when: Occasion, instant: datetime) -> str:
    """Return the time of the clock to the nearest minute."""
    local = when.local(instant)
    seconds = 3600 * local.hour + 60 * local.minute + local.second + local.microsecond * 1e-6
    minutes = round(seconds / 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def side(azimuth_rad: float) -> str:
    """Return the name of a direction, one of sixteen."""
    return _SIDES[round(azimuth_rad / (math.pi / 8.0)) % 16]


def meridian_words(turn: MeridianTurn, unit: str = "") -> str:
    """Return how to turn from the shadow to the meridian; ``unit`` goes after the figure."""
    end = "true south" if turn.toward_south else "true north"
    amount = abs(math.degrees(turn.clockwise_rad))
    if amount < _STRAIGHT_DEG:
        return f"{end} straight on"
    return f"{end} {amount:.1f} {unit}{'right' if turn.clockwise_rad > 0.0 else 'left'}"


def across_words(turn: MeridianTurn) -> str:
    """Return the straight way across, for strings of length 1."""
    return f"{turn.across:.3f}"


def sure_words(row: SunMinute, stick_m: float) -> str:
    """Return how well the stick shows the direction (deg), in six letters."""
    sigma_deg = math.degrees(stick_sigma_rad(row.altitude_rad, stick_m=stick_m))
    return f"+-{sigma_deg:4.2f}" if sigma_deg < _COARSE_DEG else "  poor"


def length_words(length: float) -> str:
    """Return the shadow's length; that of a very low Sun is lost on the ground."""
    return f"{length:.2f}" if length < _LONG else "long"


def now_lines(facts: SunFacts) -> list[str]:
    """Return where the Sun stands now, and what its shadow says."""
    when, now = facts.occasion, facts.now
    altitude_deg, azimuth = math.degrees(now.altitude_rad), now.azimuth_rad
    where = f"at azimuth {math.degrees(azimuth):.2f} deg ({side(azimuth)})"
    time = f"{when.local(when.instant):%H:%M:%S}"
    if math.isnan(now.shadow_length):
        return [f"Sun at {time}: {-altitude_deg:.1f} deg below the horizon, {where}."]
    sigma_deg = math.degrees(stick_sigma_rad(now.altitude_rad, stick_m=facts.stick_m))
    turn = meridian_turn(now.shadow_azimuth_rad)
    per_minute = abs(math.degrees(facts.rate_rad_s) * 60.0)
    accuracy = (
        "too coarse to use: the Sun stands too high"
        if sigma_deg > _COARSE_DEG
        else f"good to {sigma_deg:.2f} deg with a plumb stick of {facts.stick_m:g} m"
    )
    return [
        f"Sun at {time}: {altitude_deg:.2f} deg high {where}.",
        f"The shadow points to {math.degrees(now.shadow_azimuth_rad):.2f} deg "
        f"({side(now.shadow_azimuth_rad)}) and is "
        f"{length_words(now.shadow_length)}{' sticks long' if now.shadow_length < _LONG else ''}.",
        f"From the foot along the shadow: {meridian_words(turn, 'deg to the ')}.",
        f"This direction is {accuracy}; a clock that is a minute wrong adds {per_minute:.2f} deg.",
    ]


def noon_line(facts: SunFacts) -> str:
    """Return when the shadow lies along the meridian, and to which side."""
    local, noon = facts.occasion.local(facts.day.noon), facts.noon
    text = f"Local noon {local:%H:%M:%S}: "
    if math.isnan(noon.shadow_length):
        return f"{text}the Sun stays below the horizon."
    away_deg = 90.0 - math.degrees(noon.altitude_rad)
    if away_deg < _NO_SHADOW_DEG:
        return f"{text}the Sun stands within {_NO_SHADOW_DEG} deg of the zenith; no shadow to use."
    toward = "south" if meridian_turn(noon.shadow_azimuth_rad).toward_south else "north"
    return (
        f"{text}the shadow lies along the meridian and points to true {toward}, "
        f"{noon.shadow_length:.2f} sticks long; the Sun is {90.0 - away_deg:.1f} deg high."
    )


def twilight_lines(facts: SunFacts) -> list[str]:
    """Return the times of the day, and when stars can be measured."""
    when, day = facts.occasion, facts.day

    def told(name: str, instant: datetime | None) -> str:
        return f"{name} {'never' if instant is None else clock(when, instant)}"

    deep = -math.degrees(STARS_RAD)
    if day.stars_from is not None:
        stars = (
            f"First stars can be measured about {clock(when, day.stars_from)} "
            f"(Sun {deep:.0f} deg down, clear sky; a rule of thumb)."
        )
    elif day.noon_altitude_rad < STARS_RAD:
        stars = "The Sun stays deep below the horizon: stars can be measured all day."
    else:
        stars = f"The Sun does not get {deep:.0f} deg down this night: stars only with luck."
    return [
        ", ".join(
            [
                told("Night ends", day.astronomical_dawn),
                told("nautical dawn", day.nautical_dawn),
                told("civil dawn", day.civil_dawn),
                told("sunrise", day.sunrise),
            ]
        ),
        ", ".join(
            [
                told("Sunset", day.sunset),
                told("civil dusk", day.civil_dusk),
                told("nautical dusk", day.nautical_dusk),
                told("night", day.astronomical_dusk),
            ]
        ),
        stars,
    ]


def body_lines(body: BodyFacts, facts: SunFacts) -> list[str]:
    """Return where a body stands now and over the day, with a caution near the Sun."""
    when, now, day = facts.occasion, body.now, body.day
    name = now.body.value.capitalize()
    altitude_deg = math.degrees(now.altitude_rad)
    if altitude_deg > 0.0:
        stands = (
            f"{altitude_deg:.1f} deg high at azimuth {math.degrees(now.azimuth_rad):.1f} "
            f"({side(now.azimuth_rad)})"
        )
    else:
        stands = "below the horizon"
    passes = (("rises", day.rises), ("highest", day.culminates), ("sets", day.sets))
    known = sorted((instant, verb) for verb, instant in passes if instant is not None)
    times = [f"{verb} {clock(when, instant)}" for instant, verb in known]
    lines = [
        f"{name}: now {stands}, {math.degrees(now.elongation_rad):.0f} deg from the Sun, "
        f"{100.0 * now.illuminated_fraction:.0f} % lit.",
        f"  {', '.join(times) or 'neither rises nor sets'}",
    ]
    best = body.with_sun
    if now.elongation_rad < NEAR_SUN_RAD:
        limit = math.degrees(NEAR_SUN_RAD)
        lines.append(
            f"  DANGER: closer to the Sun than {limit:.0f} deg. Do not look for it, with or "
            "without a telescope."
        )
    elif best is not None:
        highest = math.degrees(best.best_altitude_rad)
        lines[-1] += (
            f"; with the Sun up and over 15 deg: {clock(when, best.up_from)} to "
            f"{clock(when, best.up_until)}, up to {highest:.0f} deg high"
        )
    return lines


def compass_line(facts: SunFacts) -> str:
    """Return what a compass shows here."""
    field = facts.field
    declination_deg = math.degrees(field.declination_rad)
    sigma_deg = math.degrees(field.declination_sigma_rad)
    if sigma_deg > _USELESS_NEEDLE_DEG:
        return "Compass: of no use here, so near a magnetic pole."
    way = "east" if declination_deg >= 0.0 else "west"
    pole, reads = ("south", 180.0) if facts.occasion.place.south else ("north", 0.0)
    return (
        f"Compass: the needle points {abs(declination_deg):.1f} deg {way} of true north, give or "
        f"take {sigma_deg:.1f} (World Magnetic Model 2025); true {pole} stands at "
        f"{(reads - declination_deg) % 360.0:.1f} on its dial. Iron, motors and cables near it "
        "add more, by degrees: the shadow is better."
    )
