"""The simulated sky whose mount and bolts outlive their driver, and whose truth is written down.

A driver that crashes leaves the mount as it is: it goes on slewing or tracking.  So the child keeps
the state of its hardware in a file, and the next one takes it up, with the time that passed.
Every change of the truth goes into a second file, by the clock that all processes share
(CLOCK_MONOTONIC); what hands and faults shall do is read from a third.
"""

import contextlib
import json
import math
import os
import pickle
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from polewright_drivers.sky_simulator.driver import SkyDriver
from polewright_drivers.sky_simulator.scenario import Scenario
from polewright_drivers.sky_simulator.stars import Stars

WISHES, TRUTH, HARDWARE = "wishes.json", "truth.jsonl", "hardware.pickle"
_TURNS_S = 8.0
_TELL_EVERY_S = 0.5


class KeptSkyDriver(SkyDriver):
    """The simulator with hardware that stays.

    Parameters
    ----------
    scenario : Scenario
        The hidden truths.
    stars : Stars or None
        The catalogue.
    folder : Path
        Where the three files are.
    """

    def __init__(self, scenario: Scenario, stars: Stars | None, folder: Path) -> None:
        self._folder = folder
        kept = _kept(folder / HARDWARE)
        gone_s = 0.0
        if kept is not None:
            gone_s = time.monotonic() - kept["monotonic_s"]
            start = datetime.fromtimestamp(kept["unix_s"], UTC) + timedelta(seconds=gone_s)
            scenario = replace(scenario, clock=replace(scenario.clock, start_utc=start.isoformat()))
        super().__init__(scenario, stars)
        if kept is not None:
            for name in ("axes", "azimuth_bolt", "altitude_bolt"):
                setattr(self.rig, name, kept[name])
                getattr(self.rig, name).advance(gone_s)
        self._wishes_ns = 0
        self._hands = kept["hands"] if kept is not None else 0
        self._told: dict[str, Any] = {}
        self._told_s = 0.0
        self._told_unix_s = 0.0
        self._total_arcsec = math.nan
        self._bolts_rad: tuple[float, float] | None = None

    def advance(self) -> None:
        """Do what is wished, let time pass, and write down what is true."""
        self._obey()
        unix_s = self.rig.advance()
        rig = self.rig
        bolts = (rig.azimuth_bolt.angle_rad, rig.altitude_bolt.angle_rad)
        if bolts != self._bolts_rad:
            self._bolts_rad = bolts
            self._total_arcsec = rig.truth().total_error_refracted_arcsec
        told = {
            "total_arcsec": self._total_arcsec,
            "turning": rig.azimuth_bolt.moving or rig.altitude_bolt.moving,
            "slewing": rig.axes.slewing,
            "tracking": rig.axes.tracking,
        }
        now_s = time.monotonic()
        if told != self._told or now_s - self._told_s > _TELL_EVERY_S:
            with (self._folder / TRUTH).open("a") as file:
                file.write(json.dumps({"s": now_s, **told}) + "\n")
            self._told, self._told_s = told, now_s
        self._keep(now_s, unix_s)

    def _keep(self, now_s: float, unix_s: float) -> None:
        rig = self.rig
        draft = self._folder / f"{HARDWARE}.{os.getpid()}"
        kept = {
            "monotonic_s": now_s, "unix_s": unix_s, "hands": self._hands, "axes": rig.axes,
            "azimuth_bolt": rig.azimuth_bolt, "altitude_bolt": rig.altitude_bolt,
        }  # fmt: skip
        draft.write_bytes(pickle.dumps(kept))
        draft.replace(self._folder / HARDWARE)

    def _obey(self) -> None:
        file = self._folder / WISHES
        with contextlib.suppress(FileNotFoundError):
            changed_ns = file.stat().st_mtime_ns
            if changed_ns == self._wishes_ns:
                return
            self._wishes_ns = changed_ns
            wishes = json.loads(file.read_text())
            camera: Any = self["Hoopoe"]
            for name in camera.faults:
                camera.faults[name] = "On" if name in wishes["faults"] else "Off"
            if wishes["hands"] > self._hands:
                self._hands = wishes["hands"]
                self._turn(*wishes["leave_arcmin"])

    def _turn(self, altitude_arcmin: float, azimuth_arcmin: float) -> None:
        """Bring the axis to this place against the refracted pole, as fast hands would."""
        rig = self.rig
        truth = rig.truth()
        raised = rig.sky.refracted_altitude_deg(truth.pole_alt_deg, rig.advance())
        up = math.radians(raised + altitude_arcmin / 60.0 - truth.axis_alt_deg)
        east = math.radians((azimuth_arcmin - truth.az_error_arcmin) / 60.0)
        rig.altitude_bolt.turn(rig.altitude_bolt.turns_for(up), _TURNS_S)
        rig.azimuth_bolt.turn(rig.azimuth_bolt.turns_for(east), _TURNS_S)


def _kept(file: Path) -> dict[str, Any] | None:
    try:
        return dict(pickle.loads(file.read_bytes()))
    except FileNotFoundError:
        return None


class World:
    """The other side of the three files: what the campaign knows and does behind the scene.

    Parameters
    ----------
    folder : Path
        Where they are.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._wishes: dict[str, Any] = {"faults": [], "hands": 0, "leave_arcmin": [0.0, 0.0]}
        self._say()

    def fault(self, name: str, *, on: bool) -> None:
        """Switch a fault of camera or sky."""
        faults = set(self._wishes["faults"]) - {name}
        self._wishes["faults"] = sorted(faults | {name} if on else faults)
        self._say()

    def turn(self, altitude_arcmin: float, azimuth_arcmin: float) -> None:
        """Let the bolts be turned until the axis is there."""
        self._wishes["hands"] += 1
        self._wishes["leave_arcmin"] = [altitude_arcmin, azimuth_arcmin]
        self._say()

    def truths(self) -> list[dict[str, Any]]:
        """Return all that was written down, in order."""
        with contextlib.suppress(FileNotFoundError):
            lines = (self._folder / TRUTH).read_text().splitlines(keepends=True)
            return [json.loads(line) for line in lines if line.endswith("\n")]
        return []

    def now(self) -> dict[str, Any] | None:
        """Return the newest truth."""
        truths = self.truths()
        return truths[-1] if truths else None

    def _say(self) -> None:
        draft = self._folder / f"{WISHES}.draft"
        draft.write_text(json.dumps(self._wishes))
        draft.replace(self._folder / WISHES)
