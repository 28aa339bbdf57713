"""Verification end to end: look, bump of the bolts, survey, restart; the gate opens once."""

import json

import pytest

from polewright.app.rehearsal import connect_bolts, read_truth, turn_knobs
from tests.system.evening_processes import NO_PAGE, SHORT_SURVEY, evening_processes
from tests.system.indi_servers import needs_indiserver
from tests.system.mqtt_brokers import listening

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]

_SKY = """
seed = 31
[mount]
axis_altitude_error_deg = 0.05
axis_azimuth_error_deg = -0.04
"""
# What is allowed is wide: nobody aligns here.
_WISHES = """
[tolerance]
arcsec = 1200.0
[schedule]
gate_command = ["{gate}", "kudu"]
"""


@pytest.mark.timeout(300)
async def test_a_look_sees_a_bump_and_a_survey_measures_it(tmp_path, monkeypatch):
    gate, opened = tmp_path / "gate", tmp_path / "opened"
    gate.write_text(f'#!/bin/sh\necho "$1 $POLEWRIGHT_DEPTH" >>"{opened}"\n')
    gate.chmod(0o755)
    more = SHORT_SURVEY + NO_PAGE + _WISHES.format(gate=gate)
    async with evening_processes(tmp_path, monkeypatch, sky=_SKY, more=more) as evening:
        async with evening.service(), listening(evening.broker.port) as listener:
            await connect_bolts(evening.bench)
            await evening.until_ready()
            surveyed = await evening.says("survey", "--clear")
            assert surveyed.code == 0, surveyed.out
            good = await evening.says("verify", "--quick")
            assert (good.code, good.json["moved"]) == (0, False), good.out
            assert good.json["frames"] <= 3
            before = await read_truth(evening.bench)
            await turn_knobs(evening.bench, altitude_turns=0.1, azimuth_turns=0.0)
            after = await read_truth(evening.bench)
            bumped = await evening.says("verify", "--quick")
            assert (bumped.code, bumped.json["moved"]) == (1, True), bumped.out
            up = 60.0 * (after["TRUE_AXIS_ALT_DEG"] - before["TRUE_AXIS_ALT_DEG"])
            assert abs(up) > 2.0
            assert bumped.json["altitude_move_arcmin"] == pytest.approx(
                up, abs=4.0 * bumped.json["altitude_move_sigma_arcmin"]
            )
            full = await evening.says("verify", "--clear")
            assert (full.code, full.json["depth"]) == (0, "full"), full.out
            assert full.json["moved"] is True
            assert full.json["total_error_arcmin"] == pytest.approx(
                await evening.true_arcsec() / 60.0, abs=0.6
            )
            last = json.loads(listener.texts("schedule")[-1])["last"]
            assert last["words"] == full.json["words"]
            codes = [json.loads(text)["code"] for text in listener.texts("event")]
            assert codes.count("gate_opened") == 2
            assert "moved" in codes
        assert opened.read_text() == "kudu quick\nkudu full\n"
        # Started anew, nobody knows what happened meanwhile.
        async with evening.service():
            await evening.until_ready()
            again = await evening.says("verify", "--quick")
            assert (again.code, again.json["code"]) == (3, "not_watched_since")
