"""Star alignment over in-memory ports: mounts with cone, squareness and zero points."""

import asyncio
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.adapters.journal.writing import SqliteJournal
from polewright.cli.main import main
from polewright.cli.star_aligning import alignment_lines
from polewright.core.axis.pointing_mechanics import axis_of, axis_terms
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.session.evening import Evening
from polewright.session.known_axis import KnownAxis
from polewright.session.limits import SafetyLimits
from polewright.session.phases import Phase
from polewright.session.star_alignment import StarAlignmentWish, SyncWay
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.bench.daylight import pointed_by_hand
from tests.session.mechanical_mount import MechanicalMount, PortOfMount
from tests.session.ports_in_memory import (
    TERRACE,
    YARD,
    MemoryCamera,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)

PLACES = pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
# Axis 3 arcmin off, zero points half a degree off, 6 arcmin of cone, 2 arcmin out of square.
INDEX_DEG, CONE_ARCMIN, SQUARE_ARCMIN = (0.6, -0.4), 6.0, 2.0


def true_terms(place: Place) -> np.ndarray:
    pole = pole_enu(place, refracted=True)
    axis = rotation_about(np.array([0.0, 0.0, 1.0]), 4.0 * ARCMIN_RAD) @ pole
    return np.array(
        [
            *axis_terms(axis, place),
            *np.radians(INDEX_DEG),
            CONE_ARCMIN * ARCMIN_RAD,
            SQUARE_ARCMIN * ARCMIN_RAD,
        ]
    )


class Stage:
    """An evening on a terrace with a mount that is as it is."""

    def __init__(
        self, place=TERRACE, *, journal=None, hour=30.0, wish=None, cross=False, surveyed=True,
        tell_site=False, **of_mount,
    ):  # fmt: skip
        self.place = place
        self.clock = VirtualClock()
        terms = of_mount.pop("terms", None)
        self.terms = true_terms(place) if terms is None else terms
        self.mount = MechanicalMount(
            self.clock, place=place, hour_angle=hour, declination=-30.0 if place.south else 30.0,
            terms=self.terms, repeats_arcsec=of_mount.pop("repeats_arcsec", 5.0), **of_mount,
        )  # fmt: skip
        self.camera = MemoryCamera(self.clock)
        self.solver = MemorySolver(self.mount, np.random.default_rng(2))
        self.publisher = MemoryPublisher()
        wishes = EveningWishes(
            survey=SurveyWish(frames=3, exposure_s=1.0),
            limits=SafetyLimits(allow_meridian_crossing=cross),
            star_alignment=wish or StarAlignmentWish(goto_arcsec=60.0),
            tell_site=tell_site,
        )
        self.evening = Evening(self.solver, self.clock, self.publisher, wishes, journal)
        self.port = PortOfMount(self.mount)
        self.evening.attach(self.camera, self.port, place)
        if surveyed:
            self.know_the_axis()

    def know_the_axis(self, sigma_arcsec=10.0, off_arcmin=0.0) -> None:
        """As a survey leaves it."""
        axis = rotation_about(np.array([1.0, 0.0, 0.0]), off_arcmin * ARCMIN_RAD) @ axis_of(
            self.terms, self.place
        )
        self.evening._memory.axis = KnownAxis(
            axis_enu=axis,
            covariance_rad2=np.eye(2) * (sigma_arcsec * ARCSEC_RAD) ** 2,
            instant=self.clock.now(),
        )

    async def aligned(self, **arguments) -> dict:
        await self.evening.handle("confirm_clear", {})
        return await self.evening.handle("align_stars", arguments)

    async def refused(self, **arguments) -> PolewrightError:
        with pytest.raises(PolewrightError) as caught:
            await self.aligned(**arguments)
        assert caught.value.remedy
        return caught.value


def told_terms(message) -> dict[str, tuple[float, float]]:
    return {one["name"]: (one["arcsec"], one["sigma_arcsec"]) for one in message["terms"]}


@PLACES
@pytest.mark.parametrize("hour", [-40.0, 30.0])
async def test_a_few_fields_find_the_terms_and_the_check_meets_the_promise(place, hour):
    stage = Stage(place, hour=hour, wish=StarAlignmentWish(syncs=SyncWay.NEVER, goto_arcsec=40.0))
    told = await stage.aligned()
    assert told["verdict"] == "good_enough"
    assert told["fields"] <= 5
    assert told["goto_model_arcsec"] < 40.0
    assert told["goto_own_arcsec"] > 600.0
    assert told["check_met_arcsec"] < 3.0 * told["check_promised_arcsec"]
    for value, (arcsec, sigma) in zip(stage.terms, told_terms(told).values(), strict=True):
        assert abs(arcsec - value / ARCSEC_RAD) < 4.0 * sigma
    assert stage.mount.syncs == []
    assert stage.evening.phase is Phase.IDLE
    assert stage.publisher.last("pointing") == told
    assert all(hour * slew > 0.0 for slew, _ in stage.mount.slews), "it stays on its side"


