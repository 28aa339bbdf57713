"""Watch wish: how the watch over imaging is kept."""

from dataclasses import dataclass

from polewright.core.axis.axis_moved import WatchLimits
from polewright.core.geometry.directions import ARCSEC_RAD


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchWish:
    """How the watch is kept (see the settings)."""

    sigmas: float = 5.0
    least_arcsec: float = 20.0
    dither_arcsec: float = 30.0

    @property
    def limits(self) -> WatchLimits:
        """The same in the core's words."""
        return WatchLimits(
            sigmas=self.sigmas,
            least_rad=self.least_arcsec * ARCSEC_RAD,
            dither_rad=self.dither_arcsec * ARCSEC_RAD,
        )
