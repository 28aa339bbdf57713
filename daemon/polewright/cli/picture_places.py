"""The place of pictures: from the options, the files and the settings, and whose word it is."""

import argparse
from collections.abc import Sequence
from typing import Any

from polewright.cli.pictures import SolvedPicture
from polewright.core.errors import UsageError
from polewright.core.sky.told_places import Air, PlaceInUse, Teller, ToldPlace, place_in_use
from polewright.settings.model import Settings


def check_place_options(options: argparse.Namespace) -> None:
    """Refuse place and air that cannot be, before minutes are spent on solving.

    Raises
    ------
    UsageError
        One without the other, or outside what there is on this planet.
    """
    _told(options)
    for name, low, high, unit in (
        ("pressure", 300.0, 1100.0, "hPa, at the station"),
        ("temperature", -60.0, 60.0, "deg C"),
        ("elevation", -500.0, 9000.0, "m"),
    ):
        value = getattr(options, name)
        if value is not None and not low <= value <= high:
            raise UsageError(
                f"--{name} {value:g} is outside {low:g} to {high:g}", remedy=f"Give it in {unit}."
            )


def place_of(
    solved: Sequence[SolvedPicture], options: argparse.Namespace, settings: Settings
) -> PlaceInUse | None:
    """Return the place that holds for these pictures; None where nobody tells one."""
    return place_in_use(
        option=_told(options),
        pictures=[place for one in solved for place in one.places],
        settings=settings.site.place(),
        air=Air(
            elevation_m=options.elevation,
            pressure_hpa=options.pressure,
            temperature_c=options.temperature,
        ),
    )


def place_figures(used: PlaceInUse) -> dict[str, Any]:
    """Return the place for programs."""
    place = used.place
    return {
        "latitude_deg": place.latitude_deg,
        "longitude_deg": place.longitude_deg,
        "elevation_m": place.elevation_m,
        "pressure_hpa": place.air_pressure_hpa,
        "temperature_c": place.temperature_c,
        "told_by": used.teller.value,
    }


def place_line(used: PlaceInUse) -> str:
    """Return the place in words, and whose word it is."""
    place = used.place
    counted = "; east counted as positive" if used.teller is Teller.PICTURES else ""
    return (
        f"  at {place.words}, {place.air_pressure_hpa:.0f} hPa, {place.temperature_c:g} deg C: "
        f"{used.words}{counted}"
    )


def _told(options: argparse.Namespace) -> ToldPlace | None:
    if (options.latitude is None) != (options.longitude is None):
        raise UsageError(
            "--latitude and --longitude belong together", remedy="Give both, or neither."
        )
    if options.latitude is None:
        return None
    told = ToldPlace(
        latitude_deg=options.latitude, longitude_deg=options.longitude, words="the options"
    )
    try:
        told.place()
    except ValueError as trouble:
        raise UsageError(str(trouble), remedy="Give the site in degrees.") from None
    return told
