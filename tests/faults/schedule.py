"""The schedule: what goes wrong when, drawn from a seed and from nothing else."""

import random
from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What is done to the running stack."""

    BROKER_KILLED = "broker killed"
    BROKER_FROZEN = "broker frozen"
    BROKER_SLOW = "broker slow"
    BROKER_CUT_OFF = "broker cut off"
    SERVER_KILLED = "indiserver killed"
    SERVER_CUT_OFF = "indiserver cut off"
    DRIVER_CRASHED = "driver crashed"
    CAMERA_STALLED = "camera stalled"
    FRAME_GARBAGE = "frame is garbage"
    FRAME_TORN = "frame is torn"
    FRAME_BLACK = "frame is black"
    CLOUDS = "clouds"
    SATELLITE = "satellite"
    BUMPED = "tripod bumped"
    CLOCK_STEPPED = "clock stepped"
    SUSPENDED = "host suspended"
    DISK_FULL = "disk full"
    JOURNAL_LOCKED = "journal locked"
    JOURNAL_TORN = "journal torn"
    SERVICE_KILLED = "service killed"
    TERMINATED = "terminated"
    WORKER_KILLED = "worker killed"
    OUT_OF_MEMORY = "out of memory"


class Moment(StrEnum):
    """What the service shall be doing when it happens."""

    SURVEYING = "surveying"
    ADJUSTING = "adjusting"
    WHENEVER = "whenever"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault.

    ``after_s``: after the service was seen to do what ``moment`` says. ``size`` is drawn from 0
    to 1 and means what the kind makes of it.
    """

    kind: Kind
    moment: Moment
    after_s: float
    lasts_s: float
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """One seed's evening.

    ``hands_arcmin``: where the hands bring the axis, against the pole (altitude, azimuth on the
    ground), one after the other. ``ends_after_s``: SIGTERM comes so long after the last recovery.
    """

    seed: int
    site: str
    time_zone: str
    faults: tuple[Fault, ...]
    hands_arcmin: tuple[tuple[float, float], ...]
    ends_after_s: float


KINDS = tuple(Kind)
_ZONES = ("UTC", "Pacific/Kiritimati", "America/St_Johns", "Africa/Johannesburg", "Asia/Kathmandu")
_FAULTS = 2
_HANDS = 40


def schedule(seed: int, only: Kind | None = None) -> Schedule:
    """Return a seed's schedule; the kinds come in turn, and a second one by chance.

    ``only``: every fault is of this kind; moments and sizes stay as they are.
    """
    draw = random.Random(f"polewright faults {seed}")
    kinds = [KINDS[seed % len(KINDS)]]
    kinds += draw.choices(KINDS, k=_FAULTS - 1)
    faults = tuple(
        Fault(
            kind=only or kind,
            moment=draw.choices(tuple(Moment), weights=(2, 3, 1))[0],
            after_s=draw.uniform(0.0, 1.2),
            lasts_s=draw.uniform(0.3, 2.5),
            size=draw.random(),
        )
        for kind in kinds
    )
    return Schedule(
        seed=seed,
        site=draw.choice(("south", "north")),
        time_zone=draw.choice(_ZONES),
        faults=faults,
        hands_arcmin=tuple(_hands(draw) for _ in range(_HANDS)),
        ends_after_s=draw.uniform(0.0, 1.0),
    )


def _hands(draw: random.Random) -> tuple[float, float]:
    """Draw a place for the axis: at the pole, near the edge of the tolerance, or well outside."""
    reach_arcmin = draw.choice((0.15, 0.15, 0.7, 1.0, 4.0))
    return draw.uniform(-1.0, 1.0) * reach_arcmin, draw.uniform(-1.0, 1.0) * reach_arcmin
