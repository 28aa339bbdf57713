"""A mount is told where it points only where that makes no later slew unsafe."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from polewright.core.errors import DeviceError, PolewrightError, SafetyError
from polewright.core.sky.doubts import Bars, Doubt
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.session.limits import SafetyLimits
from polewright.session.safety import GuardedMount
from polewright.session.synchronising import LARGEST_SYNC_DEG, SolvedPlace
from tests.session.mechanical_mount import MechanicalMount
from tests.session.ports_in_memory import TERRACE, VirtualClock

HOUR, DECLINATION = 30.0, -40.0
DOUBT = Doubt(
    code="clock_differs", text="doubtful", consequence="uncertain", remedy="mend", bars=Bars.BY_DAY
)


class Scene:
    def __init__(self, *, hour=HOUR, clear=True, doubts=(), limits=None, **of_mount):
        self.clock = VirtualClock()
        self.mount = MechanicalMount(
            self.clock, hour_angle=hour, declination=DECLINATION, **of_mount
        )
        self.guard = GuardedMount(
            self.mount, TERRACE, self.clock, limits or SafetyLimits(), camera="Hoopoe",
            doubts=doubts,
        )  # fmt: skip
        if clear:
            self.guard.confirm_clear()

    def seen(self, *, west=0.0, north=0.0, hour=HOUR, age_s=2.0) -> SolvedPlace:
        """What a frame shows, so many degrees from what the mount shows."""
        now = self.clock.now()
        return SolvedPlace(
            right_ascension_deg=right_ascension_deg(hour + west, now, TERRACE),
            declination_deg=DECLINATION + north,
            instant=now - timedelta(seconds=age_s),
        )

    async def refused(self, seen, **options) -> str:
        with pytest.raises(PolewrightError) as caught:
            await self.guard.sync_to(seen, **options)
        assert self.mount.syncs == []
        assert caught.value.remedy
        return caught.value.code


async def test_a_small_change_is_told_and_nothing_turns():
    scene = Scene()
    before = scene.mount.points_enu()
    await scene.guard.sync_to(scene.seen(west=0.5, north=-0.3))
    assert len(scene.mount.syncs) == 1
    assert scene.mount.slews == []
    np.testing.assert_allclose(scene.mount.points_enu(), before, atol=1e-9)
    status = await scene.guard.status()
    assert status.declination_deg == pytest.approx(DECLINATION - 0.3)


@pytest.mark.parametrize("north", [LARGEST_SYNC_DEG + 0.1, -LARGEST_SYNC_DEG - 0.1])
async def test_a_large_change_needs_the_persons_word(north):
    scene = Scene()
    seen = scene.seen(north=north)
    assert await scene.refused(seen) == "points_elsewhere"
    await scene.guard.sync_to(seen, confirmed=True)
    assert len(scene.mount.syncs) == 1


async def test_a_change_is_measured_on_the_sky_and_not_in_hour_angle():
    """At declination 80 five degrees of hour angle are under one degree."""
    scene = Scene()
    scene.mount.declination = -80.0
    near_pole = replace(scene.seen(west=5.0), declination_deg=-80.0)
    await scene.guard.sync_to(near_pole)
    assert len(scene.mount.syncs) == 1


async def test_nothing_is_told_before_the_word_that_the_mount_is_clear():
    scene = Scene(clear=False)
    assert await scene.refused(scene.seen()) == "not_confirmed_clear"


async def test_a_doubtful_clock_or_place_forbids_it_by_night_as_well():
    """Motion is allowed by night under this doubt; a sync is still there in the morning."""
    scene = Scene(doubts=(DOUBT,))
    assert await scene.refused(scene.seen(), confirmed=True) == "place_or_time_in_doubt"


@pytest.mark.parametrize("age_s", [-1.9, 0.0, 119.0])
async def test_a_camera_whose_clock_is_ahead_by_a_moment_is_believed(age_s):
    scene = Scene()
    await scene.guard.sync_to(scene.seen(age_s=age_s))
    assert scene.guard.synced


@pytest.mark.parametrize(
    ("age_s", "code"),
    [(-5.0, "frame_from_future"), (-2.1, "frame_from_future"),
     (121.0, "frame_too_old"), (9000.0, "frame_too_old")],
)  # fmt: skip
async def test_an_old_frame_or_one_of_the_future_says_nothing_of_now(age_s, code):
    scene = Scene()
    assert await scene.refused(scene.seen(age_s=age_s)) == code


async def test_a_true_direction_outside_the_limits_is_refused_whatever_the_mount_says():
    low = SafetyLimits(altitude_floor_deg=80.0)
    scene = Scene(limits=low)
    assert await scene.refused(scene.seen(west=0.2), confirmed=True) == "altitude_floor"
    scene = Scene(limits=SafetyLimits(hour_angle_max_deg=31.0))
    assert await scene.refused(scene.seen(west=1.5), confirmed=True) == "hour_angle_limit"


async def test_the_other_side_of_the_meridian_is_refused_even_with_a_word():
    scene = Scene(hour=1.5)
    code = await scene.refused(scene.seen(hour=1.5, west=-3.5), confirmed=True)
    assert code == "sync_changes_sides"


async def test_a_stop_holds_for_syncs():
    scene = Scene()
    await scene.guard.abort()
    assert await scene.refused(scene.seen()) == "stopped"


async def test_a_stop_that_comes_while_the_mount_is_asked_holds_too():
    scene = Scene()
    status = scene.mount.status

    async def stopped_meanwhile():
        said = await status()
        scene.guard.halt()
        return said

    scene.mount.status = stopped_meanwhile
    assert await scene.refused(scene.seen()) == "stopped"


async def test_a_parked_or_slewing_mount_is_not_told():
    for change, code in (({"parked": True}, "parked"), ({"slewing": True}, "already_moving")):
        scene = Scene()
        said = replace(await scene.mount.status(), **change)

        async def status(said=said):
            return said

        scene.mount.status = status
        assert await scene.refused(scene.seen()) == code


async def test_a_mount_that_tells_no_place_is_not_told_one():
    scene = Scene()
    status = await scene.mount.status()

    async def blind():
        return replace(status, declination_deg=None)

    scene.mount.status = blind
    with pytest.raises(DeviceError) as caught:
        await scene.guard.sync_to(scene.seen())
    assert caught.value.code == "position_unknown"


async def test_a_mount_that_points_off_widens_the_suns_cone_until_a_sync():
    scene = Scene()
    assert await scene.guard.compare(scene.seen(north=6.0), confirmed=True) == pytest.approx(6.0)
    assert scene.guard._scene().limits.axis_uncertainty_deg == pytest.approx(6.0)
    await scene.guard.sync_to(scene.seen(north=6.0), confirmed=True)
    assert scene.guard._scene().limits.axis_uncertainty_deg == SafetyLimits().axis_uncertainty_deg


async def test_a_mount_that_points_quite_elsewhere_is_not_believed():
    scene = Scene()
    with pytest.raises(SafetyError) as caught:
        await scene.guard.compare(scene.seen(north=6.0))
    assert caught.value.code == "points_elsewhere"
    assert "6.0 deg" in caught.value.text


async def test_the_watch_over_tracking_goes_on_after_a_sync():
    """Coordinates that jump are not a mount that somebody moved."""
    scene = Scene(limits=SafetyLimits(hour_angle_max_deg=45.0))
    await scene.guard.turn_to(40.0, DECLINATION)
    assert await scene.guard.stop_tracking_before_limits() is None
    await scene.guard.sync_to(scene.seen(hour=40.0, west=1.5))
    await scene.clock.sleep(2400.0)
    switched = []

    async def off(*, on, mode=None):
        switched.append(on)

    scene.mount.set_tracking = off
    reason = await scene.guard.stop_tracking_before_limits()
    assert reason is not None
    assert reason.code == "hour_angle_limit"
    assert switched == [False]


async def test_a_site_is_told_to_a_mount_that_stands_and_to_no_other():
    scene = Scene()
    await scene.guard.tell_site()
    assert scene.mount.told_sites == [TERRACE]
    status = await scene.mount.status()

    async def slewing():
        return replace(status, slewing=True)

    scene.mount.status = slewing
    with pytest.raises(SafetyError) as caught:
        await scene.guard.tell_site()
    assert caught.value.code == "already_moving"
