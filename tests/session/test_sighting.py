"""Sights of the Sun, the Moon and planets by day, over in-memory ports."""

import asyncio
import math
from datetime import UTC, datetime

import numpy as np
import pytest

from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.axis.sightings import PointingPrior
from polewright.core.errors import MeasurementError, SafetyError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between
from polewright.core.imaging.attitude import SolveHint
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.place import Place
from polewright.ports import PierSide
from polewright.session.evening import Evening
from polewright.session.phases import Phase
from polewright.session.sights import SightWish
from polewright.session.wishes import EveningWishes
from tests.session.bodies_in_memory import DaylightCamera, ErringMount, later
from tests.session.ports_in_memory import TERRACE, YARD, MemoryPublisher, VirtualClock

# 9 h of the mean Sun at the Terrace, and in the north in a July.
FORENOON = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)
NORTHERN = datetime(2026, 7, 20, 8, 30, tzinfo=UTC)
# Inside the mount; its head is turned off the pole after that.
TERMS = PointingTerms(
    index_hour_rad=1.5 * ARCMIN_RAD,
    index_declination_rad=-1.0 * ARCMIN_RAD,
    cone_rad=4.0 * ARCMIN_RAD,
    non_perpendicularity_rad=-1.0 * ARCMIN_RAD,
)


class NoSolver:
    async def prepare(self, *_a, **_k):
        return None

    async def solve(self, *_a, **_k):
        raise MeasurementError("no stars by day", remedy="Wait.", code="too_few_stars")


class Day:
    """An evening's service by day, at a mount with all the errors of a real one."""

    def __init__(self, start=FORENOON, place: Place = TERRACE, body=Body.SUN, **of_camera):
        self.clock = VirtualClock(start)
        self.place = place
        self.mount = ErringMount(self.clock, TERMS, place=place)
        self.mount.turn_bolts(29.6, -18.0)
        self.camera = DaylightCamera(self.clock, self.mount, body=body, **of_camera)
        self.publisher = MemoryPublisher()
        wishes = EveningWishes(
            tolerance_arcsec=300.0,
            sights=SightWish(home_sigma_arcmin=2.0, cone_sigma_arcmin=5.0),
            optics=SolveHint(scale_arcsec_px=self.camera.scale_arcsec_px),
        )
        self.evening = Evening(NoSolver(), self.clock, self.publisher, wishes)
        self.evening.attach(self.camera, self.mount, place, optics=wishes.optics)

    async def ready(self, *, filtered: bool = True) -> "Day":
        await self.evening.handle("confirm_clear", {})
        if filtered:
            await self.evening.handle("confirm_solar_filter", {"camera": "Hoopoe"})
        return self

    def told(self, topic):
        return [payload for name, payload, _ in self.publisher.messages if name == topic]

    async def sight(self, **arguments):
        return await self.evening.handle("sight", arguments)

    def off_arcmin(self, message) -> float:
        """How far what was told is from the truth."""
        altitude = math.radians(message["axis_altitude_deg"])
        azimuth = math.radians(message["axis_azimuth_deg"])
        told = np.array(
            [
                math.cos(altitude) * math.sin(azimuth),
                math.cos(altitude) * math.cos(azimuth),
                math.sin(altitude),
            ]
        )
        return angle_between(told, self.mount.axis_enu()) / ARCMIN_RAD


@pytest.mark.parametrize(
    ("start", "place"), [(FORENOON, TERRACE), (NORTHERN, YARD)], ids=["south", "north"]
)
async def test_two_sights_of_the_sun_hours_apart_tell_the_axis_to_an_arcminute(start, place):
    day = await Day(start, place).ready()
    first = await day.sight()
    assert first["method"] == "bodies"
    assert first["frames"] == 1
    assert first["total_error_sigma_arcmin"] > 2.0
    assert "wait until" in first["advice"]
    assert first["verdict"] != "good_enough"
    later(day.clock, hours=2.4)
    second = await day.sight(body="sun")
    assert second["frames"] == 2
    assert second["total_error_sigma_arcmin"] < 1.5
    assert day.off_arcmin(second) < 3.0 * second["total_error_sigma_arcmin"]
    pole = day.evening._memory.wishes.target_enu(place)
    true = angle_between(day.mount.axis_enu(), pole) / ARCMIN_RAD
    assert second["total_error_arcmin"] == pytest.approx(true, abs=3.0)
    assert day.evening.phase is Phase.IDLE
    assert day.publisher.last("survey")["method"] == "bodies"


