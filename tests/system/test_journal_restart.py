"""A service that is killed -9 while the bolts are turned: what the next one knows."""

import asyncio

import pytest

from polewright.app.rehearsal import connect_bolts
from tests.system.evening_processes import evening_processes
from tests.system.indi_servers import needs_indiserver

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]


@pytest.mark.timeout(180)
async def test_a_killed_service_is_followed_by_one_that_knows_the_survey(tmp_path, monkeypatch):
    sky = 'seed = 23\nsite_name = "south"\n'
    async with evening_processes(tmp_path, monkeypatch, sky=sky) as evening:
        async with evening.killed_service():
            await connect_bolts(evening.bench)
            await evening.until_ready()
            surveyed = await evening.says("survey", "--clear")
            assert surveyed.code == 1, surveyed.err
            adjusting = asyncio.create_task(evening.says("adjust"))
            await evening.until_corrected()
        assert (await adjusting).code == 3, "its service is gone"

        listed = await evening.says("history")
        (kept,) = listed.json["surveys"]
        told = surveyed.json
        assert kept["total_error_arcmin"] == pytest.approx(told["total_error_arcmin"], abs=1e-4)
        replayed = await evening.says("history", "replay")
        assert replayed.code == 0, replayed.out
        (survey,) = replayed.json["surveys"]
        assert survey["identical"]
        assert survey["corrections"] >= 3

        async with evening.service() as log:
            await evening.until_ready()
            status = await evening.says("status")
            survey = status.json["survey"]
            assert survey["axis_azimuth_deg"] == told["axis_azimuth_deg"]
            assert survey["age_s"] > 0
            again = asyncio.create_task(evening.says("adjust"))
            await evening.until_corrected()
            await evening.says("stop")
            assert (await again).json["stopped"] is True
            assert "the last survey, of" in log.read_text()


@pytest.mark.timeout(180)
async def test_a_backup_is_taken_beside_the_service_and_put_back_only_without_it(
    tmp_path, monkeypatch
):
    sky = 'seed = 23\nsite_name = "south"\n'
    copy = str(tmp_path / "copy.sqlite")
    async with evening_processes(tmp_path, monkeypatch, sky=sky) as evening:
        async with evening.service():
            await evening.until_ready()
            noted = await evening.says("placement", "terrace", "--marked")
            assert noted.code == 0, noted.err
            assert noted.json["marked"]
            surveyed = await evening.says("survey", "--clear")
            assert surveyed.code == 1, surveyed.err
            again = await evening.says("placement", "Terrace")
            assert "stands there already" in again.json["text"]
            taken = await evening.says("history", "--backup", copy)
            assert (taken.json["surveys"], taken.code) == (1, 0)
            refused = await evening.says("history", "--restore", copy)
            assert refused.code == 3
            assert refused.json["error"]["code"] == "journal_held"
            assert (await evening.says("status")).code == 1, "the service goes on"
        listed = await evening.says("history", "placements")
        assert [one["marks"] for one in listed.json["placements"]] == ["terrace"]
        restored = await evening.says("history", "--restore", copy)
        assert restored.code == 0, restored.err
        assert (tmp_path / restored.json["set_aside"]).exists()
        (kept,) = (await evening.says("history")).json["surveys"]
        assert kept["axis_azimuth_deg"] == pytest.approx(surveyed.json["axis_azimuth_deg"])
