"""Plan wish: what the settings say of the evening's plan, for commands to build on."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from polewright.core.axis.tolerance import USUAL_FARTHEST_MM
from polewright.core.errors import UsageError
from polewright.core.plan.evening_plan import PlanAsked, PlannedTrain
from polewright.core.sky.place import Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """One telescope or lens with its camera; what is None is said by whoever plans.

    Lengths in mm, pixels in um, exposure in s; see :class:`PlannedTrain`.
    """

    name: str = ""
    focal_length_mm: float | None = None
    pixel_size_um: float | None = None
    exposure_s: float | None = None
    guided: bool = False
    farthest_mm: float = USUAL_FARTHEST_MM
    allowed_px: float = 1.0

    def asked(self, arguments: Mapping[str, Any]) -> "Optics":
        """Return the same with what a command's arguments say instead."""
        changed = {
            name: arguments[name]
            for name in (
                "focal_length_mm", "pixel_size_um", "exposure_s", "guided", "farthest_mm",
                "allowed_px",
            )
            if arguments.get(name) is not None
        }  # fmt: skip
        if (diagonal := arguments.get("sensor_diagonal_mm")) is not None:
            if "farthest_mm" in changed:
                raise UsageError(
                    "farthest_mm and sensor_diagonal_mm say the same thing",
                    remedy="Give one: half the diagonal is the farthest where the guide star is "
                    "in the middle.",
                    code="plan_twice",
                )
            changed["farthest_mm"] = 0.5 * diagonal
        return replace(self, **changed)

    def train(self) -> PlannedTrain:
        """Return the train.

        Raises
        ------
        UsageError
            ``plan_incomplete``.
        """
        missing = [
            name
            for name in ("focal_length_mm", "pixel_size_um", "exposure_s")
            if getattr(self, name) is None
        ]
        if self.focal_length_mm is None or self.pixel_size_um is None or self.exposure_s is None:
            of = f" of {self.name}" if self.name else ""
            raise UsageError(
                f"the plan lacks {', '.join(missing)}{of}",
                remedy="Give focal length (mm), pixel size (um) and exposure (s), here or in "
                "[plan].",
                code="plan_incomplete",
            )
        return PlannedTrain(
            name=self.name,
            focal_length_mm=self.focal_length_mm,
            pixel_size_um=self.pixel_size_um,
            exposure_s=self.exposure_s,
            guided=self.guided,
            farthest_mm=self.farthest_mm,
            allowed_px=self.allowed_px,
        )

    @property
    def said(self) -> bool:
        """True where anything of what a train needs is known."""
        return not (self.focal_length_mm is self.pixel_size_um is self.exposure_s is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWish:
    """What the settings say of plans.

    Attributes
    ----------
    asked : PlanAsked or None
        The settings' own plan, in force while no command's is.
    usual : Optics
        The train of [plan].
    named : tuple of Optics
        Those of [[plan.optics]].
    target_pole : str or None
        The pole that the settings name; None: what suits the plan.
    place : Place or None
        Where the mount stands by the settings, while no device says it.
    """

    asked: PlanAsked | None = None
    usual: Optics = field(default_factory=Optics)
    named: tuple[Optics, ...] = ()
    target_pole: str | None = None
    place: Place | None = None

    def optics(self, name: str) -> Optics:
        """Return the optics of a name.

        Raises
        ------
        UsageError
            ``unknown_optics``.
        """
        for each in self.named:
            if each.name.casefold() == name.strip().casefold():
                return each
        known = ", ".join(each.name for each in self.named)
        raise UsageError(
            f'no optics are called "{name[:64]}" in the settings',
            remedy=f"Known: {known}." if known else "Name them in [[plan.optics]].",
            code="unknown_optics",
        )
