"""The rehearsal: a whole alignment against a simulated sky, with simulated hands at the bolts.

Everything is real but the sky: the simulator is a separate process behind the INDI protocol, the
hands see only what the broker delivers to any display, and the simulator's own truth is read at
the start and at the end only, to hold it against what the service claimed.
"""

import asyncio
import contextlib
import os
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.mqtt.client import send_command
from polewright.app.hands import KnobSense
from polewright.app.rehearsed_eyes import StillHands, live_looks
from polewright.app.service import running_service
from polewright.core.errors import DeviceError, LinkError, MeasurementError, PolewrightError
from polewright.session.adjustment import STEADY_FRAMES
from polewright.settings.model import Settings

SIMULATOR_MODULE = "polewright_drivers.sky_simulator.driver"
MOUNT_DEVICE = "Kudu"
BOLTS_DEVICE = "Kudu Bolts"

# The simulator reads its catalogue and astropy's tables when it starts (s).
_START_TIMEOUT_S = 30.0
READY_TIMEOUT_S = 60.0
_END_TIMEOUT_S = 5.0
_PROPERTY_TIMEOUT_S = 10.0
# The longest turn of the hands takes this long at most (s).
_HANDS_TIMEOUT_S = 30.0
# The first frame after the hands came to rest shows where the bolts are; the second that it holds.
_FRAMES_TO_SEE = 2
_MOST_MOVES = 14
# The hands rest when both bolts are this near (arcmin); good hands on fine threads do this.
_CLOSE_ARCMIN = 0.12
# Then they look on until the service itself is steady, and for so many corrections at most.
_MOST_LOOKS = 8

