"""Random evenings try to get round the interlocks; whatever reaches the mount is checked again.

The check shares nothing with the service: the Sun comes from astropy's ``get_sun`` and ``AltAz``
instead of ERFA's ``epv00``, horizon coordinates from its own few lines, and the ways of a slew are
drawn at random, each axis at its own pace, round the pier as well.
"""

import asyncio
import contextlib
import logging
import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers

from polewright.core.errors import LinkError, MeasurementError, PolewrightError
from polewright.core.imaging.frame import Frame
from polewright.core.sky import ways
from polewright.core.sky.doubts import Bars, Doubt
from polewright.core.sky.place import Place
from polewright.ports import MountStatus, PierSide
from polewright.session import given_word, limits, safety
from polewright.session.evening import Evening
from polewright.session.guarding import Guard
from polewright.session.limits import SafetyLimits
from polewright.session.safety import GuardedMount
from polewright.session.site import Site
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.full_run import trials
from tests.session.ports_in_memory import (
    ALL,
    TERRACE,
    YARD,
    MemoryCamera,
    MemoryPublisher,
    VirtualClock,
)

SEQUENCES = trials(250, 1000)
STEPS = 14
# An interlock that is taken out must show within so many evenings.
BROKEN_SEQUENCES = 800
MIDNIGHT = datetime(2026, 11, 25, 0, 0, tzinfo=UTC)
SUMMER = datetime(2026, 6, 21, 0, 0, tzinfo=UTC)
CONE_DEG = 20.0
FLOOR_DEG = 15.0
OUTLINE = ((0.0, 0.0), (120.0, 0.0), (150.0, 40.0), (200.0, 40.0), (230.0, 0.0))
LIMITS = SafetyLimits(horizon=OUTLINE)
DOUBT = Doubt(
    code="longitude_sign", text="doubtful", consequence="unsafe", remedy="mend", bars=Bars.ALWAYS
)


# -- an independent sky -------------------------------------------------------------------------


# An evening may wait 14 times up to 4 hours, from any hour of its day, and its clock be set wrong.
_SUN_STEP_S = 600.0
_SUN_HOURS = (-30.0, 120.0)


@lru_cache(maxsize=4)
def _sun_table(place: Place, midnight: datetime) -> np.ndarray:
    """The Sun every ten minutes, by astropy (East-North-Up, without the air)."""
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        seconds = np.arange(_SUN_HOURS[0] * 3600.0, _SUN_HOURS[1] * 3600.0, _SUN_STEP_S)
        times = Time(midnight.timestamp() + seconds, format="unix")
        location = EarthLocation.from_geodetic(
            place.longitude_deg, place.latitude_deg, place.elevation_m
        )
        sun = get_sun(times).transform_to(AltAz(obstime=times, location=location))
        alt, az = sun.alt.to_value(u.rad), sun.az.to_value(u.rad)
    return np.column_stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])


def _sun(place: Place, midnight: datetime, now: datetime) -> np.ndarray:
    elapsed_s = (now - midnight).total_seconds() - _SUN_HOURS[0] * 3600.0
    return _sun_table(place, midnight)[round(elapsed_s / _SUN_STEP_S)]


def _sidereal_deg(now: datetime, place: Place) -> float:
    """IAU 1982 mean sidereal time, to an arcsecond of what is needed here."""
    days = now.timestamp() / 86400.0 + 2440587.5 - 2451545.0
    return (280.46061837 + 360.98564736629 * days + place.longitude_deg) % 360.0


def _directions(hour_angles: np.ndarray, declinations: np.ndarray, place: Place) -> np.ndarray:
    """Turn about the celestial axis, then tilt by the latitude; degrees in."""
    h, d, lat = np.radians(hour_angles), np.radians(declinations), math.radians(place.latitude_deg)
    toward_meridian, toward_west = np.cos(d) * np.cos(h), np.cos(d) * np.sin(h)
    up = math.cos(lat) * toward_meridian + math.sin(lat) * np.sin(d)
    north = -math.sin(lat) * toward_meridian + math.cos(lat) * np.sin(d)
    return np.column_stack([-toward_west, north, up])


