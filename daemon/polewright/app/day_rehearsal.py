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
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import asdict, dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import (
    MOUNT_DEVICE,
    READY_TIMEOUT_S,
    Tell,
    connect_bolts,
    rehearsal_settings,
    simulator,
)
from polewright.app.rehearsed_person import (
    BENCH_DEVICE,
    CAMERA_DEVICE,
    KNOBS,
    SENSOR_DEVICE,
    Person,
    RehearsedClock,
    Stage,
    ended,
    true_arcmin,
)
from polewright.app.service import running_service
from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import sun_crosses
from polewright.settings.model import Settings

# When the day begins at each site (UTC), half past 8 by the Sun.  In high summer the Sun stands due
# east all the forenoon and then overhead: there it cannot tell the bolts apart.
_MORNING = {"south": "2026-08-25T06:48:00", "north": "2026-08-20T07:46:00"}
_PLACES = {
    "south": Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0),
    "north": Place(latitude_deg=47.00, longitude_deg=8.00, elevation_m=450.0),
}
_HOURS_BETWEEN_SIGHTS = (2.0, 1.0)
_PROPERTY_TIMEOUT_S = 30.0
_DUSK_RAD = math.radians(-12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayReport:
    """What came out of a day."""

    site: str
    seed: int
    initial_true_arcmin: float
    stages: tuple[Stage, ...]
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
    async with person_at_dawn(seed, site, tell, on_page=on_page) as person:
        initial = await true_arcmin(person.bench)
        await play_day(person)
        report = DayReport(
            site=site,
            seed=seed,
            initial_true_arcmin=initial,
            stages=tuple(person.stages),
            wall_s=time.monotonic() - started_s,
        )
        if linger is not None:
            await linger(report)
    return report


@asynccontextmanager
async def person_at_dawn(
    seed: int,
    site: str,
    tell: Tell,
    *,
    on_page: Callable[[str], None] = lambda _address: None,
    more: Callable[[Path], dict[str, Any]] = lambda _folder: {},
) -> AsyncIterator[Person]:
    """Start simulator and service in the morning of a day, with somebody at the mount.

    Parameters
    ----------
    seed : int
        Which made-up day.
    site : str
        ``south`` or ``north``.
    tell, on_page : callable
        As of :func:`polewright.app.rehearsal.rehearse`.
    more : callable, optional
        Takes a folder that lasts as long as the rehearsal; returns further settings.
    """
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
            settings = day_settings(port, more(Path(folder)))
            tell("starting the service", 0.02)
            clock = RehearsedClock()
            async with running_service(settings, clock=clock) as service:
                if service.page is not None:
                    on_page(service.page.address)
                async with asyncio.timeout(READY_TIMEOUT_S):
                    await service.evening.ready.wait()
                yield Person(service, clock, settings, bench, _PLACES[site], tell)


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
ra_backlash_arcsec = 10.0
dec_backlash_arcsec = 10.0
[bolts]
azimuth_arcmin_per_turn = {KNOBS["azimuth_arcmin_per_turn"]}
altitude_arcmin_per_turn = {KNOBS["altitude_arcmin_per_turn"]}
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


def day_settings(indi_port: int, more: dict[str, Any] | None = None) -> Settings:
    """Return the settings of a day: knobs that are known, a mount with home sensors."""
    plain = rehearsal_settings(indi_port).model_dump(exclude_unset=True)
    return Settings.model_validate(
        plain
        | {
            "adjuster": dict(KNOBS),
            # Within 15 arcsec at the end: a survey that is surer than that.
            "survey": {"frames": 6, "sweep_deg": 60.0, "settle_s": 0.2, "wish_arcsec": 4.0},
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
        | (more or {})
    )


async def play_day(person: Person) -> None:
    """Play the day, up to the first night's adjustment."""
    await person.until_the_sensor_streams()
    await person.turned_by("sensor", 0.1)
    await person.note("sensor", await person.last("correction"), to_reach_arcmin=42.0)
    await _looked(person)
    await person.point_by_keys(hour_angle_deg=-50.0, declination_deg=12.0)
    first = await person.sight(0.3)
    await person.note("one sight of the Sun", first)
    for name, hours, reach, part in (
        ("two sights of the Sun", _HOURS_BETWEEN_SIGHTS[0], None, 0.4),
        ("the Sun once more", _HOURS_BETWEEN_SIGHTS[1], 1.5, 0.55),
    ):
        person.tell("waiting for the Sun to go on", part)
        await person.wait(timedelta(hours=hours))
        await _looked(person)
        await person.note(name, await person.sight(part))
        await person.turned_by("bodies", part + 0.08)
        told = await person.last("correction")
        await person.note("bolts turned by the Sun", told, to_reach_arcmin=reach)
    await _until_dusk(person)
    await person.command("confirm_clear")
    person.tell("the first stars: surveying", 0.7)
    survey = await person.command("survey")
    await person.note("survey by stars", survey)
    await person.turned_by("stars", 0.8)
    await person.note("by the stars", await person.last("correction"), to_reach_arcmin=0.25)


async def _looked(person: Person) -> None:
    """Look at mount and filter, and say so: hours that passed at once took both words back."""
    await person.command("confirm_clear")
    await person.command("confirm_solar_filter", camera=CAMERA_DEVICE)


async def _until_dusk(person: Person) -> None:
    """Cap the tube, take the filter off, and wait until stars can be measured."""
    person.tell("cap on, filter off, waiting for dusk", 0.65)
    person.bench.send_switch(BENCH_DEVICE, "SOLAR_FILTER", {"FILTER_OFF": True})
    await person.command("confirm_solar_filter", camera=CAMERA_DEVICE, fitted=False)
    person.bench.send_switch(MOUNT_DEVICE, "TELESCOPE_TRACK_STATE", {"TRACK_OFF": True})
    now = person.now()
    dusk = sun_crosses(person.place, now, now + timedelta(hours=14.0), _DUSK_RAD)
    if dusk is None:
        raise ended()
    await person.wait(dusk - now)
    toward = -55.0 if person.place.south else 55.0
    await person.point_by_keys(hour_angle_deg=-30.0, declination_deg=toward)