Tell = Callable[[str, float | None], None]
"""Called with what goes on in words and, where known, the fraction done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalReport:
    """What came out, the simulator's truth beside the service's claim."""

    site: str
    seed: int
    target_pole: str
    initial_true_arcsec: float
    final_true_arcsec: float
    final_claimed_arcsec: float
    final_sigma_arcsec: float
    claimed_minus_true_sigmas: float
    frames: int
    hand_moves: int
    corrections_published: int
    survey_arcmin: float
    wall_s: float

    def as_dict(self) -> dict[str, Any]:
        """Return the figures by name."""
        return asdict(self)


def rehearsal_settings(indi_port: int) -> Settings:
    """Return the settings of the rehearsal: everything on this machine, on free ports."""
    return Settings.model_validate(
        {
            "site": {"clock": "gps"},
            "mount": {"slug": "kudu", "device": "Kudu"},
            "camera": {"device": "Hoopoe", "exposure_s": 0.5},
            "indi": {"port": indi_port},
            "mqtt": {"mode": "embedded", "port": 0},
            "page": {"port": 0},
            "survey": {"frames": 3, "sweep_deg": 45.0, "settle_s": 0.2},
            "tolerance": {"arcsec": 60.0},
            "journal": {"mode": "off"},
        }
    )


async def rehearse(
    seed: int,
    site: str,
    tell: Tell,
    *,
    on_page: Callable[[str], None] = lambda _address: None,
    linger: Callable[[RehearsalReport], Awaitable[None]] | None = None,
) -> RehearsalReport:
    """Run one rehearsal.

    Parameters
    ----------
    seed : int
        Which made-up evening.
    site : str
        ``south`` or ``north``.
    tell : callable
        Told what goes on.
    on_page : callable, optional
        Told where the page is.
    linger : callable, optional
        Awaited with the outcome while everything still runs.

    Raises
    ------
    PolewrightError
        What went wrong; everything that was started has been ended.
    """
    started_s = time.monotonic()
    tell("starting the simulated sky, mount and camera", 0.0)
    async with simulator(seed, site) as port, IndiConnection.open("127.0.0.1", port) as bench:
        await connect_bolts(bench)
        initial = await read_truth(bench)
        settings = rehearsal_settings(port)
        tell("starting the service", 0.05)
        async with running_service(
            settings,
            on_catalogue=lambda part: (
                tell("preparing the star patterns of this camera, once", part)
                if part < 1.0
                else None
            ),
        ) as service:
            broker = service.broker_port
            if service.page is not None:
                on_page(service.page.address)
            async with asyncio.timeout(READY_TIMEOUT_S):
                await service.evening.ready.wait()
            await send_command(settings, "confirm_clear", port=broker)
            survey = await send_command(
                settings,
                "survey",
                on_progress=lambda step: tell(
                    f"survey: {step.get('step')}", 0.1 + 0.4 * (step.get("percent") or 0) / 100
                ),
                port=broker,
            )
            tell(
                f"survey: off by {survey['total_error_arcmin']:.1f} arcmin "
                f"+- {survey['total_error_sigma_arcmin']:.2f} from the pole", 0.5,
            )  # fmt: skip
            outcome = await adjust(settings, broker, bench, tell)
            final = await read_truth(bench)
            report = _report(site, seed, survey, outcome, initial, final, started_s)
            if linger is not None:
                await linger(report)
    return report


def _report(
    site: str,
    seed: int,
    survey: Mapping[str, Any],
    outcome: "HandsOutcome",
    initial: Mapping[str, float],
    final: Mapping[str, float],
    started_s: float,
) -> RehearsalReport:
    total, sigma = outcome.total_arcmin * 60.0, outcome.sigma_arcmin * 60.0
    true_arcsec = final["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]
    return RehearsalReport(
        site=site,
        seed=seed,
        target_pole=str(survey["target_pole"]),
        initial_true_arcsec=initial["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"],
        final_true_arcsec=true_arcsec,
        final_claimed_arcsec=total,
        final_sigma_arcsec=sigma,
        claimed_minus_true_sigmas=(total - true_arcsec) / sigma,
        frames=int(survey["frames"]) + outcome.published,
        hand_moves=outcome.moves,
        corrections_published=outcome.published,
        survey_arcmin=float(survey["total_error_arcmin"]),
        wall_s=time.monotonic() - started_s,
    )


@dataclass(frozen=True, slots=True)
class HandsOutcome:
    """Where the hands came to rest, by what the display said."""

    total_arcmin: float
    sigma_arcmin: float
    published: int
    moves: int


async def adjust(
    settings: Settings, broker: int | None, bench: IndiConnection, tell: Tell
) -> HandsOutcome:
    """Let the service adjust and the hands turn by its display."""
    outcome: HandsOutcome | None = None

    async def hands() -> None:
        nonlocal outcome
        outcome = await turn_by_display(settings, broker, bench, tell)

    await while_adjusting(settings, broker, hands)
    if outcome is None:
        raise AssertionError("the hands ended without an outcome")
    return outcome


async def while_adjusting(
    settings: Settings,
    broker: int | None,
    hands: Callable[[], Awaitable[None]],
    **arguments: object,
) -> None:
    """Let the service adjust until the hands rest; whichever fails ends both."""
    rest = False

    async def turning() -> None:
        nonlocal rest
        try:
            await hands()
            rest = True
        finally:
            await send_command(settings, "stop", port=broker, timeout_s=_END_TIMEOUT_S)

    async def adjusting() -> None:
        try:
            await send_command(settings, "adjust", arguments, port=broker)
        except PolewrightError as ended:
            if ended.code != "stopped" or not rest:
                raise

    try:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(adjusting())
            tasks.create_task(turning())
    except* PolewrightError as failures:
        raise failures.exceptions[0] from None


async def turn_by_display(
    settings: Settings, broker: int | None, bench: IndiConnection, tell: Tell
) -> HandsOutcome:
    """Turn the knobs by what the display says, until both are close and that has held."""
    altitude, azimuth = KnobSense(), KnobSense()
    moves, published = 0, 0
    looks, steady = 0, 0
    still = StillHands(_FRAMES_TO_SEE)
    async with live_looks(settings, broker) as corrections:
        async for look in corrections:
            message = look.message
            published += 1
            steady = steady + 1 if message["verdict"] == "good_enough" else 0
            tell(f"{message['altitude_words']}; {message['azimuth_words']}", None)
            if looks:
                looks += 1
                if steady >= STEADY_FRAMES or looks > _MOST_LOOKS:
                    return _at_rest(message, published, moves)
                continue
            if not still.seen_by(look):
                continue
            errors = (message["altitude_error_arcmin"], message["azimuth_error_arcmin"])
            sigma = float(message["total_error_sigma_arcmin"])
            close = message["total_error_arcmin"] < max(_CLOSE_ARCMIN, 0.5 * sigma)
            turns = (altitude.next_turn(errors[0], sigma), azimuth.next_turn(errors[1], sigma))
            if close or moves >= _MOST_MOVES or turns == (0.0, 0.0):
                if steady >= STEADY_FRAMES:
                    return _at_rest(message, published, moves)
                looks = 1
                continue
            moves += 1
            await turn_knobs(bench, altitude_turns=turns[0], azimuth_turns=turns[1])
            still.rest()
    raise MeasurementError(
        "the corrections ended before the hands were done",
        remedy="Run the rehearsal again; see the log above.",
        code="corrections_ended",
    )


def _at_rest(message: Mapping[str, Any], published: int, moves: int) -> HandsOutcome:
    return HandsOutcome(
        float(message["total_error_arcmin"]),
        float(message["total_error_sigma_arcmin"]),
        published,
        moves,
    )


async def turn_knobs(bench: IndiConnection, *, altitude_turns: float, azimuth_turns: float) -> None:
    """Turn the knobs, clockwise positive, and return when the hands are still."""
    if altitude_turns == 0.0 and azimuth_turns == 0.0:
        return
    serial = bench.send_numbers(
        BOLTS_DEVICE, "HANDS", {"AZ_TURNS": azimuth_turns, "ALT_TURNS": altitude_turns}
    )
    await bench.wait_for(
        BOLTS_DEVICE,
        "HANDS",
        lambda hands: not hands.busy,
        _HANDS_TIMEOUT_S,
        since=serial,
        task="turn the bolts",
    )


async def read_truth(bench: IndiConnection) -> dict[str, float]:
    """Read the simulator's truth."""
    truth = await bench.wait_for(
        BOLTS_DEVICE, "SIMULATOR_TRUTH", lambda _: True, _PROPERTY_TIMEOUT_S
    )
    return dict(truth.numbers)


