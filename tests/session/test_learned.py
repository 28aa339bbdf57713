"""What one evening taught of knobs, optics and mount, the next one knows; and no other mount."""

import asyncio
import contextlib
import copy
import json
import logging
from contextlib import asynccontextmanager
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from polewright.adapters.journal.reading import open_reader
from polewright.adapters.journal.writing import SqliteJournal
from polewright.cli.main import main
from polewright.core.axis.knobs import Bolt
from polewright.core.axis.mechanical_floor import FloorEstimate
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.geometry.rotations import rotation_about, rotation_from_vector
from polewright.core.imaging.attitude import SolveHint
from polewright.session.evening import Evening
from polewright.session.experience import MOST_REMEMBERED, Experience
from polewright.session.keeping import NoJournal
from polewright.session.recomputing import differing_corrections, differing_survey
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)

HINT = SolveHint(scale_arcsec_px=6.45)
AWAY_S = 26 * 3600.0


class LensSolver(MemorySolver):
    """A lens that bends; answers only where the hinted scale is right to 2 %, as a solver does."""

    radial = 0.003
    stars = 60

    async def solve(self, frame, hint):
        told = hint.scale_arcsec_px or 6.4
        reach = max(3.0 * hint.scale_sigma_fraction, 0.02)
        if abs(self.scale_arcsec_px / told - 1.0) > reach:
            self.hints.append(hint)
            raise MeasurementError("no match", remedy="Check the scale.", code="no_solution")
        answer = await super().solve(frame, hint)
        names = ("star_icrs", "star_tangent", "star_sigma_px", "star_px")
        fewer = {name: getattr(answer, name)[: self.stars] for name in names}
        radial = self.radial if self.stars >= 15 else hint.radial
        return replace(answer, radial=radial, **fewer)


class Terrace:
    """One place where mounts and cameras come and go; one journal."""

    def __init__(self, file):
        self.file = file
        self.clock = VirtualClock()
        tilt = rotation_about(np.array([0.6, 0.0, 0.8]), 40.0 * ARCMIN_RAD)
        self.mount = MemoryMount(self.clock, head=tilt)
        self.solver = LensSolver(self.mount, np.random.default_rng(3))
        self.camera = MemoryCamera(self.clock)
        self.publisher = MemoryPublisher()
        self.wishes = EveningWishes(
            wish_arcsec=0.5,
            survey=SurveyWish(frames=5, sweep_deg=60.0, settle_s=0.5),
            optics=HINT,
        )

    @asynccontextmanager
    async def evening(self, *, later_s=0.0):
        self.clock.elapsed_s += later_s
        self.solver.hints.clear()
        self.publisher = MemoryPublisher()
        async with SqliteJournal(self.file, now=self.clock.now) as journal:
            evening = Evening(self.solver, self.clock, self.publisher, self.wishes, journal)
            await evening.restore()
            evening.attach(self.camera, self.mount, TERRACE)
            await evening.handle("confirm_clear", {})
            yield evening

    async def survey(self, *, later_s=0.0):
        async with self.evening(later_s=later_s) as evening:
            await evening.handle("survey", {})
        return evening

    def turn(self, bolt, turns, gain_arcmin):
        """Turn a knob of this gain (arcmin per turn), without slack."""
        axis = {Bolt.AZIMUTH: (0.0, 0.0, -1.0), Bolt.ALTITUDE: (-1.0, 0.0, 0.0)}[bolt]
        by = rotation_about(np.array(axis), turns * gain_arcmin * ARCMIN_RAD)
        self.mount.head = by @ self.mount.head


@pytest.fixture
def terrace(tmp_path):
    return Terrace(tmp_path / "kudu.sqlite")


@asynccontextmanager
async def adjusting(evening):
    """Adjust while the context is open; yields a coroutine that waits for more corrections."""
    told = []
    more = asyncio.Event()

    def progress(message):
        if "correction" in message:
            told.append(message["correction"])
            more.set()

    async def corrections(count):
        for _ in range(count):
            more.clear()
            await asyncio.wait_for(more.wait(), 10.0)
        return told[-1]

    async with asyncio.TaskGroup() as tasks:
        running = tasks.create_task(evening.handle("adjust", {}, progress))
        yield corrections
        await evening.stop()
    assert running.result()["stopped"]


@pytest.fixture(autouse=True)
def yielding_camera(monkeypatch):
    """Frames that take a turn of the event loop, as real ones do."""
    expose = MemoryCamera.expose

    async def slowly(self, exposure_s):
        await asyncio.sleep(0)
        return await expose(self, exposure_s)

    monkeypatch.setattr(MemoryCamera, "expose", slowly)


