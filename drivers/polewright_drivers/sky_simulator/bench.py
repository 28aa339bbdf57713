"""Bench: the INDI device "Kudu Bench", for what is no device: time, solar filter, the ground."""

from typing import Any

from polewright_drivers.indi.device import (
    AUX_INTERFACE,
    Refused,
    chosen,
    number,
    numbers,
    set_only,
    switches,
)
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.simulated_clock import SimulatedClock

_GROUP = "Simulation"
LONGEST_STEP_S = 30.0 * 86400.0
SLOWEST, FASTEST = 0.01, 1000.0
LARGEST_LEAN_ARCMIN = 120.0


class Bench(SimulatedDevice):
    """What whoever rehearses does behind the scene.

    A step of the clock, another pace and a sinking leg wait until no shutter is open and no slew
    is under way; until then their property is Busy.  A mount that tracks goes on tracking through
    the step.

    Parameters
    ----------
    rig : Rig
        What stands under the sky.
    clock : SimulatedClock
        The evening's time.
    """

    def __init__(self, rig: Rig, clock: SimulatedClock) -> None:
        self._rig = rig
        self._clock = clock
        self._step_s: float | None = None
        self._pace: float | None = None
        self._lean: tuple[float, float] | None = None
        self.clock_step = numbers(
            "CLOCK_STEP",
            "Step the clock",
            _GROUP,
            "rw",
            [("FORWARD_S", "Forward (s)", "%.1f", 0.0, LONGEST_STEP_S, 0.0)],
        )
        self.clock_rate = numbers(
            "CLOCK_RATE",
            "Pace of the clock",
            _GROUP,
            "rw",
            [
                (
                    "TIME_FACTOR",
                    "Simulated s per s",
                    "%.2f",
                    SLOWEST,
                    FASTEST,
                    clock.time_factor,
                )
            ],
            state="Ok",
        )
        self.solar_filter = switches(
            "SOLAR_FILTER",
            "Solar filter on the objective",
            _GROUP,
            [("FILTER_ON", "On"), ("FILTER_OFF", "Off")],
            on="FILTER_ON" if rig.solar_filter else "FILTER_OFF",
            state="Ok",
        )
        self.tripod_leans = numbers(
            "TRIPOD_LEANS",
            "A leg sinks",
            _GROUP,
            "rw",
            [
                ("LEAN_ARCMIN", "By (arcmin)", "%.3f", 0.0, LARGEST_LEAN_ARCMIN, 0.0),
                ("TOWARD_DEG", "Toward (azimuth, deg)", "%.1f", 0.0, 360.0, 0.0),
            ],
        )
        super().__init__(
            "Kudu Bench",
            AUX_INTERFACE,
            [self.clock_step, self.clock_rate, self.solar_filter, self.tripod_leans],
        )

    async def asked(self, event: Any) -> None:
        """Note what is asked; the filter changes at once, for exposures that begin from now on."""
        match event.vectorname:
            case "CLOCK_STEP":
                forward_s = number(event, "FORWARD_S")
                if not 0.0 <= forward_s <= LONGEST_STEP_S:
                    raise Refused(f"a step of {forward_s:g} s is outside 0 to {LONGEST_STEP_S:g}")
                self._step_s = forward_s
                self.clock_step["FORWARD_S"] = repr(forward_s)
                await self.clock_step.send_setVector(state="Busy")
            case "CLOCK_RATE":
                factor = number(event, "TIME_FACTOR")
                if not SLOWEST <= factor <= FASTEST:
                    raise Refused(f"{factor:g} is outside {SLOWEST:g} to {FASTEST:g}")
                self._pace = factor
                self.clock_rate["TIME_FACTOR"] = repr(factor)
                await self.clock_rate.send_setVector(state="Busy")
            case "SOLAR_FILTER":
                wanted = chosen(event)
                if wanted is None:
                    raise Refused("the filter is either on or off")
                self._rig.solar_filter = wanted == "FILTER_ON"
                set_only(self.solar_filter, wanted)
                await self.solar_filter.send_setVector(state="Ok")

            case "TRIPOD_LEANS":
                lean_arcmin = number(event, "LEAN_ARCMIN")
                if not 0.0 <= lean_arcmin <= LARGEST_LEAN_ARCMIN:
                    raise Refused(f"{lean_arcmin:g} is outside 0 to {LARGEST_LEAN_ARCMIN:g}")
                self._lean = lean_arcmin / 60.0, number(event, "TOWARD_DEG")
                await self.tripod_leans.send_setVector(state="Busy")

    async def disconnecting(self) -> None:
        """Forget what has not been done."""
        self._step_s = self._pace = self._lean = None

    async def tick(self) -> None:
        """Step the clock as soon as nothing would be torn."""
        if self._rig.exposing or self._rig.axes.slewing:
            return
        if self._pace is not None:
            self._rig.advance()
            self._clock.run_at(self._pace)
            self._pace = None
            await self.clock_rate.send_setVector(state="Ok")
        if self._lean is not None:
            self._rig.mechanics.lean(*self._lean)
            self._lean = None
            await self.tripod_leans.send_setVector(state="Ok")
        if self._step_s is not None:
            self._rig.advance()
            self._clock.step(self._step_s)
            self._rig.advance()
            self._step_s = None
            await self.clock_step.send_setVector(state="Ok")