@PLACES
async def test_both_sides_of_the_pier_are_used_where_it_may_cross(place):
    wish = StarAlignmentWish(syncs=SyncWay.NEVER, goto_arcsec=25.0)
    stage = Stage(place, cross=True, wish=wish)
    told = await stage.aligned()
    sides = {slew > 0.0 for slew, _ in stage.mount.slews}
    assert sides == {True, False}
    arcsec, sigma = told_terms(told)["cone"]
    assert arcsec == pytest.approx(CONE_ARCMIN * 60.0, abs=4.0 * sigma)
    assert sigma < 25.0


async def test_a_survey_saves_fields():
    with_survey, without = Stage(), Stage(surveyed=False)
    assert (await with_survey.aligned())["fields"] < (await without.aligned())["fields"]


async def test_an_earlier_night_saves_fields_and_is_told_of(tmp_path, capsys):
    """Cone and squareness come back from the journal; the zero points of one night do not."""
    wish = StarAlignmentWish(goto_arcsec=45.0)
    file = tmp_path / "kudu.sqlite"
    counts = []
    for _ in range(2):
        async with SqliteJournal(file) as journal:
            stage = Stage(journal=journal, wish=wish)
            await stage.evening.restore()
            stage.know_the_axis()
            counts.append((await stage.aligned())["fields"])
    assert counts[1] < counts[0]
    await asyncio.to_thread(main, ["history", "learned", "--file", str(file), "--json"])
    (kept,) = json.loads(capsys.readouterr().out)["pointings"]
    assert (kept["mount"], kept["camera"], kept["from_home"]) == ("Kudu", "Hoopoe", True)
    cone = kept["terms"]["cone"]
    assert cone["arcsec"] == pytest.approx(CONE_ARCMIN * 60.0, abs=4.0 * cone["sigma_arcsec"])
    await asyncio.to_thread(main, ["history", "learned", "--file", str(file)])
    assert "Kudu with Hoopoe: cone" in capsys.readouterr().out


async def test_zero_points_after_a_sync_are_not_taken_for_home():
    stage = Stage(wish=StarAlignmentWish(goto_arcsec=900.0))
    await stage.aligned()
    await stage.aligned()
    assert [one.from_home for one in stage.evening._experience._pointings] == [True, False]


async def test_what_is_told_reads_as_a_person_reads_it():
    stage = Stage(wish=StarAlignmentWish(syncs=SyncWay.NEVER, goto_arcsec=40.0))
    lines = alignment_lines(await stage.aligned())
    assert lines[0] == "go-tos are good enough (wished: 40 arcsec)"
    assert lines[1].startswith("  sent through the model it misses by about ")
    assert "promised" in lines[3]
    assert any(line.startswith("  cone: ") for line in lines)
    assert not any(line.startswith("next") for line in lines)


async def test_a_sync_at_the_end_brings_the_mounts_own_go_tos_near():
    stage = Stage(wish=StarAlignmentWish(syncs=SyncWay.ONCE, goto_arcsec=900.0))
    told = await stage.aligned()
    assert len(stage.mount.syncs) == 1
    assert told["verdict"] == "good_enough"
    assert told["goto_own_arcsec"] < 900.0
    # What is told of now is where the telescope really points.
    hour, declination = stage.mount.hour_angle_now(), stage.mount.declination
    wanted = stage.mount.points_enu()
    now = np.array([value * ARCSEC_RAD for value, _ in told_terms(told).values()])
    there = pointed_by_hand(
        now, math.radians(hour), math.radians(declination), stage.mount.beyond, stage.place
    )
    assert angle_between(there, wanted) < 60.0 * ARCSEC_RAD


async def test_a_mount_that_takes_each_sync_is_told_each_field():
    stage = Stage(wish=StarAlignmentWish(syncs=SyncWay.EACH, goto_arcsec=900.0))
    told = await stage.aligned()
    assert len(stage.mount.syncs) == told["fields"]
    assert told["goto_own_arcsec"] < 900.0
    # Its syncs only shift its zero points, so its terms are still seen.
    arcsec, sigma = told_terms(told)["non_perpendicularity"]
    assert arcsec == pytest.approx(SQUARE_ARCMIN * 60.0, abs=4.0 * sigma)


async def test_a_mount_with_a_model_of_its_own_is_told_by_its_check_alone():
    stage = Stage(wish=StarAlignmentWish(syncs=SyncWay.EACH, goto_arcsec=30.0), builds_model=True)
    told = await stage.aligned()
    assert told["terms"] == []
    assert told["goto_model_arcsec"] is None
    assert told["check_promised_arcsec"] is None
    assert told["verdict"] == "not_yet"
    assert told["check_met_arcsec"] > 30.0