async def test_the_sights_are_used_to_turn_the_bolts_with_the_sun_in_the_picture():
    day = await Day().ready()
    await day.sight()
    later(day.clock, hours=2.4)
    await day.sight()

    async def hands():
        """Turn by what is told, four times, a fifth too little each time."""
        turned = 0
        while True:
            await asyncio.sleep(0.005)
            told = day.told("correction")
            if not told or told[-1]["sequence"] < 5 * turned + 1:
                continue
            if turned == 4:
                return
            turned += 1
            day.mount.turn_bolts(
                -0.8 * told[-1]["azimuth_error_arcmin"], -0.8 * told[-1]["altitude_error_arcmin"]
            )

    adjusting = asyncio.ensure_future(day.evening.handle("adjust", {"by": "bodies"}))
    turning = asyncio.ensure_future(hands())
    await asyncio.wait({adjusting, turning}, return_when=asyncio.FIRST_COMPLETED)
    turning.cancel()
    await day.evening.handle("stop", {})
    result = await adjusting
    assert result["stopped"] is True
    told = day.publisher.last("correction")
    assert told["method"] == "bodies"
    assert told["total_error_arcmin"] < 1.0
    pole = day.evening._memory.wishes.target_enu(day.place)
    off = angle_between(day.mount.axis_enu(), pole) / ARCMIN_RAD
    assert off < 1.0 + 2.0 * told["total_error_sigma_arcmin"]
    # What was learned stays: the next sight begins from the mount as it stands now.
    later(day.clock, minutes=30)
    again = await day.sight()
    assert day.off_arcmin(again) < 3.0 * again["total_error_sigma_arcmin"]


async def test_the_sun_is_not_looked_at_before_somebody_confirms_a_filter():
    day = await Day().ready(filtered=False)
    with pytest.raises(SafetyError) as caught:
        await day.sight(body="sun")
    assert caught.value.code == "no_solar_filter"
    assert day.mount.slews == 0
    assert day.camera.frames == 0
    with pytest.raises(SafetyError) as caught:
        await day.sight(body="sun", pointed=True)
    assert caught.value.code == "no_solar_filter"


async def test_behind_the_filter_nothing_but_the_sun_is_sighted():
    day = await Day().ready()
    with pytest.raises(SafetyError) as caught:
        await day.sight(body="venus")
    assert caught.value.code == "filter_on"


async def test_a_picture_full_of_light_is_a_danger_and_said_so():
    """A filter that is not there, whatever was said."""
    day = await Day(light_per_s=5e12).ready()
    with pytest.raises(SafetyError) as caught:
        await day.sight(body="sun")
    assert caught.value.code == "too_much_light"
    assert caught.value.text.startswith("DANGER")


async def test_a_covered_sun_is_not_found_and_nothing_is_told_of_the_axis():
    day = await Day(covered=True).ready()
    with pytest.raises(MeasurementError) as caught:
        await day.sight(body="sun")
    assert caught.value.code in {"body_not_found", "badly_exposed"}
    assert not day.told("survey")


async def test_a_planet_in_the_bright_sky_is_sighted_as_a_point():
    start = datetime(2026, 11, 25, 4, 30, tzinfo=UTC)
    day = await Day(start, body=Body.VENUS, light_per_s=2e6, sky_per_s=3e5).ready(filtered=False)
    day.mount.terms = PointingTerms(axis_east_rad=5 * ARCMIN_RAD, cone_rad=2 * ARCMIN_RAD)
    there = body_place(Body.VENUS, day.place, start)
    day.mount.right_ascension = math.degrees(there.right_ascension_rad) - 4.0
    day.mount.declination = math.degrees(there.declination_rad) + 3.0
    message = await day.sight(body="venus")
    assert day.off_arcmin(message) < 3.0 * message["total_error_sigma_arcmin"]