# -- a mount that checks what reaches it --------------------------------------------------------


@dataclass
class SuspiciousMount:
    """Every motion that reaches it is held against what the person said and the independent sky.

    ``lie``: it tells its place as None or as no number.
    """

    clock: VirtualClock
    stands: Place
    rng: np.random.Generator
    world: "World"
    name: str = "Kudu"
    right_ascension: float = 0.0
    declination: float = -60.0
    parked: bool | None = False
    slewing: bool = False
    lie: str = ""
    tracking: bool = True
    capabilities = ALL
    slews: int = 0
    untracked: int = 0

    @property
    def hour_angle(self) -> float:
        turn = _sidereal_deg(self.clock.now(), self.stands) - self.right_ascension
        return (turn + 180.0) % 360.0 - 180.0

    async def status(self) -> MountStatus:
        await asyncio.sleep(0)
        place = {"none": (None, None), "nan": (math.nan, math.nan)}.get(
            self.lie, (self.right_ascension, self.declination)
        )
        return MountStatus(
            right_ascension_deg=place[0], declination_deg=place[1], slewing=self.slewing,
            tracking=self.tracking, parked=self.parked, pier_side=PierSide.UNKNOWN,
        )  # fmt: skip

    async def slew_to(self, right_ascension_deg: float, declination_deg: float) -> None:
        self.slews += 1
        start, start_dec = self.hour_angle, self.declination
        turn = _sidereal_deg(self.clock.now(), self.stands) - right_ascension_deg
        end = (turn + 180.0) % 360.0 - 180.0
        self.world.check_motion(self, (start, start_dec), (end, declination_deg))
        await self.clock.sleep(float(self.rng.uniform(1.0, 60.0)))
        await asyncio.sleep(0)
        if self.rng.random() < 0.05:
            self.world.lost, self.world.link_down = self.name, True
            raise LinkError("gone in the motion", remedy="Wait.")
        self.right_ascension, self.declination = right_ascension_deg, declination_deg
        self.tracking = True

    async def set_tracking(self, *, on: bool) -> None:
        assert not on
        self.untracked += 1
        self.tracking = False

    async def park(self) -> None:
        raise AssertionError("nobody may park it")

    async def unpark(self) -> None:
        raise AssertionError("nobody may unpark it")

    async def abort(self) -> None:
        await asyncio.sleep(0)
        if self.world.link_down:
            raise LinkError("gone", remedy="Wait.")
        self.world.lost = ""

    async def place(self) -> Place | None:
        return self.stands


class BlindCamera(MemoryCamera):
    """Delivers small black frames: a body is looked for all around, in vain."""

    async def expose(self, exposure_s: float) -> Frame:
        frame = await super().expose(exposure_s)
        return replace(frame, pixels=np.zeros((32, 32), np.uint16))