async def teach(terrace, evening, gains, turns=0.5):
    async with adjusting(evening) as corrections:
        await corrections(3)
        for bolt, gain in gains.items():
            for _ in range(2):
                terrace.turn(bolt, turns, gain)
                await corrections(5)
                await evening.handle("turned", {"bolt": bolt.value, "turns": turns})


GAINS = {Bolt.ALTITUDE: 30.0, Bolt.AZIMUTH: -20.0}


class TestKnobs:
    """Turns that were reported."""

    @pytest.fixture
    async def taught(self, terrace):
        async with terrace.evening() as evening:
            await evening.handle("survey", {})
            await teach(terrace, evening, GAINS)
        return terrace

    async def first_correction(self, terrace, **more):
        async with (
            terrace.evening(**more) as evening,
            adjusting(evening) as corrections,
        ):
            return await corrections(1)

    async def test_the_next_evening_tells_turns_from_its_first_correction(self, taught):
        told = await self.first_correction(taught, later_s=AWAY_S)
        for bolt, gain in GAINS.items():
            left = -told[f"{bolt.value}_error_arcmin"] / gain
            assert told[f"{bolt.value}_turns"] == pytest.approx(left, rel=0.2, abs=0.05)
            assert "clockwise" in told[f"{bolt.value}_words"]

    async def test_a_restart_the_same_evening_knows_them_exactly(self, taught):
        async with taught.evening(later_s=60.0) as evening:
            same = evening._experience.knobs("Kudu")
            with open_reader(taught.file) as reader:
                kept = {record.bolt: record.knob for record in reader.lessons().knobs}
            async with adjusting(evening) as corrections:
                await corrections(1)
                assert same.knobs == kept
                assert all(knob.last_sense == 1.0 for knob in kept.values())

    async def test_a_later_evening_believes_them_less(self, taught):
        with open_reader(taught.file) as reader:
            kept = {record.bolt: record.knob for record in reader.lessons().knobs}
        async with taught.evening(later_s=AWAY_S) as evening:
            async with adjusting(evening) as corrections:
                await corrections(1)
            for bolt, knob in evening._experience.knobs("Kudu").knobs.items():
                assert knob.gain_rad == kept[bolt].gain_rad
                assert knob.gain_sigma_rad > kept[bolt].gain_sigma_rad
                assert knob.last_sense == 0.0

    async def test_another_mount_gets_none_of_them(self, taught):
        async def told_of(mount):
            taught.mount.name = mount
            async with taught.evening() as evening:
                await evening.handle("survey", {})
                async with adjusting(evening) as corrections:
                    return await corrections(1)

        told = await told_of("Eland")
        assert told["altitude_turns"] is None
        assert told["azimuth_turns"] is None
        assert (await told_of("Kudu"))["altitude_turns"] is not None

    async def test_another_head_is_noticed_by_two_reports(self, taught):
        async with (
            taught.evening(later_s=AWAY_S) as evening,
            adjusting(evening) as corrections,
        ):
            await corrections(3)
            taught.turn(Bolt.ALTITUDE, 0.5, -12.0)
            await corrections(5)
            first = await evening.handle("turned", {"bolt": "altitude", "turns": 0.5})
            assert first["doubtful"]
            assert (await corrections(1))["altitude_turns"] is None
            taught.turn(Bolt.ALTITUDE, 0.5, -12.0)
            await corrections(5)
            second = await evening.handle("turned", {"bolt": "altitude", "turns": 0.5})
        assert second["arcmin_per_turn"] == pytest.approx(-12.0, rel=0.15)

    async def test_settings_tell_turns_before_anybody_reported_one(self, terrace):
        terrace.wishes = replace(terrace.wishes, arcmin_per_turn=GAINS)
        await terrace.survey()
        told = await self.first_correction(terrace)
        for bolt, gain in GAINS.items():
            left = -told[f"{bolt.value}_error_arcmin"] / gain
            assert told[f"{bolt.value}_turns"] == pytest.approx(left, rel=0.05)

    async def test_what_was_reported_goes_before_the_settings(self, taught):
        taught.wishes = replace(taught.wishes, arcmin_per_turn={Bolt.ALTITUDE: -90.0})
        told = await self.first_correction(taught, later_s=AWAY_S)
        left = -told["altitude_error_arcmin"] / GAINS[Bolt.ALTITUDE]
        assert told["altitude_turns"] == pytest.approx(left, rel=0.2, abs=0.05)