async def test_the_other_side_of_the_pier_is_understood():
    day = await Day().ready()
    await day.sight()
    later(day.clock, hours=2.4)
    day.mount.pier_side = PierSide.WEST
    message = await day.sight()
    assert day.off_arcmin(message) < 3.0 * message["total_error_sigma_arcmin"]
    # One side alone does not tell the cone: the second look is no better than the home sensors'.
    assert message["frames"] == 2


async def test_bolts_turned_by_what_was_told_are_taken_note_of():
    day = await Day().ready()
    await day.sight()
    later(day.clock, hours=2.4)
    told = await day.sight()
    day.mount.turn_bolts(
        -1.05 * told["azimuth_error_arcmin"], -0.95 * told["altitude_error_arcmin"]
    )
    with pytest.raises(MeasurementError) as caught:
        await day.sight()
    assert caught.value.code == "sights_disagree"
    after = await day.sight(turned=True)
    assert after["frames"] == 1
    assert day.off_arcmin(after) < 3.0 * after["total_error_sigma_arcmin"]
    assert after["total_error_sigma_arcmin"] < 3.0


async def test_the_sun_is_followed_only_as_long_as_the_word_on_the_filter_holds():
    day = await Day().ready()
    later(day.clock, hours=2.4)
    await day.sight()
    told = asyncio.Event()

    def tell(message):
        if "correction" in message:
            told.set()

    adjusting = asyncio.ensure_future(day.evening.handle("adjust", {"by": "bodies"}, tell))
    await asyncio.wait_for(told.wait(), 30.0)
    taken_back = {"camera": "Hoopoe", "fitted": False}
    await day.evening.handle("confirm_solar_filter", taken_back)
    with pytest.raises(SafetyError) as caught:
        await asyncio.wait_for(adjusting, 10.0)
    assert caught.value.code == "no_solar_filter"
    assert day.evening.phase is Phase.BLOCKED


async def test_without_sights_there_is_nothing_to_adjust_from():
    day = await Day().ready()
    with pytest.raises(UsageError) as caught:
        await day.evening.handle("adjust", {"by": "bodies"})
    assert caught.value.code == "no_sights"


async def test_motors_are_not_turned_by_a_body():
    day = await Day().ready()
    with pytest.raises(UsageError) as caught:
        await day.evening.handle("adjust", {"by": "bodies", "motors": True})
    assert caught.value.code == "not_by_bodies"


def test_what_earlier_evenings_taught_counts_where_it_is_better_known():
    wish = SightWish(home_sigma_arcmin=2.0, cone_sigma_arcmin=5.0)
    earlier = PointingPrior.independent(
        PointingTerms.of(np.array([60.0, 60.0, 90.0, 90.0, 0.4, 0.3]) * ARCMIN_RAD),
        PointingTerms(axis_east_rad=0.01, cone_rad=7.0 * ARCMIN_RAD),
    )
    plain, taught = wish.prior(TERRACE), wish.prior(TERRACE, earlier)
    assert taught.mean.cone_rad == pytest.approx(7.0 * ARCMIN_RAD)
    assert taught.covariance_rad2[4, 4] == pytest.approx((0.4 * ARCMIN_RAD) ** 2)
    # The axis may be anywhere at first, and home sensors know better than a vague evening.
    assert taught.mean.axis_east_rad == 0.0
    assert np.allclose(taught.covariance_rad2[:4, :4], plain.covariance_rad2[:4, :4])


async def test_a_low_body_is_refused():
    day = await Day(datetime(2026, 11, 25, 4, 15, tzinfo=UTC)).ready()
    with pytest.raises(MeasurementError) as caught:
        await day.sight(body="sun")
    assert caught.value.code == "body_too_low"