@dataclass
class World:
    """What really holds: the judge's own account of words given, filter, doubts and stops."""

    rng: np.random.Generator
    midnight: datetime
    clear: bool = False
    filter_on: str = ""
    filter_given_s: float = 0.0
    doubt: bool = False
    jump_s: float = 0.0
    link_down: bool = False
    lost: str = ""
    stopped: bool = False
    violations: list[str] = field(default_factory=list)
    camera: str = "Hoopoe"

    def check_motion(self, mount, start, end) -> None:
        now = mount.clock.now()
        wrong = self.violations.append
        if not self.clear:
            wrong("unconfirmed")
        if self.stopped:
            wrong("after a stop")
        if mount.parked:
            wrong("parked")
        if mount.slewing:
            wrong("moving already")
        if mount.lie:
            wrong("place unknown")
        if self.doubt:
            wrong("place in doubt")
        if abs(self.jump_s) > 600.0:
            wrong("clock jumped")
        if not -90.1 <= end[0] <= 90.1:
            wrong("hour angle")
        if start[0] * end[0] < 0.0 and min(abs(start[0]), abs(end[0])) > 1.5:
            wrong("meridian")
        filtered = (
            self.filter_on == self.camera
            and mount.clock.monotonic() - self.filter_given_s < 6.0 * 3600.0
        )
        sun = _sun(mount.stands, self.midnight, now)
        for h, d in self._paths(start, end, mount.stands):
            directions = _directions(h, d, mount.stands)
            if (
                sun[2] > 0.0
                and not filtered
                and np.max(directions @ sun) > math.cos(math.radians(CONE_DEG))
            ):
                wrong("sun")
        h, d = next(self._paths(start, end, mount.stands))
        directions = _directions(h, d, mount.stands)
        above = np.degrees(np.arcsin(directions[:, 2])) - np.maximum(
            FLOOR_DEG,
            np.interp(
                np.degrees(np.arctan2(directions[:, 0], directions[:, 1])) % 360.0,
                *zip(*OUTLINE, strict=True), period=360.0,
            ),
        )  # fmt: skip
        if np.min(above) < min(-0.5, above[0] - 0.5):
            wrong("floor")

    def _paths(self, start, end, place):
        """Random ways: each axis at its own pace and delay; where the start may be on the wrong
        side of the pier, round it as well."""
        time = np.linspace(0.0, 1.0, 60)

        def run(a: float, b: float) -> np.ndarray:
            delay, length = self.rng.uniform(0.0, 0.8), self.rng.uniform(0.05, 1.0)
            return a + (b - a) * np.clip((time - delay) / length, 0.0, 1.0)

        for _ in range(3):
            h = run(start[0], end[0])
            h[-1] = end[0]
            yield h, run(start[1], end[1])
        over = (-180.0 if place.south else 180.0) - end[1]
        for sense in (1.0, -1.0):
            if sense * start[0] > -15.0 and sense * end[0] < 15.0:  # what real piers allow
                yield run(start[0], end[0] + 180.0 * sense), run(start[1], over)


# -- evenings -----------------------------------------------------------------------------------


class BlindSolver:
    """No star is ever found: a survey only turns and turns."""

    async def prepare(self, *_a, **_k) -> None:
        return None

    async def solve(self, frame, hint):
        raise MeasurementError("no stars", remedy="Wait.", code="too_few_stars")


