"""Feet back on their marks: what the next evening is told, and what it is not."""

import json
from contextlib import asynccontextmanager
from dataclasses import replace

import numpy as np
import pytest

from polewright.adapters.journal.writing import SqliteJournal
from polewright.adapters.mqtt.payloads import check_payload
from polewright.core.axis.knobs import Bolt
from polewright.core.errors import LinkError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.geometry.rotations import rotation_about
from polewright.session.evening import Evening
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

DAY_S = 86400.0


class Marks:
    """A mount that is carried away every night and put back with the head a little elsewhere."""

    def __init__(self, file):
        self.file = file
        self.clock = VirtualClock()
        self.mount = MemoryMount(self.clock, head=np.eye(3))
        self.solver = MemorySolver(self.mount, np.random.default_rng(3))
        self.camera = MemoryCamera(self.clock)
        self.publisher = MemoryPublisher()
        self.wishes = EveningWishes(
            wish_arcsec=0.5, survey=SurveyWish(frames=5, sweep_deg=60.0, settle_s=0.5)
        )

    def lies(self, raised_arcmin, toward_west_arcmin=0.0):
        """Lay the head; in the south, raising is a turn about the west-east axis."""
        up = rotation_about(np.array([1.0, 0.0, 0.0]), -raised_arcmin * ARCMIN_RAD)
        west = rotation_about(np.array([0.0, 0.0, 1.0]), -toward_west_arcmin * ARCMIN_RAD)
        self.mount.head = west @ up

    @asynccontextmanager
    async def evening(self):
        self.publisher = MemoryPublisher()
        async with SqliteJournal(self.file, now=self.clock.now) as journal:
            evening = Evening(self.solver, self.clock, self.publisher, self.wishes, journal)
            await evening.restore()
            evening.attach(self.camera, self.mount, TERRACE)
            await evening.handle("confirm_clear", {})
            yield evening
        self.clock.elapsed_s += DAY_S

    async def place_and_survey(self, raised, west, **said):
        self.lies(raised, west)
        async with self.evening() as evening:
            answer = await evening.handle("note_placement", {"name": "terrace"} | said)
            survey = await evening.handle("survey", {})
        return answer, survey


@pytest.fixture
def marks(tmp_path):
    return Marks(tmp_path / "kudu.sqlite")


async def returns(marks, changes):
    """Nobody turns a bolt: each evening begins where the last one ended, but for the feet."""
    raised, west = 0.0, 0.0
    answer, survey = await marks.place_and_survey(raised, west, marked=True)
    for by_raised, by_west in changes:
        raised, west = raised + by_raised, west + by_west
        answer, survey = await marks.place_and_survey(raised, west)
    return answer, survey


async def test_the_first_time_teaches_nothing_and_says_so(marks):
    answer, _ = await marks.place_and_survey(5.0, 5.0)
    assert answer["marked"]
    assert answer["returns"] == 0
    assert "altitude_error_arcmin" not in answer
    assert "new marks" in answer["text"]
    answer, _ = await marks.place_and_survey(5.0, 5.0)
    assert "no return to these marks is measured yet" in answer["text"]


async def test_returns_that_always_lower_the_axis_are_told_beforehand(marks):
    """Lowered by about 40 and turned by nothing, each time: raise it before the survey."""
    answer, survey = await returns(
        marks, [(-40.0, 1.0), (-41.0, -1.0), (-39.0, 0.5), (-40.0, -0.5), (-40.0, 0.0)]
    )
    assert answer["returns"] == 4
    assert answer["altitude_words"].startswith("raise the axis ")
    assert answer["azimuth_words"] == "leave the azimuth"
    told = answer["altitude_error_arcmin"]
    assert abs(told - survey["altitude_error_arcmin"]) < answer["altitude_wide_arcmin"]
    assert answer["altitude_spread_arcmin"] < 10.0
    assert answer["text"].startswith('"terrace": after 4 returns, before you begin: raise the axis')
    assert "two times in three it then starts within" in answer["text"]
    assert "polewright placement terrace --bolts-turned" in answer["text"]


