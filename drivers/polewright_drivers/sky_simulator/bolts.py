"""Bolts: the INDI device "Kudu Bolts", motors and hands on the two knobs, and the hidden truth."""

import dataclasses
import math
from typing import Any

import numpy as np

from polewright_drivers.indi.device import (
    AUX_INTERFACE,
    Refused,
    number,
    numbers,
    set_only,
    switches,
)
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.rig import Rig, Truth

_MAIN = "Main Control"
# A driver that goes on after an abort begins this many ticks later.
_GOES_ON_AFTER_TICKS = 3
_TRUTH = [f.name for f in dataclasses.fields(Truth)]


class Bolts(SimulatedDevice):
    """Motorised polar adjuster, simulated hands, and ``SIMULATOR_TRUTH``.

    Parameters
    ----------
    rig : Rig
        What the knobs move.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._noise = np.random.default_rng([rig.scenario.seed, 3])
        self._ticks = 0
        self._leans_told = 0
        self._running: Any = None
        self._steps = 0
        self._goes_on_in: int | None = None
        self._left_turns = (0.0, 0.0)
        self._went_on = False
        self.motors = numbers(
            "PAC_MANUAL_ADJUSTMENT",
            "Manual Adjustment",
            _MAIN,
            "rw",
            [
                ("MANUAL_AZ_STEP", "Azimuth step (deg)", "%.4f", -10.0, 10.0, 0.0),
                ("MANUAL_ALT_STEP", "Altitude step (deg)", "%.4f", -10.0, 10.0, 0.0),
            ],
        )
        self.abort = switches(
            "PAC_ABORT_MOTION", "Abort", _MAIN, [("ABORT", "Abort")], rule="AtMostOne"
        )
        self.hands = numbers(
            "HANDS",
            "Hands on the knobs",
            "Simulation",
            "rw",
            [
                ("AZ_TURNS", "Azimuth knob, clockwise turns", "%.4f", -50.0, 50.0, 0.0),
                ("ALT_TURNS", "Altitude knob, clockwise turns", "%.4f", -50.0, 50.0, 0.0),
            ],
        )
        self.truth = numbers(
            "SIMULATOR_TRUTH",
            "Hidden truth",
            "Simulation",
            "ro",
            [(f"TRUE_{n.upper()}", n.replace("_", " "), "%.6f", 0.0, 0.0, 0.0) for n in _TRUTH],
            state="Ok",
        )
        super().__init__(
            "Kudu Bolts", AUX_INTERFACE, [self.motors, self.abort, self.hands, self.truth]
        )

    @property
    def _moving(self) -> bool:
        return self._rig.azimuth_bolt.moving or self._rig.altitude_bolt.moving

    def connecting(self) -> None:
        """Bring the values up to date."""
        self._fill()

    async def disconnecting(self) -> None:
        """Stop the motors."""
        self._halt()
        self._running = None
        self._goes_on_in = None

    def _halt(self) -> None:
        self._rig.advance()
        self._rig.azimuth_bolt.abort()
        self._rig.altitude_bolt.abort()

    async def asked(self, event: Any) -> None:
        """Turn, or stop."""
        self._rig.advance()
        match event.vectorname:
            case "PAC_ABORT_MOTION":
                self._prepare_to_go_on()
                self._halt()
                set_only(self.abort, None)
                await self.abort.send_setVector(state="Ok")
                await self._finish("Idle")
            case "PAC_MANUAL_ADJUSTMENT":
                await self._step(event)
            case "HANDS":
                await self._turn(event)

    async def _step(self, event: Any) -> None:
        """Let the motors turn the knobs."""
        truth = self._rig.scenario.bolts
        azimuth_deg, altitude_deg = (
            number(event, name, float(self.motors[name]) if truth.motor_remembers else 0.0)
            for name in ("MANUAL_AZ_STEP", "MANUAL_ALT_STEP")
        )
        self._free(max(abs(azimuth_deg), abs(altitude_deg)), 10.0, "deg")
        self.motors["MANUAL_AZ_STEP"] = repr(azimuth_deg)
        self.motors["MANUAL_ALT_STEP"] = repr(altitude_deg)
        if azimuth_deg or altitude_deg:
            self._steps += 1
        if 0 < truth.motor_good_steps < self._steps:
            raise Refused("a motor driver is too hot")
        await self._drive(azimuth_deg, altitude_deg)

    async def _drive(self, azimuth_deg: float, altitude_deg: float) -> None:
        truth = self._rig.scenario.bolts
        for bolt, step_deg, scale, per_turn, name in (
            (
                self._rig.azimuth_bolt,
                azimuth_deg,
                truth.motor_azimuth_sign * truth.motor_azimuth_scale,
                truth.azimuth_arcmin_per_turn,
                "azimuth",
            ),
            (
                self._rig.altitude_bolt,
                altitude_deg,
                truth.motor_altitude_sign * truth.motor_altitude_scale,
                truth.altitude_arcmin_per_turn,
                "altitude",
            ),
        ):
            if truth.motor_stuck in (name, "both"):
                continue
            angle_rad = math.radians(step_deg * scale * truth.motor_scale)
            bolt.turn(bolt.turns_for(angle_rad), truth.motor_rate_arcmin_s / per_turn)
        self._running = self.motors
        await self.motors.send_setVector(state="Busy")

    def _prepare_to_go_on(self) -> None:
        """Note what a driver that does not take an abort to heart does next."""
        kind = self._rig.scenario.bolts.motor_after_abort
        if (
            kind == "stands"
            or self._went_on
            or not self._moving
            or self._running is not self.motors
        ):
            return
        bolts = self._rig.azimuth_bolt, self._rig.altitude_bolt
        self._left_turns = bolts[0].turns_left, bolts[1].turns_left
        self._goes_on_in = _GOES_ON_AFTER_TICKS

    async def _go_on(self) -> None:
        self._goes_on_in = None
        self._went_on = True
        truth = self._rig.scenario.bolts
        if truth.motor_after_abort == "repeats":
            # Whatever the property shows now: nothing, where a client has cleared it.
            await self._drive(
                *(float(self.motors[n]) for n in ("MANUAL_AZ_STEP", "MANUAL_ALT_STEP"))
            )
            return
        rates = (
            truth.motor_rate_arcmin_s / truth.azimuth_arcmin_per_turn,
            truth.motor_rate_arcmin_s / truth.altitude_arcmin_per_turn,
        )
        bolts = self._rig.azimuth_bolt, self._rig.altitude_bolt
        for bolt, turns, rate in zip(bolts, self._left_turns, rates, strict=True):
            bolt.turn(turns, rate)
        self._running = self.motors
        await self.motors.send_setVector(state="Busy")

    async def _turn(self, event: Any) -> None:
        """Let the hands turn the knobs."""
        truth = self._rig.scenario.bolts
        wanted = number(event, "AZ_TURNS", 0.0), number(event, "ALT_TURNS", 0.0)
        self._free(max(abs(w) for w in wanted), 50.0, "turns")
        self.hands["AZ_TURNS"], self.hands["ALT_TURNS"] = (repr(w) for w in wanted)
        bolts = self._rig.azimuth_bolt, self._rig.altitude_bolt
        for bolt, turns in zip(bolts, wanted, strict=True):
            slip = self._noise.normal(0.0, truth.hand_noise_turns) if turns else 0.0
            bolt.turn(turns + float(slip), truth.hand_rate_turns_s)
        self._running = self.hands
        await self.hands.send_setVector(state="Busy")

    def _free(self, size: float, limit: float, unit: str) -> None:
        """Refuse while the knobs turn, and what is too large."""
        if self._moving:
            raise Refused("the knobs are still turning")
        if size > limit:
            raise Refused(f"{size:g} {unit} is more than {limit:g} {unit}")

    def _fill(self) -> None:
        """Put the present truth into its property."""
        self._rig.advance()
        truth = self._rig.truth()
        for name in _TRUTH:
            self.truth[f"TRUE_{name.upper()}"] = f"{getattr(truth, name):.7f}"

    async def _finish(self, state: str) -> None:
        """Publish the truth, then that the move has ended."""
        self._fill()
        await self.truth.send_setVector(state="Ok")
        if self._running is not None:
            await self._running.send_setVector(state=state)
            self._running = None

    async def tick(self) -> None:
        """Publish the truth twice a second while the knobs turn, and at the end."""
        if not self.connected:
            return
        if self._goes_on_in is not None:
            self._goes_on_in -= 1
            if self._goes_on_in <= 0 and self._running is None:
                await self._go_on()
        self._ticks += 1
        if self._running is None:
            if self._rig.mechanics.leans != self._leans_told:
                await self._tell_truth()
            return
        if not self._moving:
            await self._finish("Ok")
            return
        if self._ticks % 10 == 0:
            await self._tell_truth()

    async def _tell_truth(self) -> None:
        self._fill()
        self._leans_told = self._rig.mechanics.leans
        await self.truth.send_setVector(state="Ok")