class Trial:
    """One random evening, by day or by night."""

    def __init__(self, seed: int) -> None:
        self.rng = rng = np.random.default_rng(seed)
        place = TERRACE if rng.random() < 0.5 else YARD
        day = MIDNIGHT if rng.random() < 0.5 else SUMMER
        hours = rng.uniform(5.0, 16.0) if rng.random() < 0.75 else rng.uniform(0.0, 24.0)
        self.clock = VirtualClock(day + timedelta(hours=hours))
        self.place = place
        self.world = World(rng, day)
        self.mount = SuspiciousMount(self.clock, place, rng, self.world)
        self._somewhere()
        self.evening = Evening(
            BlindSolver(), self.clock, MemoryPublisher(),
            EveningWishes(
                limits=LIMITS,
                survey=SurveyWish(frames=3, sweep_deg=rng.uniform(20.0, 90.0), settle_s=0.1),
            ),
        )  # fmt: skip
        self.attach()
        if rng.random() < 0.7:
            self.evening._guard.confirm_clear()
            self.world.clear = True

    def _somewhere(self) -> None:
        sidereal = _sidereal_deg(self.clock.now(), self.place)
        self.mount.right_ascension = sidereal - self.rng.uniform(-100.0, 100.0)
        # The half of the sky where the Sun is, as often as the half about the pole.
        self.mount.declination = float(self.rng.uniform(-85.0, 85.0))
        self.mount.tracking = True

    def attach(self) -> None:
        world = self.world
        world.link_down = False
        doubts = (DOUBT,) if world.doubt else ()
        self.evening.attach(
            BlindCamera(self.clock, name=world.camera), self.mount, self.place,
            site=Site(place=self.place, doubts=doubts),
        )  # fmt: skip
        world.filter_on = ""
        world.jump_s = 0.0  # a word that is given again, or kept, is judged from here

    async def step(self) -> None:
        world, rng = self.world, self.rng
        match rng.choice(
            ["clear", "survey", "turn", "turn", "turn", "stop", "park", "unpark", "filter",
             "unfilter", "jump", "wait", "elsewhere", "lie", "truth", "reconnect", "camera",
             "doubt", "busy", "race", "sight"],
            p=np.array([3, 3, 8, 8, 8, 1, 1, 2, 1, 1, 1, 2, 4, 1, 2, 1, 1, 1, 1, 1, 2]) / 53.0,
        ):  # fmt: skip
            case "clear":
                await self.handle("confirm_clear")
                world.clear, world.jump_s = True, 0.0
            case "survey":
                await self.command(self.handle("survey"))
            case "sight":
                body = rng.choice(["sun", "moon", "venus", "jupiter"])
                said = {"pointed": bool(rng.random() < 0.2), "anew": bool(rng.random() < 0.2)}
                await self.command(self.handle("sight", body=body, **said))
            case "turn":
                await self.command(self.turn())
            case "stop":
                await self.handle("stop")
            case "park":
                self.mount.parked = True
            case "unpark":
                self.mount.parked = False
            case "filter":
                camera = rng.choice(["Hoopoe", "Lapwing"])
                if await self.handle("confirm_solar_filter", camera=camera):
                    world.filter_on, world.filter_given_s = camera, self.clock.monotonic()
            case "unfilter":
                await self.handle("confirm_solar_filter", camera=world.camera, fitted=False)
                world.filter_on = ""
            case "jump":
                jump_s = float(rng.choice([-7200.0, -30.0, 30.0, 1200.0, 7200.0]))
                self.clock.start += timedelta(seconds=jump_s)
                world.jump_s += jump_s
            case "wait":
                await self.clock.sleep(float(rng.uniform(60.0, 4.0 * 3600.0)))
            case "elsewhere":
                self._somewhere()
            case "lie":
                self.mount.lie = str(rng.choice(["none", "nan"]))
            case "truth":
                self.mount.lie, self.mount.slewing = "", False
            case "busy":
                self.mount.slewing = True
            case "doubt":
                world.doubt = not world.doubt
                self.attach()
                self.forget_after_attach()
            case "camera":
                world.camera = "Lapwing" if world.camera == "Hoopoe" else "Hoopoe"
                self.attach()
                self.forget_after_attach()
            case "reconnect":
                await self.reconnect()
            case "race":
                await self.stop_in_the_middle()

    async def reconnect(self) -> None:
        self.world.link_down = True
        self.evening.detach(LinkError("gone", remedy="Wait."))
        await asyncio.sleep(0)
        self.world.link_down = False
        lost = self.world.lost
        await self.evening.stop_after_loss(self.mount)
        self.world.lost = lost
        self.attach()
        self.forget_after_attach()

    def forget_after_attach(self) -> None:
        """A link that was lost in a motion takes the word with it."""
        if self.world.lost:
            self.world.clear = False
            self.world.lost = ""

    async def turn(self) -> None:
        mount = self.evening._mount
        assert mount is not None
        mount.allow_motion()
        if self.rng.random() < 0.1:
            hour_angle = float(self.rng.choice([math.nan, 400.0, -95.0]))
        else:
            hour_angle = float(self.rng.uniform(-95.0, 95.0))
        declination = (
            self.mount.declination
            if self.rng.random() < 0.3
            else float(self.rng.uniform(-88.0, 88.0))
        )
        await mount.turn_to(hour_angle, declination)

    async def command(self, work) -> None:
        with contextlib.suppress(PolewrightError):
            await work
        if self.world.link_down:
            await self.reconnect()

    async def stop_in_the_middle(self) -> None:
        """A stop while a survey runs: nothing moves from then on."""
        survey = asyncio.create_task(self.command(self.handle("survey")))
        for _ in range(int(self.rng.integers(0, 12))):
            await asyncio.sleep(0)
        stop = asyncio.create_task(self.handle("stop"))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        self.world.stopped = not survey.done()
        await stop
        await survey
        self.world.stopped = False

    async def handle(self, verb: str, **arguments) -> bool:
        try:
            await self.evening.handle(verb, arguments)
        except PolewrightError:
            return False
        return True

    async def play(self, steps: int) -> tuple[int, list[str]]:
        for _ in range(steps):
            await self.step()
            if self.world.violations:
                break
        return self.mount.slews, self.world.violations