async def test_a_knob_that_is_known_is_told_in_turns(marks):
    marks.wishes = replace(marks.wishes, arcmin_per_turn={Bolt.ALTITUDE: 40.0})
    answer, _ = await returns(marks, [(-40.0, 0.0)] * 4)
    wanted = -answer["altitude_error_arcmin"] / 40.0
    assert answer["altitude_turns"] == pytest.approx(wanted, abs=0.01)
    assert "clockwise as you face it" in answer["altitude_words"]
    assert answer["azimuth_turns"] is None


async def test_small_changes_tell_to_leave_both_bolts(marks):
    answer, _ = await returns(marks, [(2.0, 3.0), (-3.0, -2.0), (1.0, -1.0)])
    assert "leave both bolts" in answer["text"]
    assert "--bolts-turned" not in answer["text"]


async def test_bolts_turned_with_nobody_watching_are_no_return(marks):
    await returns(marks, [(-40.0, 0.0)] * 2)
    marks.lies(-80.0)
    async with marks.evening() as evening:
        first = await evening.handle("note_placement", {"name": "terrace"})
        assert first["returns"] == 2
        marks.lies(0.0)
        word = {"name": "Terrace", "bolts_turned": True}
        answer = await evening.handle("note_placement", word)
        assert answer["noted"]
        assert "does not count" in answer["text"]
        await evening.handle("survey", {})
    marks.lies(-30.0)
    async with marks.evening() as evening:
        answer = await evening.handle("note_placement", {"name": "terrace"})
    assert answer["returns"] == 2, "it still knows the two before"


async def test_said_twice_in_an_evening_it_is_one_return(marks):
    await returns(marks, [(-40.0, 0.0)])
    marks.lies(-80.0)
    async with marks.evening() as evening:
        first = await evening.handle("note_placement", {"name": "terrace"})
        again = await evening.handle("note_placement", {"name": " TERRACE"})
        assert not again["noted"]
        assert again["altitude_error_arcmin"] == first["altitude_error_arcmin"]
        await evening.handle("survey", {})
        third = await evening.handle("note_placement", {"name": "terrace"})
        assert "stands there already" in third["text"]
    async with marks.evening() as evening:
        answer = await evening.handle("note_placement", {"name": "terrace"})
    assert answer["returns"] == 2


async def test_displays_are_told_and_the_answer_is_json(marks):
    answer, _ = await returns(marks, [(-40.0, 0.0)] * 2)
    event = next(
        payload
        for topic, payload, _ in marks.publisher.messages
        if topic == "event" and payload["code"] == "placement"
    )
    assert event["level"] == "info"
    assert event["text"] == answer["text"]
    check_payload("event", json.dumps(event | {"v": 1, "at": "2026-11-25T20:00:00Z"}))
    json.dumps(answer, allow_nan=False)


async def test_another_mount_knows_nothing_of_it(marks):
    await returns(marks, [(-40.0, 0.0)] * 2)
    marks.mount.name = "Eland"
    answer, _ = await marks.place_and_survey(0.0, 0.0)
    assert answer["returns"] == 0


async def test_without_a_journal_or_devices_it_is_refused(marks):
    evening = Evening(marks.solver, marks.clock, marks.publisher, marks.wishes)
    with pytest.raises(LinkError):
        await evening.handle("note_placement", {"name": "terrace"})
    evening.attach(marks.camera, marks.mount, TERRACE)
    with pytest.raises(UsageError) as caught:
        await evening.handle("note_placement", {"name": "terrace"})
    assert caught.value.code == "no_journal"


async def test_a_journal_that_cannot_be_read_is_told(marks, tmp_path):
    (tmp_path / "file").write_text("no folder")
    marks.file = tmp_path / "file" / "kudu.sqlite"
    async with marks.evening() as evening:
        with pytest.raises(LinkError) as caught:
            await evening.handle("note_placement", {"name": "terrace"})
    assert caught.value.code == "journal_unreadable"


async def test_while_a_survey_runs_the_feet_are_left_where_they_are(marks):
    refused = []
    expose = marks.camera.expose

    async with marks.evening() as evening:

        async def asked_meanwhile(exposure_s):
            with pytest.raises(UsageError) as caught:
                await evening.handle("note_placement", {"name": "terrace"})
            refused.append(caught.value.code)
            return await expose(exposure_s)

        marks.camera.expose = asked_meanwhile
        await evening.handle("survey", {})
    assert set(refused) == {"busy"}
