"""Plan reading: from what a command says to what is asked for; what it leaves out is as set."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from polewright.core.errors import UsageError
from polewright.core.plan.evening_plan import (
    USUAL_VERIFY_BEFORE_MIN,
    PlanAsked,
    PlannedTrain,
    PlanSource,
)
from polewright.core.plan.sky_target import SkyTarget, read_place
from polewright.core.plan.window import ClockHours, Window, read_window
from polewright.ports import TargetCatalogue
from polewright.session.plan_wish import PlanWish

_OF_OPTICS = ("focal_length_mm", "pixel_size_um", "exposure_s")


def read_plan(
    arguments: Mapping[str, Any],
    wish: PlanWish,
    catalogue: TargetCatalogue,
    now: datetime,
) -> PlanAsked:
    """Return what a command asks for.

    Raises
    ------
    UsageError
        Something in it is unknown, missing or contradicts itself.
    """
    usual = wish.asked
    targets = usual.targets if usual else ()
    if arguments.get("targets") is not None:
        targets = read_targets(arguments["targets"], catalogue)
    window, hours, night = read_when(arguments, usual)
    before_min = arguments.get("verify_before_min")
    if before_min is None:
        before_min = usual.verify_before_min if usual else USUAL_VERIFY_BEFORE_MIN
    pole = arguments.get("target_pole")
    if pole is None and (wish.target_pole != "tonight" or (targets and (window or hours or night))):
        pole = wish.target_pole
    return PlanAsked(
        source=PlanSource.COMMAND,
        at=now,
        targets=targets,
        declination_deg=usual.declination_deg if usual else 0.0,
        trains=_trains(arguments, wish),
        window=window,
        hours=hours,
        night=night,
        target_pole=pole,
        tolerance_arcsec=arguments.get("tolerance_arcsec"),
        verify_before_min=before_min,
    )


def read_targets(texts: Sequence[str], catalogue: TargetCatalogue) -> tuple[SkyTarget, ...]:
    """Return the targets that texts name, by coordinates or from the catalogue.

    Raises
    ------
    UsageError
        ``unknown_target``, ``bad_coordinates``.
    """
    return tuple(read_place(text) or catalogue.find(text) for text in texts)


def read_when(
    arguments: Mapping[str, Any], usual: PlanAsked | None
) -> tuple[Window | None, ClockHours | None, bool]:
    """Return the window by instants, by the clock, or whether it is the night; as set if unsaid.

    Raises
    ------
    UsageError
        ``bad_window``.
    """
    start, end, night = (arguments.get(name) for name in ("window_start", "window_end", "night"))
    if start is None and end is None and night is None:
        return (usual.window, usual.hours, usual.night) if usual else (None, None, False)
    if (start is None) != (end is None) or (night and start is not None):
        raise UsageError(
            "a window needs a start and an end, or is the night",
            remedy="Give both, or only the night.",
            code="bad_window",
        )
    if start is None or end is None:
        return None, None, bool(night)
    found = read_window(start, end)
    return (found, None, False) if isinstance(found, Window) else (None, found, False)


def _trains(arguments: Mapping[str, Any], wish: PlanWish) -> tuple[PlannedTrain, ...]:
    names = arguments.get("optics")
    if names is not None:
        inline = [name for name in ("focal_length_mm", "pixel_size_um") if arguments.get(name)]
        if inline:
            raise UsageError(
                f"optics are named, and {', '.join(inline)} is given as well",
                remedy="Give one of both.",
                code="plan_twice",
            )
        return tuple(wish.optics(name).asked(arguments).train() for name in dict.fromkeys(names))
    usual = wish.usual.asked(arguments)
    if usual.said or any(arguments.get(name) is not None for name in _OF_OPTICS):
        return (usual.train(),)
    return ()