async def connect_bolts(bench: IndiConnection) -> None:
    """Connect the simulator's bolts, which show themselves only then."""
    await bench.wait_for(BOLTS_DEVICE, "CONNECTION", lambda _: True, _PROPERTY_TIMEOUT_S)
    bench.send_switch(BOLTS_DEVICE, "CONNECTION", {"CONNECT": True})


@asynccontextmanager
async def simulator(seed: int, site: str, sky: Path | None = None) -> AsyncIterator[int]:
    """Run the simulator as its own process on a free loopback port; yields the port."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", SIMULATOR_MODULE, "--port", "0", "--seed", str(seed),
        "--site", site, "--until-input-ends", *(("--sky", str(sky)) if sky else ()),
        stdin=asyncio.subprocess.PIPE,  # held open until this process ends, however it does
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        yield await _port_of(process)
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        try:
            await asyncio.wait_for(process.wait(), _END_TIMEOUT_S)
        except TimeoutError:
            process.kill()
            await process.wait()


async def _port_of(process: asyncio.subprocess.Process) -> int:
    if process.stdout is None:
        raise LinkError("the simulator has no output", remedy="Report this.", code="simulator")
    try:
        line = (await asyncio.wait_for(process.stdout.readline(), _START_TIMEOUT_S)).decode()
    except TimeoutError:
        line = ""
    if "listening on" not in line:
        raise DeviceError(
            "the sky simulator did not start",
            remedy="Try `polewright-sky-simulator --port 0` to see why.",
            code="simulator",
        )
    return int(line.rsplit(":", 1)[1])