@pytest.fixture(autouse=True)
def _quiet():
    """Hundreds of evenings say a lot."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def _evening(seed: int) -> tuple[int, list[str]]:
    return asyncio.run(Trial(seed).play(STEPS))


def test_no_random_evening_gets_round_an_interlock():
    """250 of them, 1,000 in the full run.

    Half as many slews must have been let through, or nothing was tested.
    """
    slews, violations = 0, []
    for seed in range(SEQUENCES):
        made, seen = _evening(seed)
        slews += made
        violations += [f"{what} in evening {seed}" for what in seen]
    assert violations == []
    assert slews > SEQUENCES / 2


def _told_otherwise(**lie):
    """Let the guard hear a status in which one thing is different."""
    honest = GuardedMount.status

    async def status(self):
        return replace(await honest(self), **lie)

    return GuardedMount, "status", status


def _nothing(*_a, **_k) -> None:
    return None


def _any_camera(self, camera):
    self._word.confirm_filter()


def _keep_the_word(self):
    self.mount = None


def _ends_only(self, place):
    return ways.directions_enu(
        np.array(self.hour_angles_deg), np.array(self.declinations_deg), place
    )


# What is taken out, and what then must be seen to go wrong.
WITHOUT = {
    "the person's word": ("unconfirmed", GuardedMount, "require_clear", _nothing),
    "parked": ("parked", *_told_otherwise(parked=False)),
    "already moving": ("moving already", *_told_otherwise(slewing=False)),
    "an unknown place": (
        "place unknown", GuardedMount, "_position", lambda _self, _status: (10.0, -60.0)
    ),
    "doubts": ("place in doubt", safety, "refuse_in_doubt", _nothing),
    "the Sun": ("sun", limits, "_refuse_sun", _nothing),
    "the way between the ends": ("sun", ways.Way, "directions_enu", _ends_only),
    "the floor": ("floor", limits, "_refuse_low", _nothing),
    "the hour angles": ("hour angle", limits, "_refuse_hour_angle", _nothing),
    "the stop": ("after a stop", GuardedMount, "halt", _nothing),
    "the filter's camera": ("sun", GuardedMount, "confirm_solar_filter", _any_camera),
    "a loss in a motion": ("unconfirmed", Guard, "detach", _keep_the_word),
    "clock jumps": ("clock jumped", given_word, "_CLOCK_JUMP_S", math.inf),
}  # fmt: skip


@pytest.mark.parametrize("interlock", WITHOUT)
def test_an_interlock_that_is_taken_out_is_missed(interlock, monkeypatch):
    """The random evenings can fail: each interlock, taken out alone, is got round."""
    wrong, holder, name, instead = WITHOUT[interlock]
    monkeypatch.setattr(holder, name, instead)
    assert any(wrong in _evening(seed)[1] for seed in range(BROKEN_SEQUENCES))


def test_a_meridian_crossing_that_is_allowed_is_made(monkeypatch):
    allowed = replace(LIMITS, allow_meridian_crossing=True)
    monkeypatch.setitem(globals(), "LIMITS", allowed)
    assert any("meridian" in _evening(seed)[1] for seed in range(BROKEN_SEQUENCES))