async def test_a_cloud_costs_another_field():
    stage = Stage()
    stage.solver.clouds = 2
    told = await stage.aligned()
    assert told["spoiled_fields"] == 1
    first, second = stage.mount.slews[:2]
    assert max(abs(first[0] - second[0]), abs(first[1] - second[1])) > 3.0


async def test_an_overcast_sky_ends_without_a_claim_and_with_the_mount_stopped():
    stage = Stage()
    stage.solver.clouds = 1000
    trouble = await stage.refused()
    assert trouble.code == "too_few_fields"
    assert "only 0 fields" in trouble.text
    assert stage.mount.aborted >= 1
    assert not any(topic == "pointing" for topic, _, _ in stage.publisher.messages)
    assert stage.evening.phase is Phase.BLOCKED


async def test_nothing_moves_without_the_persons_word():
    stage = Stage()
    with pytest.raises(PolewrightError) as caught:
        await stage.evening.handle("align_stars", {})
    assert caught.value.code == "not_confirmed_clear"
    assert stage.mount.slews == []


async def test_a_mount_that_points_quite_elsewhere_is_stopped_at_the_first_field():
    terms = true_terms(TERRACE)
    terms[3] = math.radians(5.0)
    stage = Stage(terms=terms)
    trouble = await stage.refused()
    assert trouble.code == "points_elsewhere"
    assert len(stage.mount.slews) == 1
    assert stage.mount.syncs == []


async def test_an_axis_that_was_moved_since_the_survey_is_named():
    stage = Stage(wish=StarAlignmentWish(syncs=SyncWay.NEVER, goto_arcsec=20.0))
    stage.know_the_axis(off_arcmin=12.0)
    trouble = await stage.refused()
    assert trouble.code in ("axis_moved", "fields_disagree")
    assert "axis" in trouble.text


async def test_a_clutch_that_slips_is_named():
    stage = Stage(
        wish=StarAlignmentWish(syncs=SyncWay.NEVER, goto_arcsec=15.0),
        slips_after=3, slip_deg=0.3,
    )  # fmt: skip
    trouble = await stage.refused()
    assert trouble.code in ("mount_slipped", "fields_disagree", "go_tos_miss")
    assert any(word in trouble.text for word in ("slipped", "miss"))


async def test_a_mount_that_moves_during_a_frame_is_told_of():
    stage = Stage()
    expose = stage.camera.expose

    async def pushed(exposure_s):
        frame = await expose(exposure_s)
        stage.mount.declination += 0.1
        return frame

    stage.camera.expose = pushed
    assert (await stage.refused()).code == "mount_moved"


async def test_a_stop_ends_it_and_stops_the_mount():
    stage = Stage()
    await stage.evening.handle("confirm_clear", {})
    expose = stage.camera.expose

    async def stopping(exposure_s):
        tasks.create_task(stage.evening.stop())
        await asyncio.sleep(0)
        return await expose(exposure_s)

    stage.camera.expose = stopping
    async with asyncio.TaskGroup() as tasks:
        with pytest.raises(MeasurementError) as caught:
            await stage.evening.handle("align_stars", {})
    assert caught.value.code == "stopped"
    assert stage.mount.aborted >= 1
    assert stage.evening.phase is Phase.IDLE


@pytest.mark.parametrize("may_tell", [False, True])
async def test_a_mount_that_holds_another_site_is_told_or_told_of(may_tell):
    stage = Stage(tell_site=may_tell)
    stage.port.held = YARD
    if may_tell:
        await stage.aligned()
        assert stage.mount.told_sites == [TERRACE]
    else:
        assert (await stage.refused()).code == "mount_site_differs"
        assert stage.mount.slews == []


async def test_a_mount_that_cannot_be_told_says_what_to_do():
    stage = Stage()
    stage.mount.capabilities = replace(stage.mount.capabilities, can_sync=False)
    trouble = await stage.refused()
    assert trouble.code == "cannot_sync"
    assert stage.mount.slews == []
    assert (await stage.aligned(syncs="never"))["syncs"] == "never"


async def test_fields_keep_the_floor_the_horizon_and_the_hour_angles():
    limits = SafetyLimits(
        altitude_floor_deg=35.0, hour_angle_max_deg=60.0, horizon=((0.0, 0.0), (180.0, 50.0))
    )
    stage = Stage(wish=StarAlignmentWish(syncs=SyncWay.NEVER, goto_arcsec=15.0))
    stage.evening._guard._limits = limits
    stage.evening.attach(stage.camera, stage.port, TERRACE)
    stage.know_the_axis()
    await stage.aligned()
    assert all(0.0 < slew < 60.5 for slew, _ in stage.mount.slews)