class TestOptics:
    """Scale, parity and distortion."""

    async def test_the_first_frame_of_the_next_evening_is_fitted_with_the_known_lens(self, terrace):
        await terrace.survey()
        await terrace.survey(later_s=AWAY_S)
        first = terrace.solver.hints[0]
        assert first.radial == 0.003
        assert first.scale_arcsec_px == 6.4
        assert first.scale_sigma_fraction < HINT.scale_sigma_fraction

    async def test_frames_poor_in_stars_are_fitted_with_the_lens_of_other_evenings(self, terrace):
        await terrace.survey()
        terrace.solver.stars = 12
        await terrace.survey(later_s=AWAY_S)
        assert {hint.radial for hint in terrace.solver.hints} == {0.003}
        with open_reader(terrace.file) as reader:
            (kept,) = reader.lessons().trains
        assert kept.train.radial == 0.003

    @pytest.mark.parametrize("scale", [6.5, 6.3])
    async def test_another_lens_that_still_solves_is_noticed_by_its_scale(
        self, terrace, scale, caplog
    ):
        """1.6 % off: the frame is solved again without the old lens's distortion."""
        await terrace.survey()
        terrace.solver.scale_arcsec_px, terrace.solver.radial = scale, -0.001
        with caplog.at_level(logging.WARNING):
            await terrace.survey(later_s=AWAY_S)
        assert "is dropped" in caplog.text
        assert terrace.solver.hints[1].radial == 0.0
        with open_reader(terrace.file) as reader:
            (kept,) = reader.lessons().trains
        assert kept.train.scale_arcsec_px == scale
        assert kept.train.radial == -0.001

    async def test_another_lens_that_does_not_solve_is_solved_as_on_the_first_evening(
        self, terrace, caplog
    ):
        await terrace.survey()
        terrace.solver.scale_arcsec_px = 6.4 * 1.05
        with caplog.at_level(logging.WARNING):
            await terrace.survey(later_s=AWAY_S)
        assert "is dropped" in caplog.text
        assert [hint.scale_arcsec_px for hint in terrace.solver.hints[:2]] == [6.4, 6.45]

    async def test_settings_of_another_lens_go_before_what_is_remembered(self, terrace, caplog):
        await terrace.survey()
        terrace.wishes = replace(terrace.wishes, optics=SolveHint(scale_arcsec_px=3.2))
        terrace.solver.scale_arcsec_px = 3.2
        with caplog.at_level(logging.WARNING):
            await terrace.survey(later_s=AWAY_S)
        assert "settings or devices now say otherwise" in caplog.text
        assert terrace.solver.hints[0].scale_arcsec_px == 3.2

    async def test_a_cloud_drops_nothing(self, terrace, caplog):
        await terrace.survey()
        terrace.solver.clouds = 1
        with caplog.at_level(logging.WARNING):
            await terrace.survey(later_s=AWAY_S)
        assert "is dropped" not in caplog.text
        assert terrace.solver.hints[1].scale_arcsec_px == 6.4

    async def test_another_camera_is_not_told_of_this_one(self, terrace):
        await terrace.survey()
        terrace.camera.name = "Lapwing"
        await terrace.survey(later_s=AWAY_S)
        assert terrace.solver.hints[0].scale_arcsec_px == 6.45
        with open_reader(terrace.file) as reader:
            assert {kept.key.camera for kept in reader.lessons().trains} == {"Hoopoe", "Lapwing"}

    async def test_another_lens_inside_a_survey_is_still_refused(self, terrace, caplog):
        """As ever: nothing is dropped and solved around in the middle of a survey."""
        await terrace.survey()
        original = terrace.mount.slew_to
        terrace.mount.slews.clear()

        async def swapping(right_ascension, declination):
            await original(right_ascension, declination)
            if len(terrace.mount.slews) == 2:
                terrace.solver.scale_arcsec_px = 6.4 * 1.015

        terrace.mount.slew_to = swapping
        with caplog.at_level(logging.WARNING):
            async with terrace.evening(later_s=AWAY_S) as evening:
                with pytest.raises(MeasurementError):
                    await evening.handle("survey", {})
        assert "another camera or telescope" in caplog.text
        assert "is dropped" not in caplog.text


class ShakySolver(LensSolver):
    """A mount that wanders from frame to frame."""

    wander_arcsec = 8.0

    async def solve(self, frame, hint):
        head = self.mount.head
        by = self.rng.normal(size=3) * self.wander_arcsec * ARCSEC_RAD
        # About the camera's own axes: wherever it looks, seen from the ground.
        camera = self.mount.camera_enu()
        self.mount.head = camera @ rotation_from_vector(by) @ camera.T @ head
        try:
            return await super().solve(frame, hint)
        finally:
            self.mount.head = head


@pytest.fixture(scope="module")
def surveyed():
    """What the first test of the floor surveyed: the same for each of them."""
    return {}


