"""Kinds of mounts with kinds of cameras: from discovery to a measured axis, against the truth.

``POLEWRIGHT_MATRIX=record`` keeps the results, from which the table of docs/devices.md is made.
``POLEWRIGHT_MATRIX=all`` runs every pair, which takes 20 minutes and more, and keeps each result
as it comes.
"""

import asyncio
import json
import math
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.mount import IndiMount
from polewright.app.rehearsal import connect_bolts, read_truth
from polewright.app.service import running_service
from polewright.core.errors import PolewrightError
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.session.evening import Evening
from polewright.settings.model import Settings
from tests.device_matrix import Case, Result, cases, record
from tests.session.ports_in_memory import TERRACE, YARD
from tests.system.warm_processes import warm_sky

pytestmark = [pytest.mark.indi, pytest.mark.slow]

ASKED = os.environ.get("POLEWRIGHT_MATRIX", "")
# Chance lets a two-dimensional error exceed this once in 10,000 honest surveys.
CHI2_LIMIT = 18.4
# The tracker's hand turns so far between rests (deg).
HAND_TURN_DEG = 22.0
READY_S = 60.0
CASE_S = 150.0
AT_A_TIME = 4
# With four frames over 50 deg none of these rigs is worse (arcsec).
LARGEST_ERROR_ARCSEC = 90.0


@asynccontextmanager
async def simulator(case: Case, folder: Path) -> AsyncIterator[int]:
    """Run the simulator of a case; yields its port."""
    camera = dict(case.camera.sky)
    blur = {"optics_fwhm_um": camera.pop("optics_fwhm_um", 9.0)}
    tables = {
        "mount": {"slew_rate_deg_s": 60.0, **case.mount.sky},
        "camera": camera,
        "sky": blur,
    }
    text = f'seed = {sum(case.name.encode()) % 1000}\nsite_name = "{case.site}"\n'
    for name, table in tables.items():
        text += f"[{name}]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in table.items())
    sky = folder / "sky.toml"
    sky.write_text(text)
    async with warm_sky(sky, READY_S) as port:
        yield port


def settings_of(case: Case, port: int) -> Settings:
    return Settings.model_validate(
        {
            "site": {"clock": "gps"},
            "camera": case.camera.settings,
            "indi": {"port": port},
            "mqtt": {"mode": "off"},
            "journal": {"mode": "off"},
            "page": {"mode": "off"},
            "survey": {"frames": 4, "sweep_deg": 50.0, "settle_s": 0.1, "wish_arcsec": 20.0},
        }
    )


async def start_off(case: Case, bench: IndiConnection) -> None:
    """Point a mount that can at a usual place, tracking, as a person's evening begins."""
    mount = IndiMount(bench, "Kudu")
    await mount.ensure_ready()
    if (await mount.status()).parked:
        return
    told = bench.read("Kudu", "TIME_UTC")
    assert told is not None
    # At home the tube looks along the polar axis, where a right ascension says nothing.
    place = {"south": TERRACE, "north": YARD}[case.site]
    now = datetime.fromisoformat(told.texts["UTC"]).replace(tzinfo=UTC)
    right_ascension = right_ascension_deg(-35.0, now, place)
    await mount.slew_to(right_ascension, -25.0 if place.south else 25.0)


async def turn_by_hand(bench: IndiConnection, progress: "asyncio.Queue[str]") -> None:
    """Turn the axis each time that a place was taken, as the display asks."""
    await bench.wait_for("Hand", "CONNECTION", lambda _: True, 10.0)
    bench.send_switch("Hand", "CONNECTION", {"CONNECT": True})
    await bench.wait_for("Hand", "TURN_AXIS", lambda _: True, 10.0)
    while True:
        step = await progress.get()
        if "taken" in step:
            bench.send_numbers("Hand", "TURN_AXIS", {"WEST_DEG": HAND_TURN_DEG})


