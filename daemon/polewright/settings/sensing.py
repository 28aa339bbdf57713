"""Settings of the attitude sensor that is held to the polar axis."""

import math
from typing import Annotated, Literal

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from polewright.settings.section import DeviceName, Section

_DIRECTION = "three numbers, not all 0, as [0.0, 1.0, 0.0]"


class SensorSettings(Section):
    """A phone or another sensor that is held to the polar axis, for rough work by day."""

    source: Literal["auto", "phone", "mqtt", "indi"] = Field(
        default="auto",
        description="Whose readings count: the phone whose page streams, what comes in over MQTT "
        "(`sensor/input`), or an INDI device. auto: whichever streams.",
    )
    device: DeviceName | None = Field(
        default=None,
        description="INDI device that tells gravity and the magnetic field; left out: the only "
        "one that is found.",
    )
    hold: Literal["along", "square"] = Field(
        default="along",
        description="How a sensor other than a phone is held: its y (top edge) toward the "
        "elevated pole, or its z (screen) toward it. A phone's page asks.",
    )
    axis: Annotated[list[float], Field(min_length=3, max_length=3)] | None = Field(
        default=None,
        description="Where the elevated pole is in the frame of a sensor other than a phone (x, "
        "y, z; any length); goes before hold. Left out: as hold says.",
        json_schema_extra={"allowed": _DIRECTION},
    )
    bracket: str | None = Field(
        default=None,
        min_length=1,
        max_length=64,
        description="Name of the clamp that holds it. What surveys teach of how crooked it holds "
        "is kept under this name; left out: the sensor's source is the name.",
        json_schema_extra={"allowed": "1 to 64 characters, in quotes"},
    )
    tilt_sigma_deg: float | None = Field(
        default=None,
        ge=0.02,
        le=10,
        description="How wrong its gravity may be, one sigma (deg); left out: 0.3 for a phone, "
        "1.0 for another sensor, which nobody may have calibrated.",
    )
    compass_sigma_deg: float | None = Field(
        default=None,
        ge=0.1,
        le=60,
        description="How wrong its compass may be away from iron, one sigma (deg); left out: what "
        "the sensor says, else 4.",
    )

    @field_validator("axis")
    @classmethod
    def _is_a_direction(cls, value: list[float] | None) -> list[float] | None:
        if value is not None and not 1e-3 < math.hypot(*value) < 1e6:
            raise PydanticCustomError("no_direction", "points nowhere")
        return value
