"""Site: where the mount stands and what time it is, who said so, and what does not fit."""

from dataclasses import dataclass

from polewright.core.sky.doubts import Doubt
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import PlaceReading, Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """What holds.

    Attributes
    ----------
    place : Place
        Where, with the air of the settings.
    reading : PlaceReading or None
        The place as its source told it; None where nobody was asked.
    time_source : Source
        Whose time holds.
    disciplined : bool or None
        Whether that clock is kept right from outside; None where nobody can tell.
    doubts : tuple of Doubt
        What does not fit, of place and time.
    mount_doubts : tuple of Doubt
        Those of them that come from the site that the mount held.
    mount_tells_place : bool
        Whether the mount has a site at all.
    """

    place: Place
    reading: PlaceReading | None = None
    time_source: Source = Source.HOST
    disciplined: bool | None = None
    doubts: tuple[Doubt, ...] = ()
    mount_doubts: tuple[Doubt, ...] = ()
    mount_tells_place: bool = False
