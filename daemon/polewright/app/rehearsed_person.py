"""The person of a rehearsal: acts by the commands and displays that anybody has.

What a person does with hands (knobs, the mount's own keys, the filter) goes to the simulator; so
does the passing of hours, which the service's clock follows as a computer's that slept.
"""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.mqtt.client import send_command, watch_topics
from polewright.app.clock import HostClock
from polewright.app.rehearsal import (
    BOLTS_DEVICE,
    MOUNT_DEVICE,
    READY_TIMEOUT_S,
    Tell,
    read_truth,
    turn_knobs,
    while_adjusting,
)
from polewright.app.rehearsed_eyes import StillHands, live_looks
from polewright.app.service import RunningService
from polewright.core.errors import MeasurementError
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.core.sky.place import Place
from polewright.settings.model import Settings

BENCH_DEVICE = "Kudu Bench"
CAMERA_DEVICE = "Hoopoe"
SENSOR_DEVICE = "Kudu Sensor"

KNOBS = {"azimuth_arcmin_per_turn": 60.0, "altitude_arcmin_per_turn": 45.0}
"""What the person knows of the knobs, from other evenings."""

HONEST_SIGMAS = 3.5
"""How far a claim may be from the truth, in its own sigmas."""

_STEP_TIMEOUT_S = 60.0
# Hands that turn by figures: so many goes at most, and the frames that a go lets pass.
_MOST_GOES = 12
# A sensor's figures are averages over seconds: they come to rest well after the hands.
_LOOKS_TO_SEE = {"sensor": 14, "bodies": 2, "stars": 2}
# Hands rest when no more than this is told (turns): a sensor's figures never come to rest.
_REST_TURNS = {"sensor": 0.1, "bodies": 0.006, "stars": 0.0015}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
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
    def honest(self) -> bool:
        """Whether the claim holds."""
        return abs(self.claimed_minus_true_sigmas) < HONEST_SIGMAS

    @property
    def reached(self) -> bool:
        """Whether the truth is what the stage was to reach."""
        return self.to_reach_arcmin is None or self.true_arcmin <= self.to_reach_arcmin


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something else that was held against the truth, in words, and whether it held."""

    name: str
    words: str
    held: bool


class Person:
    """Somebody at the mount.

    Parameters
    ----------
    service : RunningService
        The service that is rehearsed with.
    clock : RehearsedClock
        Its clock.
    settings : Settings
        Its settings.
    bench : IndiConnection
        To the simulator.
    place : Place
        Where the mount stands.
    tell : callable
        Told what goes on.
    """

    def __init__(
        self,
        service: RunningService,
        clock: "RehearsedClock",
        settings: Settings,
        bench: IndiConnection,
        place: Place,
        tell: Tell,
    ) -> None:
        self.service = service
        self.clock = clock
        self.place = place
        self.settings = settings
        self.bench = bench
        self.tell = tell
        self.port = service.broker_port
        self.stages: list[Stage] = []

    async def until_the_sensor_streams(self) -> None:
        """Wait for the first reading."""
        async with asyncio.timeout(READY_TIMEOUT_S):
            await self.until("sensor", lambda told: bool(told.get("streaming")))

    async def command(self, verb: str, **arguments: Any) -> dict[str, Any]:
        """Give a command, and return how it ended."""
        return await send_command(self.settings, verb, arguments, port=self.port)

    async def sight(self, part: float) -> dict[str, Any]:
        """Sight the Sun, at this fraction of the rehearsal."""
        self.tell("sighting the Sun", part)
        message = await self.command("sight", body="sun")
        self.tell(f"the Sun says: {message['advice']}", part + 0.05)
        return message

    async def note(
        self, name: str, told: Mapping[str, Any], *, to_reach_arcmin: float | None = None
    ) -> None:
        """Note the end of a stage: what was told, and what is true."""
        stage = Stage(
            name=name,
            true_arcmin=await true_arcmin(self.bench),
            claimed_arcmin=float(told["total_error_arcmin"]),
            sigma_arcmin=float(told["total_error_sigma_arcmin"]),
            to_reach_arcmin=to_reach_arcmin,
        )
        self.stages.append(stage)

    async def last(self, topic: str) -> Mapping[str, Any]:
        """Return what a topic says now."""
        return await self.until(topic, lambda _: True)

    async def until(
        self, topic: str, wanted: Callable[[Mapping[str, Any]], bool]
    ) -> Mapping[str, Any]:
        """Return what a topic says, once it is as wanted."""
        async for update in watch_topics(self.settings, topic, port=self.port):
            if isinstance(update.payload, dict) and wanted(update.payload):
                return update.payload
        raise ended()

    async def turned_by(self, method: str, part: float) -> None:
        """Adjust by a method, the hands turning by what the display says, until it says to rest."""
        self.tell(f"adjusting by {method}", part)
        await while_adjusting(
            self.settings, self.port, lambda: self._turn_by_turns(method), by=method
        )

    async def _turn_by_turns(self, method: str) -> None:
        """Turn the knobs by the turns that are told; rest when none are told any more."""
        goes = 0
        still = StillHands(_LOOKS_TO_SEE[method])
        async with live_looks(self.settings, self.port) as corrections:
            async for look in corrections:
                told = look.message
                if told["method"] != method or not still.seen_by(look):
                    continue
                self.tell(f"{told['altitude_words']}; {told['azimuth_words']}", None)
                # By the figures: the words say to leave a bolt sooner than a person does.
                turns = [
                    -float(told[f"{bolt}_error_arcmin"]) / KNOBS[f"{bolt}_arcmin_per_turn"]
                    for bolt in ("altitude", "azimuth")
                ]
                rest = max(abs(turn) for turn in turns) < _REST_TURNS[method]
                if rest or goes >= _MOST_GOES:
                    return
                goes += 1
                await turn_knobs(self.bench, altitude_turns=turns[0], azimuth_turns=turns[1])
                still.rest()
        raise ended()

    async def point_by_keys(self, *, hour_angle_deg: float, declination_deg: float) -> None:
        """Point the mount with its own keys, as a person does by a look at the tube's shadow."""
        right_ascension = right_ascension_deg(hour_angle_deg, self.now(), self.place)
        serial = self.bench.send_numbers(
            MOUNT_DEVICE,
            "EQUATORIAL_EOD_COORD",
            {"RA": right_ascension / 15.0, "DEC": declination_deg},
        )
        begun = await self.bench.wait_for(
            MOUNT_DEVICE, "EQUATORIAL_EOD_COORD", lambda shown: shown.busy, _STEP_TIMEOUT_S,
            since=serial, task="be pointed by its keys",
        )  # fmt: skip
        await self.bench.wait_for(
            MOUNT_DEVICE, "EQUATORIAL_EOD_COORD", lambda shown: not shown.busy, _STEP_TIMEOUT_S,
            since=begun.serial, task="be pointed by its keys",
        )  # fmt: skip

    async def wait(self, duration: timedelta) -> None:
        """Let hours pass in a moment, on the mount's clock and on the service's."""
        await self._at_the_bench("CLOCK_STEP", {"FORWARD_S": duration.total_seconds()})
        self.clock.correction += duration

    async def run_at(self, pace: float) -> None:
        """Let the time pass at another pace, for the mount and for the service."""
        await self._at_the_bench("CLOCK_RATE", {"TIME_FACTOR": pace})
        self.clock.run_at(pace)

    async def lean(self, by_arcmin: float, toward_deg: float) -> None:
        """Let a leg of the tripod sink."""
        told = self.bench.serial
        await self._at_the_bench(
            "TRIPOD_LEANS", {"LEAN_ARCMIN": by_arcmin, "TOWARD_DEG": toward_deg}
        )
        await self.bench.wait_for(
            BOLTS_DEVICE, "SIMULATOR_TRUTH", lambda _: True, _STEP_TIMEOUT_S, since=told
        )

    async def _at_the_bench(self, name: str, values: Mapping[str, float]) -> None:
        serial = self.bench.send_numbers(BENCH_DEVICE, name, values)
        await self.bench.wait_for(
            BENCH_DEVICE, name, lambda shown: not shown.busy, _STEP_TIMEOUT_S,
            since=serial, task="change the simulated evening",
        )  # fmt: skip

    def now(self) -> datetime:
        """Return the rehearsed instant."""
        return self.clock.now()


class RehearsedClock(HostClock):
    """A host's clock that can be told to run faster; waits are as much shorter."""

    def __init__(self) -> None:
        super().__init__()
        self._pace = 1.0
        self._from, self._since_s = super().uncorrected(), self.monotonic()

    def run_at(self, pace: float) -> None:
        """Run at another pace from now on."""
        self._from, self._since_s = self.uncorrected(), self.monotonic()
        self._pace = pace

    def uncorrected(self) -> datetime:
        """Return the rehearsed instant (aware, UTC)."""
        return self._from + timedelta(seconds=self._pace * (self.monotonic() - self._since_s))

    async def sleep(self, duration_s: float) -> None:
        """Sleep for a rehearsed duration."""
        await asyncio.sleep(duration_s / self._pace)


async def true_arcmin(bench: IndiConnection) -> float:
    """Return how far the axis is off the refracted pole in truth."""
    return (await read_truth(bench))["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"] / 60.0


def ended() -> MeasurementError:
    """Return what is wrong where a topic went silent, or the Sun does not set."""
    return MeasurementError(
        "the rehearsed time ended before it was done",
        remedy="Run the rehearsal again; see the log above.",
        code="corrections_ended",
    )