async def survey(case: Case, evening: Evening, bench: IndiConnection) -> dict:
    await evening.handle("confirm_clear", {})
    steps: asyncio.Queue[str] = asyncio.Queue()
    hand = None
    if case.mount.by_hand:
        hand = asyncio.create_task(turn_by_hand(bench, steps))
    try:
        return await evening.handle(
            "survey",
            {"by_hand": case.mount.by_hand},
            lambda message: steps.put_nowait(message.get("step", "")),
        )
    finally:
        if hand is not None:
            hand.cancel()
            await asyncio.gather(hand, return_exceptions=True)


def misfit(survey: dict, truth: dict[str, float]) -> tuple[float, float]:
    """Return how far the claimed axis is from the true one (arcsec), and its chi-square."""
    altitude = math.radians(truth["TRUE_AXIS_ALT_DEG"])
    off = np.array(
        [
            survey["axis_altitude_deg"] - truth["TRUE_AXIS_ALT_DEG"],
            (survey["axis_azimuth_deg"] - truth["TRUE_AXIS_AZ_DEG"] + 180.0) % 360.0 - 180.0,
        ]
    )
    sigma_arcmin = np.array(
        [survey["altitude_error_sigma_arcmin"], survey["azimuth_error_sigma_arcmin"]]
    )
    chi2 = float(np.square(off * 60.0 / sigma_arcmin).sum())
    off[1] *= math.cos(altitude)
    return float(np.hypot(*off)) * 3600.0, chi2


async def run_case(case: Case, folder: Path) -> Result:
    """Run one case from an empty server to a measured axis, or to the refusal that it must meet."""
    async with (
        simulator(case, folder) as port,
        IndiConnection.open("127.0.0.1", port) as bench,
    ):
        await connect_bolts(bench)
        if not case.mount.by_hand:
            await start_off(case, bench)
        async with running_service(settings_of(case, port)) as service:
            await asyncio.wait_for(service.evening.ready.wait(), READY_S)
            try:
                told = await survey(case, service.evening, bench)
            except PolewrightError as refusal:
                return Result(
                    case=case.name, outcome=refusal.code, says=f"{refusal.text} | {refusal.remedy}"
                )
            off_arcsec, chi2 = misfit(told, await read_truth(bench))
            return Result(
                case=case.name,
                outcome="measured",
                off_arcsec=round(off_arcsec, 1),
                sigma_arcsec=round(told["total_error_sigma_arcmin"] * 60.0, 1),
                chi2=round(chi2, 1),
                frames=told["frames"],
            )


@pytest.fixture(scope="module")
def outcomes(request, tmp_path_factory) -> dict[str, Result | BaseException]:
    """Run the cases that were asked for, some at a time: they mostly wait."""
    asked = {
        item.callspec.params["case"].name: item.callspec.params["case"]
        for item in request.session.items
        if "outcomes" in getattr(item, "fixturenames", ()) and hasattr(item, "callspec")
    }

    async def run_all() -> dict[str, Result | BaseException]:
        places = asyncio.Semaphore(AT_A_TIME)

        async def run(case: Case) -> Result:
            async with places:
                folder = tmp_path_factory.mktemp("case")
                result = await asyncio.wait_for(run_case(case, folder), CASE_S)
            if ASKED in {"all", "record"}:
                record(result, all_pairs=ASKED == "all")
            return result

        ended = await asyncio.gather(*map(run, asked.values()), return_exceptions=True)
        return dict(zip(asked, ended, strict=True))

    return asyncio.run(run_all())


# The first test waits for all of them.
@pytest.mark.timeout(3600 if ASKED == "all" else 600)
@pytest.mark.parametrize("case", cases(all_pairs=ASKED == "all"), ids=lambda case: case.name)
def test_every_kind_of_mount_and_camera_measures_the_axis_or_says_why_not(case, outcomes):
    """The claimed axis lies within its own sigmas of the simulator's; refusals have their code."""
    result = outcomes[case.name]
    if isinstance(result, BaseException):
        raise result
    assert result.outcome == (case.mount.expected or "measured"), result.says
    if case.mount.expected:
        return
    assert result.chi2 is not None
    assert result.off_arcsec is not None
    assert result.chi2 < CHI2_LIMIT, result
    assert result.off_arcsec < LARGEST_ERROR_ARCSEC, result
