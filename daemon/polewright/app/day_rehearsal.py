"""The rehearsal of a day: rough in by a sensor, refine by the Sun, then dusk and the stars.

As :mod:`polewright.app.rehearsal`: everything is real but the sky.  The hands know their knobs from
other evenings and turn by what any display shows.  The simulated clock is stepped over the hours
of waiting, and the service's clock with it, as a computer's that slept.
"""

import asyncio
import math
import random
import tempfile
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.mqtt.client import send_command, watch_topics
from polewright.app.rehearsal import (
    MOUNT_DEVICE,
    READY_TIMEOUT_S,
    Tell,
    adjust,
    connect_bolts,
    read_truth,
    rehearsal_settings,
    simulator,
    turn_knobs,
)
from polewright.app.service import RunningService, running_service
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import sun_crosses
from polewright.settings.model import Settings

BENCH_DEVICE = "Kudu Bench"
CAMERA_DEVICE = "Hoopoe"
SENSOR_DEVICE = "Kudu Sensor"

# When the day begins at each site (UTC), half past 8 by the Sun.  In high summer the Sun stands due
# east all the forenoon and then overhead: there it cannot tell the bolts apart.
_MORNING = {"south": "2026-08-25T06:48:00", "north": "2026-08-20T07:46:00"}
_PLACES = {
    "south": Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0),
    "north": Place(latitude_deg=47.00, longitude_deg=8.00, elevation_m=450.0),
}
_HOURS_BETWEEN_SIGHTS = (2.0, 1.0)
_PROPERTY_TIMEOUT_S = 30.0
_STEP_TIMEOUT_S = 60.0
# Hands that turn by figures: so many goes at most, and the frames that a go lets pass.
_MOST_GOES = 12
# A sensor's figures are averages over seconds: they come to rest well after the hands.
_LOOKS_TO_LET_PASS = {"sensor": 14, "bodies": 2}
# Hands rest when no more than this is told (turns): a sensor's figures never come to rest.
_REST_TURNS = {"sensor": 0.1, "bodies": 0.006}
_KNOBS = {"azimuth_arcmin_per_turn": 60.0, "altitude_arcmin_per_turn": 45.0}
_DUSK_RAD = math.radians(-12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayStage:
    """One stage: what was true at its end, and what the service claimed (arcmin)."""

    name: str
    true_arcmin: float
    claimed_arcmin: float
    sigma_arcmin: float
    to_reach_arcmin: float | None = None

    @property
    def claimed_minus_true_sigmas(self) -> float:
        """How far the claim is from the truth, in its own sigmas."""
        return (self.claimed_arcmin - self.true_arcmin) / self.sigma_arcmin

    @property
    def reached(self) -> bool:
        """Whether the truth is what the stage was to reach."""
        return self.to_reach_arcmin is None or self.true_arcmin <= self.to_reach_arcmin


@dataclass(frozen=True, slots=True, kw_only=True)
class DayReport:
    """What came out of a day."""

    site: str
    seed: int
    initial_true_arcmin: float
    stages: tuple[DayStage, ...]
    wall_s: float

    def as_dict(self) -> dict[str, Any]:
        """Return the figures by name."""
        return asdict(self) | {
            "stages": [
                asdict(stage) | {"claimed_minus_true_sigmas": stage.claimed_minus_true_sigmas}
                for stage in self.stages
            ]
        }


async def rehearse_day(
    seed: int,
    site: str,
    tell: Tell,
    *,
    on_page: Callable[[str], None] = lambda _address: None,
    linger: Callable[[DayReport], Awaitable[None]] | None = None,
) -> DayReport:
    """Run one day; arguments as of :func:`polewright.app.rehearsal.rehearse`.

    Raises
    ------
    PolewrightError
        What went wrong; everything that was started has been ended.
    """
    started_s = time.monotonic()
    tell("starting the simulated day, mount, camera and phone", 0.0)
    with tempfile.TemporaryDirectory(prefix="polewright-") as folder:
        sky = Path(folder) / "day.toml"
        sky.write_text(day_sky(seed, site), "utf-8")
        async with (
            simulator(seed, site, sky=sky) as port,
            IndiConnection.open("127.0.0.1", port) as bench,
        ):
            await connect_bolts(bench)
            bench.send_switch(BENCH_DEVICE, "CONNECTION", {"CONNECT": True})
            await bench.wait_for(BENCH_DEVICE, "CLOCK_STEP", lambda _: True, _PROPERTY_TIMEOUT_S)
            initial = await _true_arcmin(bench)
            settings = day_settings(port)
            tell("starting the service", 0.05)
            async with running_service(settings) as service:
                if service.page is not None:
                    on_page(service.page.address)
                async with asyncio.timeout(READY_TIMEOUT_S):
                    await service.evening.ready.wait()
                stages = await _Day(service, settings, bench, _PLACES[site], tell).play()
                report = DayReport(
                    site=site,
                    seed=seed,
                    initial_true_arcmin=initial,
                    stages=tuple(stages),
                    wall_s=time.monotonic() - started_s,
                )
                if linger is not None:
                    await linger(report)
    return report


def day_sky(seed: int, site: str) -> str:
    """Return the hidden truths of a day, as the simulator reads them."""
    chance = random.Random(seed)
    latitude = {"south": 32.4, "north": 47.0}[site]
    direction = math.radians(90.0 * chance.randrange(4) + chance.uniform(25.0, 65.0))
    altitude_deg = 5.0 * math.sin(direction)
    azimuth_deg = 5.0 * math.cos(direction) / math.cos(math.radians(latitude + altitude_deg))
    return f"""
[clock]
start_utc = "{_MORNING[site]}"
[mount]
axis_altitude_error_deg = {altitude_deg:.4f}
axis_azimuth_error_deg = {azimuth_deg:.4f}
base_tilt_deg = {abs(chance.gauss(0.0, 0.3)):.3f}
cone_arcmin = {chance.gauss(0.0, 4.0):.3f}
non_perpendicularity_arcmin = {chance.gauss(0.0, 1.0):.3f}
ra_index_arcmin = {chance.gauss(0.0, 1.5):.3f}
dec_index_arcmin = {chance.gauss(0.0, 1.5):.3f}
periodic_error_arcsec = 8.0
[bolts]
azimuth_arcmin_per_turn = {_KNOBS["azimuth_arcmin_per_turn"]}
altitude_arcmin_per_turn = {_KNOBS["altitude_arcmin_per_turn"]}
azimuth_clockwise = "east"
altitude_clockwise = "raises"
hand_noise_turns = 0.001
[camera]
solar_filter = true
[sensor]
bracket_pitch_deg = {chance.gauss(0.0, 0.06):.3f}
bracket_yaw_deg = {chance.gauss(0.0, 0.06):.3f}
bracket_roll_deg = {chance.gauss(0.0, 0.5):.3f}
iron_x_ut = 0.0
iron_y_ut = 0.0
iron_z_ut = 0.0
gravity_noise_ms2 = 0.02
field_noise_ut = 0.1
"""


def day_settings(indi_port: int) -> Settings:
    """Return the settings of a day: knobs that are known, a mount with home sensors."""
    plain = rehearsal_settings(indi_port).model_dump(exclude_unset=True)
    return Settings.model_validate(
        plain
        | {
            "adjuster": dict(_KNOBS),
            "sensor": {
                "source": "indi",
                "device": SENSOR_DEVICE,
                "compass_sigma_deg": 1.5,
                "tilt_sigma_deg": 0.2,
            },
            "sights": {
                "home_sigma_arcmin": 2.0,
                "cone_sigma_arcmin": 5.0,
                "repeatability_arcsec": 15.0,
            },
        }
    )


class _Day:
    """The person of the day, who acts by the same commands as anybody."""

    def __init__(
        self,
        service: RunningService,
        settings: Settings,
        bench: IndiConnection,
        place: Place,
        tell: Tell,
    ) -> None:
        self._service = service
        self._place = place
        self._settings = settings
        self._bench = bench
        self._tell = tell
        self._port = service.broker_port
        self._stages: list[DayStage] = []

    async def play(self) -> list[DayStage]:
        """Play the day."""
        await self._until_the_sensor_streams()
        await self._turned_by("sensor", 0.1)
        await self._stage("sensor", await self._last("correction"), to_reach_arcmin=42.0)
        await self._command("confirm_clear")
        await self._command("confirm_solar_filter", camera=CAMERA_DEVICE)
        await self._point_by_keys(hour_angle_deg=-50.0, declination_deg=12.0)
        first = await self._sight(0.3)
        await self._stage("one sight of the Sun", first)
        for name, hours, reach, part in (
            ("two sights of the Sun", _HOURS_BETWEEN_SIGHTS[0], None, 0.4),
            ("the Sun once more", _HOURS_BETWEEN_SIGHTS[1], 1.5, 0.55),
        ):
            self._tell("waiting for the Sun to go on", part)
            await self._wait(timedelta(hours=hours))
            await self._command("confirm_clear")
            await self._stage(name, await self._sight(part))
            await self._turned_by("bodies", part + 0.08)
            told = await self._last("correction")
            await self._stage("bolts turned by the Sun", told, to_reach_arcmin=reach)
        await self._until_dusk()
        await self._command("confirm_clear")
        self._tell("the first stars: surveying", 0.7)
        survey = await self._command("survey")
        await self._stage("survey by stars", survey)
        outcome = await adjust(self._settings, self._port, self._bench, self._tell)
        told = {
            "total_error_arcmin": outcome.total_arcmin,
            "total_error_sigma_arcmin": outcome.sigma_arcmin,
        }
        await self._stage("by the stars", told, to_reach_arcmin=0.25)
        return self._stages

    async def _until_the_sensor_streams(self) -> None:
        async with asyncio.timeout(READY_TIMEOUT_S):
            async for update in watch_topics(self._settings, "sensor", port=self._port):
                if isinstance(update.payload, dict) and update.payload.get("streaming"):
                    return

    async def _command(self, verb: str, **arguments: Any) -> dict[str, Any]:
        return await send_command(self._settings, verb, arguments, port=self._port)

    async def _sight(self, part: float) -> dict[str, Any]:
        self._tell("sighting the Sun", part)
        message = await self._command("sight", body="sun")
        self._tell(f"the Sun says: {message['advice']}", part + 0.05)
        return message

    async def _stage(
        self, name: str, told: Mapping[str, Any], *, to_reach_arcmin: float | None = None
    ) -> None:
        stage = DayStage(
            name=name,
            true_arcmin=await _true_arcmin(self._bench),
            claimed_arcmin=float(told["total_error_arcmin"]),
            sigma_arcmin=float(told["total_error_sigma_arcmin"]),
            to_reach_arcmin=to_reach_arcmin,
        )
        self._stages.append(stage)

    async def _last(self, topic: str) -> Mapping[str, Any]:
        async for update in watch_topics(self._settings, topic, port=self._port):
            if isinstance(update.payload, dict):
                return update.payload
        raise _ended()

    async def _turned_by(self, method: str, part: float) -> None:
        """Adjust by a method, the hands turning by what the display says, until it says to rest."""
        self._tell(f"adjusting by {method}", part)

        async def adjusting() -> None:
            try:
                await self._command("adjust", by=method)
            except PolewrightError as ended:
                if ended.code != "stopped":
                    raise

        async def hands() -> None:
            try:
                await self._turn_by_turns(method)
            finally:
                await send_command(self._settings, "stop", port=self._port)

        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(adjusting())
                tasks.create_task(hands())
        except* PolewrightError as failures:
            raise failures.exceptions[0] from None

    async def _turn_by_turns(self, method: str) -> None:
        """Turn the knobs by the turns that are told; rest when none are told any more."""
        look_from, goes = 0, 0
        async for update in watch_topics(self._settings, "correction", port=self._port):
            told = update.payload
            if not isinstance(told, dict) or not told.get("live") or told["method"] != method:
                continue
            if int(told["sequence"]) < look_from:
                continue
            self._tell(f"{told['altitude_words']}; {told['azimuth_words']}", None)
            # By the figures, not the words: these say to leave a bolt sooner than a person does.
            turns = [
                -float(told[f"{bolt}_error_arcmin"]) / _KNOBS[f"{bolt}_arcmin_per_turn"]
                for bolt in ("altitude", "azimuth")
            ]
            rest = max(abs(turn) for turn in turns) < _REST_TURNS[method]
            if rest or goes >= _MOST_GOES:
                return
            goes += 1
            await turn_knobs(self._bench, altitude_turns=turns[0], azimuth_turns=turns[1])
            newest = await self._last("correction")
            look_from = int(newest["sequence"]) + _LOOKS_TO_LET_PASS[method]
        raise _ended()

    # -- what a person does besides ---------------------------------------------------------

    async def _point_by_keys(self, *, hour_angle_deg: float, declination_deg: float) -> None:
        """Point the mount with its own keys, as a person does by a look at the tube's shadow."""
        right_ascension = right_ascension_deg(hour_angle_deg, self._now(), self._place)
        serial = self._bench.send_numbers(
            MOUNT_DEVICE,
            "EQUATORIAL_EOD_COORD",
            {"RA": right_ascension / 15.0, "DEC": declination_deg},
        )
        begun = await self._bench.wait_for(
            MOUNT_DEVICE, "EQUATORIAL_EOD_COORD", lambda shown: shown.busy, _STEP_TIMEOUT_S,
            since=serial, task="be pointed by its keys",
        )  # fmt: skip
        await self._bench.wait_for(
            MOUNT_DEVICE, "EQUATORIAL_EOD_COORD", lambda shown: not shown.busy, _STEP_TIMEOUT_S,
            since=begun.serial, task="be pointed by its keys",
        )  # fmt: skip

    async def _wait(self, duration: timedelta) -> None:
        """Let hours pass in a moment, on the mount's clock and on the service's."""
        serial = self._bench.send_numbers(
            BENCH_DEVICE, "CLOCK_STEP", {"FORWARD_S": duration.total_seconds()}
        )
        await self._bench.wait_for(
            BENCH_DEVICE, "CLOCK_STEP", lambda p: not p.busy, _STEP_TIMEOUT_S,
            since=serial, task="step the clock",
        )  # fmt: skip
        self._service.clock.correction += duration

    async def _until_dusk(self) -> None:
        """Cap the tube, take the filter off, and wait until stars can be measured."""
        self._tell("cap on, filter off, waiting for dusk", 0.65)
        self._bench.send_switch(BENCH_DEVICE, "SOLAR_FILTER", {"FILTER_OFF": True})
        await self._command("confirm_solar_filter", camera=CAMERA_DEVICE, fitted=False)
        self._bench.send_switch(MOUNT_DEVICE, "TELESCOPE_TRACK_STATE", {"TRACK_OFF": True})
        now = self._now()
        dusk = sun_crosses(self._place, now, now + timedelta(hours=14.0), _DUSK_RAD)
        if dusk is None:
            raise _ended()
        await self._wait(dusk - now)
        toward = -55.0 if self._place.south else 55.0
        await self._point_by_keys(hour_angle_deg=-30.0, declination_deg=toward)

    def _now(self) -> datetime:
        return self._service.clock.now()


async def _true_arcmin(bench: IndiConnection) -> float:
    return (await read_truth(bench))["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"] / 60.0


def _ended() -> MeasurementError:
    return MeasurementError(
        "the day ended before it was done",
        remedy="Run the rehearsal again; see the log above.",
        code="corrections_ended",
    )
