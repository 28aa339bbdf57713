"""Told places: where pictures, options and settings say the pictures were taken, and which holds.

The person's options go before all.  Pictures go before the settings, because settings say where
the mount stands now and pictures may come from anywhere; but where the two differ only by a slip
(a sign, an exchange), the settings hold: many programs write signs as they like.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import frame_turn_deg, slip_between

# Nearer than this is one place: a header that was typed from a map (deg).
SAME_PLACE_DEG = 0.1
# A header of 0 deg, 0 deg was never filled in.
_NOWHERE_DEG = 1e-6


class Teller(StrEnum):
    """Who told the place that holds."""

    OPTIONS = "options"
    PICTURES = "pictures"
    SETTINGS = "settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldPlace:
    """A place as a header or a person tells it; ``words``: by which keywords, of which picture.

    Latitude and longitude geodetic, north and east positive (deg); ``elevation_m`` None: not told.
    """

    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None = None
    words: str = ""

    @property
    def nowhere(self) -> bool:
        """True for 0 deg, 0 deg: what stands where nobody filled it in."""
        return max(abs(self.latitude_deg), abs(self.longitude_deg)) < _NOWHERE_DEG

    def place(self) -> Place:
        """Return it as a place.

        Raises
        ------
        ValueError
            It is not on this planet.
        """
        return Place(
            latitude_deg=self.latitude_deg,
            longitude_deg=self.longitude_deg,
            elevation_m=self.elevation_m or 0.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """What a person says of height and air; None: not said (m, hPa, deg C)."""

    elevation_m: float | None = None
    pressure_hpa: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceInUse:
    """The place that holds, who told it and in which words, and what contradicts it."""

    place: Place
    teller: Teller
    words: str
    warnings: tuple[str, ...] = ()


def place_in_use(
    *,
    option: ToldPlace | None,
    pictures: Sequence[ToldPlace],
    settings: Place | None,
    air: Air,
) -> PlaceInUse | None:
    """Return the place that holds; None where nobody tells one.

    Parameters
    ----------
    option : ToldPlace or None
        What the person says now.
    pictures : sequence of ToldPlace
        Every place that a picture tells, in order; one picture may tell it twice.
    settings : Place or None
        Where the settings say that the mount stands, with its air.
    air : Air
        What the person says of height and air: it goes before all else.
    """
    told = [each for each in pictures if not each.nowhere]
    disagree = _among(told)
    found: tuple[ToldPlace, Teller] | None = None
    if option is not None:
        found = option, Teller.OPTIONS
    elif told and (settings is None or (not disagree and not _slip(told[0], settings))):
        found = told[0], Teller.PICTURES
    elif settings is not None:
        found = _of(settings), Teller.SETTINGS
    if found is None:
        return None
    holds, teller = found
    warnings = [*disagree]
    if teller is not Teller.PICTURES:
        warnings += _against(holds, told[:1] if not disagree else told)
    elif settings is not None:
        warnings += _against(_of(settings), told[:1])
    place, height_known = _with_air(holds, told, settings, air)
    if not height_known:
        warnings.append(
            "nobody tells the height: taken as at the sea; at 1000 m the air bends light an eighth "
            "less (--elevation)"
        )
    return PlaceInUse(
        place=place, teller=teller, words=_WORDS[teller].format(holds.words), warnings=(*warnings,)
    )


_WORDS = {
    Teller.OPTIONS: "by the options",
    Teller.PICTURES: "by the pictures ({})",
    Teller.SETTINGS: "by the settings",
}


def _of(place: Place) -> ToldPlace:
    return ToldPlace(
        latitude_deg=place.latitude_deg,
        longitude_deg=place.longitude_deg,
        elevation_m=place.elevation_m,
        words="the settings",
    )


def _apart_deg(one: ToldPlace, other: ToldPlace) -> float:
    return frame_turn_deg(one.place(), other.place())


def _slip(told: ToldPlace, settings: Place) -> bool:
    apart = frame_turn_deg(told.place(), settings) > SAME_PLACE_DEG
    return apart and slip_between(settings, told.place()) is not None


def _among(told: Sequence[ToldPlace]) -> list[str]:
    """Return what contradicts between the pictures, each other place once."""
    others: list[ToldPlace] = []
    times: Counter[int] = Counter()
    for each in told[1:]:
        if _apart_deg(told[0], each) <= SAME_PLACE_DEG:
            continue
        near = [n for n, other in enumerate(others) if _apart_deg(other, each) <= SAME_PLACE_DEG]
        if not near:
            others.append(each)
        times[near[0] if near else len(others) - 1] += 1
    return [
        f"the pictures contradict each other: {_said(told[0])}, {_said(other)}"
        f"{f' and {times[n] - 1} more' if times[n] > 1 else ''}: {_difference(told[0], other)}"
        for n, other in enumerate(others)
    ]


def _against(holds: ToldPlace, told: Sequence[ToldPlace]) -> list[str]:
    """Return what of the pictures' word contradicts another word: the first that does."""
    for each in told:
        if _apart_deg(holds, each) > SAME_PLACE_DEG:
            return [f"two places are told: {_said(holds)}, {_said(each)}: "
                    f"{_difference(holds, each)}"]  # fmt: skip
    return []


def _difference(one: ToldPlace, other: ToldPlace) -> str:
    slip = slip_between(one.place(), other.place())
    if slip is None:
        return f"they are {_apart_deg(one, other):.1f} deg apart"
    if slip[0] == "longitude_sign":
        return f"{slip[1]} here and in the standard, but some programs count west"
    return slip[1]


def _said(told: ToldPlace) -> str:
    longitude = wrap_half_turn_deg(told.longitude_deg)
    return f"{told.words} {told.latitude_deg:+.2f} {longitude:+.2f} deg"


def _with_air(
    holds: ToldPlace, told: Sequence[ToldPlace], settings: Place | None, air: Air
) -> tuple[Place, bool]:
    """Return the place with height and air, and whether somebody told its height."""
    place = holds.place()
    here = [each for each in told if _apart_deg(holds, each) <= SAME_PLACE_DEG]
    heights = [air.elevation_m, holds.elevation_m, *(each.elevation_m for each in here)]
    if settings is not None and frame_turn_deg(place, settings) <= SAME_PLACE_DEG:
        # The same place: what the settings know of its height and air may be used.
        heights.append(settings.elevation_m)
        place = replace(
            place,
            pressure_hpa=settings.pressure_hpa,
            temperature_c=settings.temperature_c,
            relative_humidity=settings.relative_humidity,
        )
    height = next((each for each in heights if each is not None), None)
    place = replace(place, elevation_m=height or 0.0)
    if air.pressure_hpa is not None:
        place = replace(place, pressure_hpa=air.pressure_hpa)
    if air.temperature_c is not None:
        place = replace(place, temperature_c=air.temperature_c)
    return place, height is not None or air.pressure_hpa is not None
