"""A survey with the cap on: a clear end, soon, with all settings left as they are."""

import asyncio
import time
from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.service import running_service
from polewright.core.errors import MeasurementError
from polewright.settings.model import Settings
from tests.device_matrix import Case, Kind
from tests.system.test_device_matrix import READY_S, simulator, start_off

pytestmark = [pytest.mark.indi, pytest.mark.slow]

# Nobody waits at the mount for longer without a word (s).
LONGEST_S = 60.0
# No star and no sky comes through; the chip's own noise and hot pixels stay.
CAPPED = {"aperture_mm": 1.0, "efficiency": 0.001}


async def test_a_covered_lens_ends_the_survey_within_a_minute_and_says_what_to_look_at(
    tmp_path: Path,
) -> None:
    case = Case(
        mount=Kind(name="plain", words=""),
        camera=Kind(name="capped", words="", sky=CAPPED),
        site="south",
    )
    async with (
        simulator(case, tmp_path) as port,
        IndiConnection.open("127.0.0.1", port) as bench,
    ):
        await start_off(case, bench)
        settings = Settings.model_validate(
            {
                "site": {"clock": "gps"},
                "indi": {"port": port},
                "mqtt": {"mode": "off"},
                "journal": {"mode": "off"},
                "page": {"mode": "off"},
            }
        )
        async with running_service(settings) as service:
            evening = service.evening
            await asyncio.wait_for(evening.ready.wait(), READY_S)
            await evening.handle("confirm_clear", {})
            begun_s = time.monotonic()
            with pytest.raises(MeasurementError) as caught:
                await evening.handle("survey", {})
            took_s = time.monotonic() - begun_s
    assert took_s < LONGEST_S
    assert caught.value.code in {"too_few_stars", "no_solution"}
    assert "cap" in caught.value.remedy