class TestMechanicalFloor:
    """How far the mount wanders."""

    @pytest.fixture
    async def shaky(self, terrace, surveyed):
        if surveyed:
            terrace.file.write_bytes(surveyed["journal"])
            again = copy.deepcopy(surveyed["terrace"])
            again.file = terrace.file
            return again
        terrace.solver = ShakySolver(terrace.mount, np.random.default_rng(5))
        kept = 0
        async with terrace.evening() as evening:
            for _ in range(60):
                with contextlib.suppress(MeasurementError):  # frames that disagree
                    await evening.handle("survey", {})
                    kept += 1
                if kept == 15:
                    break
        assert kept == 15
        surveyed["journal"] = terrace.file.read_bytes()
        surveyed["terrace"] = copy.deepcopy(terrace)
        return terrace

    async def test_the_next_evening_weighs_with_the_floor_that_its_surveys_show(self, shaky):
        evening = await shaky.survey(later_s=AWAY_S)
        floor: FloorEstimate = evening._experience.floor("Kudu")
        assert abs(floor.floor_arcsec - 8.0) < 3.0 * floor.sigma_arcsec
        assert floor.floor_arcsec > 5.0
        with open_reader(shaky.file) as reader:
            newest = list(reader.surveys())[-1].record
        assert newest.mechanical_floor_arcsec == floor.floor_arcsec
        assert newest.mount == "Kudu"

    async def test_replay_gives_the_same_digits_under_an_estimated_floor(self, shaky, capsys):
        async with shaky.evening(later_s=AWAY_S) as evening:
            await evening.handle("survey", {})
            async with adjusting(evening) as corrections:
                await corrections(4)
        with open_reader(shaky.file) as reader:
            newest = list(reader.surveys())[-1]
            frames = reader.frames_of(newest.number)
            assert newest.record.mechanical_floor_arcsec > 5.0
            assert differing_survey(newest.record, frames) == []
            told = list(reader.live_of(newest.number))
            assert differing_corrections(newest.record, told) == ([], len(told))
            other = replace(newest.record, mechanical_floor_arcsec=3.0)
            assert differing_survey(other, frames), "the digits do depend on the floor"
        code = await asyncio.to_thread(main, ["history", "replay", "--file", str(shaky.file)])
        assert code == 0, capsys.readouterr().out

    async def test_another_mount_keeps_the_default(self, shaky):
        shaky.mount.name = "Eland"
        shaky.solver.wander_arcsec = 0.0
        await shaky.survey(later_s=AWAY_S)
        with open_reader(shaky.file) as reader:
            assert list(reader.surveys())[-1].record.mechanical_floor_arcsec == 3.0

    async def test_a_floor_that_is_set_holds(self, shaky):
        survey = replace(shaky.wishes.survey, mechanical_floor_arcsec=12.0)
        shaky.wishes = replace(shaky.wishes, survey=survey, floor_is_learned=False)
        await shaky.survey(later_s=AWAY_S)
        with open_reader(shaky.file) as reader:
            assert list(reader.surveys())[-1].record.mechanical_floor_arcsec == 12.0


class TestCommandLine:
    """``polewright history learned``."""

    async def test_it_tells_knobs_optics_and_floor(self, terrace, capsys):
        async with terrace.evening() as evening:
            await evening.handle("survey", {})
            await teach(terrace, evening, GAINS)
        asked = ["history", "learned", "--file", str(terrace.file)]
        assert await asyncio.to_thread(main, [*asked, "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
        gains = {knob["bolt"]: knob["arcmin_per_turn"] for knob in told["knobs"]}
        assert gains["altitude"] == pytest.approx(30.0, rel=0.1)
        assert gains["azimuth"] == pytest.approx(-20.0, rel=0.1)
        (train,) = told["trains"]
        assert (train["camera"], train["scale_arcsec_px"]) == ("Hoopoe", 6.4)
        assert train["radial"] == 0.003
        assert 0.0 <= train["position_angle_deg"] < 360.0
        (floor,) = told["mechanical_floors"]
        assert floor["mount"] == "Kudu"
        assert floor["surveys"] == 1
        assert await asyncio.to_thread(main, asked) == 0
        lines = capsys.readouterr().out.splitlines()
        assert len(lines) == 4
        assert lines[0].startswith("Kudu, altitude knob: +")

    async def test_an_empty_journal_says_what_to_do(self, terrace, capsys):
        async with terrace.evening() as evening:
            await evening.stop()
            terrace.solver.clouds = 100
            with pytest.raises(MeasurementError):
                await evening.handle("survey", {})
        code = await asyncio.to_thread(main, ["history", "learned", "--file", str(terrace.file)])
        assert code == 0
        assert "nothing is learned yet" in capsys.readouterr().out


def test_a_service_that_runs_for_years_remembers_the_newest_brackets_and_terms():
    experience = Experience(NoJournal(), VirtualClock())
    records = [SimpleNamespace(bracket="plate", number=n) for n in range(MOST_REMEMBERED + 30)]
    for record in records:
        experience.learn_bracket(record)
        experience.learn_pointing(record)
    for kept in (experience._brackets, experience._pointings):
        assert kept == records[-MOST_REMEMBERED:]
