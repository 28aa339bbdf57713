"""Waiting for dusk: when the first frame is tried, and what ends the waiting.

The Sun is astropy's here (``get_sun`` and ``AltAz`` without air), ERFA's ``epv00`` in the service.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers

from polewright.core.errors import MeasurementError, SafetyError
from polewright.core.sky.place import Place
from polewright.session.dusk import first_stars
from polewright.session.evening import Evening
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.measuring import FrameMeasurer
from polewright.session.survey import SurveyScene, SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)

AFTERNOON = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
NORTH_CAPE = Place(latitude_deg=70.0, longitude_deg=25.0)


@cache
def _sun_over_a_day(place: Place, noon: datetime) -> tuple[np.ndarray, np.ndarray]:
    """Return seconds since noon, two minutes apart, and the Sun's altitudes then (deg)."""
    seconds = np.arange(0.0, 86401.0, 120.0)
    times = Time(noon) + seconds * u.s
    where = EarthLocation.from_geodetic(place.longitude_deg, place.latitude_deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        there = AltAz(obstime=times, location=where)
        return seconds, get_sun(times).transform_to(there).alt.to_value(u.deg)


def sun_altitude_deg(place: Place, instant: datetime) -> float:
    """Between two of them on a line: off by 0.0006 deg at most."""
    noon = instant.replace(hour=12, minute=0, second=0, microsecond=0)
    noon -= timedelta(days=int(instant < noon))
    return float(np.interp((instant - noon).total_seconds(), *_sun_over_a_day(place, noon)))


@dataclass
class DuskSolver(MemorySolver):
    """Solves nothing before the Sun is as low as this."""

    solves_below_deg: float = -7.0
    tried_at: list[float] = field(default_factory=list)

    async def solve(self, frame, hint):
        altitude = sun_altitude_deg(self.mount.place, frame.mid_exposure)
        self.tried_at.append(altitude)
        if altitude > self.solves_below_deg:
            raise MeasurementError("no stars", remedy="Wait.", code="too_few_stars")
        return await super().solve(frame, hint)


class Dusk:
    def __init__(self, start: datetime = AFTERNOON, place: Place = TERRACE) -> None:
        self.clock = VirtualClock(start)
        self.mount = MemoryMount(self.clock, place=place)
        self.solver = DuskSolver(self.mount, np.random.default_rng(1))
        watched = WatchedCamera(MemoryCamera(self.clock))
        self.steps: list[str] = []
        hint = self.solver_hint()
        self.scene = SurveyScene(
            mount=None,
            measurer=FrameMeasurer(watched, self.solver, place, self.clock, hint),
            place=place,
            clock=self.clock,
            wish=SurveyWish(),
            progress=lambda step, _frames, _percent: self.steps.append(step),
            exposures=ExposureFinder(watched),
        )

    @staticmethod
    def solver_hint():
        return EveningWishes().optics


async def test_the_first_frame_is_tried_at_dusk_and_waiting_ends_with_the_first_stars() -> None:
    dusk = Dusk()
    await first_stars(dusk.scene)
    assert -5.0 < dusk.solver.tried_at[0] < -3.9
    assert -8.0 < dusk.solver.tried_at[-1] < -7.0
    assert dusk.steps[0].startswith("waiting for dusk: the first frame is tried at ")
    assert any(step.startswith("no stars yet") for step in dusk.steps)


async def test_by_night_nothing_is_waited_for() -> None:
    dusk = Dusk(datetime(2026, 11, 25, 22, 0, tzinfo=UTC))
    await first_stars(dusk.scene)
    assert dusk.clock.elapsed_s < 60.0
    assert len(dusk.solver.tried_at) == 1


async def test_where_the_sun_stays_up_it_says_so_at_once() -> None:
    dusk = Dusk(datetime(2026, 6, 21, 12, 0, tzinfo=UTC), NORTH_CAPE)
    with pytest.raises(MeasurementError) as caught:
        await first_stars(dusk.scene)
    assert caught.value.code == "no_dusk"
    assert dusk.clock.elapsed_s == 0.0


async def test_clouds_after_dark_end_the_waiting_with_their_own_words() -> None:
    dusk = Dusk()
    dusk.solver.solves_below_deg = -90.0
    with pytest.raises(MeasurementError, match="no stars"):
        await first_stars(dusk.scene)
    assert sun_altitude_deg(TERRACE, dusk.clock.now()) < -15.0


async def test_the_persons_word_is_asked_for_by_day_not_at_dusk() -> None:
    clock = VirtualClock(AFTERNOON)
    mount = MemoryMount(clock)
    solver = DuskSolver(mount, np.random.default_rng(1))
    evening = Evening(solver, clock, MemoryPublisher(), EveningWishes())
    evening.attach(MemoryCamera(clock), mount, TERRACE)
    with pytest.raises(SafetyError) as caught:
        await evening.handle("survey", {"at_dusk": True})
    assert caught.value.code == "not_confirmed_clear"
    assert clock.elapsed_s == 0.0
    await evening.handle("confirm_clear", {})
    await evening.handle("survey", {"at_dusk": True})
    assert mount.slews
    assert sun_altitude_deg(TERRACE, clock.now()) < -7.0
