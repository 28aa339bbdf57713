"""Watch input: what programs that image and guide hand over to the watch, checked and bounded."""

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated, TypeVar

from pydantic import AwareDatetime, Field, ValidationError

from polewright.adapters.mqtt.payloads import Body, Version
from polewright.ports import GuideOffset

log = logging.getLogger(__name__)

LARGEST_INPUT_BYTES = 1024
# What is said of another day is said of another night, or by a clock that was never set.
FARTHEST = timedelta(days=1)

Arcsec = Annotated[float, Field(ge=-36000, le=36000)]
P = TypeVar("P", bound=Body)


class WatchFramePayload(Body):
    """A picture file that is complete, by its name below the folder of ``[watch]``."""

    v: Version = 1
    file: Annotated[str, Field(min_length=1, max_length=400, pattern=r"^[^\x00-\x1f]+$")]


class WatchGuidePayload(Body):
    """Where a guide star would stand had nobody corrected, along both axes.

    Add up the corrections that were sent and take them off what was measured. ``new_reference``
    with the first after a dither, another star or another target.
    """

    v: Version = 1
    declination_arcsec: Arcsec
    right_ascension_arcsec: Arcsec | None = None
    at: AwareDatetime | None = None
    new_reference: bool = False
    hour_angle_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    declination_deg: Annotated[float, Field(ge=-90, le=90)] | None = None


class WatchInputs:
    """Takes messages, and hands on what is fit.

    Parameters
    ----------
    on_frame : callable
        Takes a file's name.
    on_offset : callable
        Takes an offset of the guide star.
    now : callable
        The aware UTC instant.
    """

    def __init__(
        self,
        on_frame: Callable[[str], None],
        on_offset: Callable[[GuideOffset], None],
        now: Callable[[], datetime],
    ) -> None:
        self._on_frame = on_frame
        self._on_offset = on_offset
        self._now = now
        self.refused = 0

    def take_frame(self, payload: bytes, retained: bool) -> None:
        """Take one message of ``watch/frame``."""
        if (told := self._read(WatchFramePayload, payload, retained=retained)) is not None:
            self._on_frame(told.file)

    def take_guide(self, payload: bytes, retained: bool) -> None:
        """Take one message of ``watch/guide``."""
        if (told := self._read(WatchGuidePayload, payload, retained=retained)) is not None:
            now = self._now()
            instant = told.at or now
            if abs(instant - now) > FARTHEST:
                self._refuse(f"at: {instant.isoformat()} is more than a day from now")
                return
            self._on_offset(
                GuideOffset(
                    instant=instant,
                    declination_arcsec=told.declination_arcsec,
                    anew=told.new_reference,
                    hour_angle_deg=told.hour_angle_deg,
                    declination_deg=told.declination_deg,
                )
            )

    def _read(self, model: type[P], payload: bytes, *, retained: bool) -> P | None:
        why = ""
        if retained:
            why = "it is retained: nobody knows how old it is"
        elif len(payload) > LARGEST_INPUT_BYTES:
            why = f"it is longer than {LARGEST_INPUT_BYTES} bytes"
        else:
            try:
                return model.model_validate_json(payload)
            except ValidationError as problem:
                first = problem.errors(include_url=False)[0]
                why = f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"
        self._refuse(why)
        return None

    def _refuse(self, why: str) -> None:
        self.refused += 1
        level = logging.WARNING if self.refused == 1 else logging.DEBUG
        log.log(level, "A message for the watch is not used: %s", why)
