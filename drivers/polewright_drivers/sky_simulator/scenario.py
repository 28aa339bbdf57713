"""Scenario: every hidden truth of the simulated evening, and how a seed draws them."""

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np


class ScenarioError(ValueError):
    """A setting of the scenario is unknown or impossible; the text names it."""


def _number(default: float, low: float, high: float) -> Any:
    """Return a numeric field with its allowed range."""
    return field(default=default, metadata={"low": low, "high": high})


def _choice(default: str, *allowed: str) -> Any:
    """Return a text field with its allowed values."""
    return field(default=default, metadata={"allowed": allowed})


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTruth:
    """Where the mount really stands, and the air above it.

    ``pressure_hpa`` 0 means: the standard atmosphere's at this elevation.
    """

    name: str = "Thornveld Terrace"
    latitude_deg: float = _number(-32.40, -89.9, 89.9)
    longitude_deg: float = _number(22.70, -180.0, 360.0)
    elevation_m: float = _number(1250.0, -400.0, 8500.0)
    pressure_hpa: float = _number(0.0, 0.0, 1100.0)
    temperature_c: float = _number(10.0, -60.0, 60.0)
    relative_humidity: float = _number(0.5, 0.0, 1.0)
    wavelength_um: float = _number(0.58, 0.3, 1.1)

    @property
    def station_pressure_hpa(self) -> float:
        """Pressure at the station (hPa); ICAO Doc 7488 where none is set."""
        if self.pressure_hpa > 0.0:
            return self.pressure_hpa
        return float(1013.25 * (1.0 - 0.0065 * self.elevation_m / 288.15) ** 5.25588)

    @property
    def side(self) -> float:
        """+1 north of the equator, -1 south of it."""
        return 1.0 if self.latitude_deg >= 0.0 else -1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTruth:
    """The simulated time: where it starts and how fast it runs."""

    start_utc: str = "2026-11-25T20:00:00"
    time_factor: float = _number(1.0, 0.01, 1000.0)
    host_clock: bool = False

    def __post_init__(self) -> None:
        """Refuse what is not an instant."""
        self.start()

    def start(self) -> datetime:
        """Return the first instant (aware, UTC)."""
        try:
            instant = datetime.fromisoformat(self.start_utc)
        except ValueError:
            raise ScenarioError(
                f"clock.start_utc: {self.start_utc!r} is not an ISO 8601 instant"
            ) from None
        if instant.tzinfo is None:
            return instant.replace(tzinfo=UTC)
        return instant.astimezone(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class MountTruth:
    """The mount's misalignment and faults.

    ``axis_*_error_deg`` place the polar axis against the true pole with both bolts at their
    starting point: altitude + too high, azimuth + too far east (at the pole's altitude these
    are coordinates, not angles on the sky).  ``clock_error_s`` is how far the mount's own clock
    runs ahead.

    ``kind``: ``german`` and ``fork`` go by themselves (a fork never changes the side of its
    pier), a ``tracker`` only tracks, and ``none`` has no computer link and no drive: the last two
    are turned by hand.  ``equinox`` is what the driver's coordinates are of.  After a slew axis 1
    creeps ``creep_arcmin`` into place with the time constant ``creep_s``, which no encoder sees;
    ``lost_steps_fraction`` of every slew is lost likewise.  After ``slews_obeyed`` go-tos the
    mount refuses.
    """

    kind: str = _choice("german", "german", "fork", "tracker", "none")
    equinox: str = _choice("date", "date", "j2000")
    tells_pier_side: bool = True
    creep_arcmin: float = _number(0.0, -60.0, 60.0)
    creep_s: float = _number(1.0, 0.01, 60.0)
    lost_steps_fraction: float = _number(0.0, 0.0, 0.5)
    slews_obeyed: int = field(default=1_000_000, metadata={"low": 0, "high": 1_000_000})
    axis_altitude_error_deg: float = _number(0.0, -60.0, 60.0)
    axis_azimuth_error_deg: float = _number(0.0, -180.0, 180.0)
    base_tilt_deg: float = _number(0.0, 0.0, 30.0)
    base_tilt_azimuth_deg: float = _number(0.0, -360.0, 360.0)
    cone_arcmin: float = _number(0.0, -600.0, 600.0)
    non_perpendicularity_arcmin: float = _number(0.0, -600.0, 600.0)
    ra_index_arcmin: float = _number(0.0, -10800.0, 10800.0)
    dec_index_arcmin: float = _number(0.0, -10800.0, 10800.0)
    ra_backlash_arcsec: float = _number(0.0, 0.0, 7200.0)
    dec_backlash_arcsec: float = _number(0.0, 0.0, 7200.0)
    periodic_error_arcsec: float = _number(0.0, 0.0, 600.0)
    worm_period_s: float = _number(480.0, 10.0, 7200.0)
    worm_phase_deg: float = _number(0.0, -360.0, 360.0)
    slew_rate_deg_s: float = _number(6.0, 0.01, 100.0)
    lowest_altitude_deg: float = _number(0.0, -90.0, 90.0)
    clock_error_s: float = _number(0.0, -86400.0, 86400.0)
    parked_at_start: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltsTruth:
    """The two bolts: what one clockwise turn of each knob does, and how loosely.

    ``motor_*_sign`` -1 makes the motorised adjuster count the other way round than its
    documentation says; ``motor_scale`` is what it really does of what it is asked, times
    ``motor_*_scale`` for one motor.  ``motor_stuck`` names motors that hum and do not turn;
    ``motor_good_steps`` steps are made before every further one ends in an Alert (0: no Alert).
    ``motor_after_abort``: it ``stands``; it goes through the step that its property still shows
    (``repeats``); or it makes up for what was left of the step, once (``resumes``).
    ``motor_remembers``: an element that is left out of a command repeats its last value.
    """

    azimuth_arcmin_per_turn: float = _number(60.0, 1.0, 1000.0)
    altitude_arcmin_per_turn: float = _number(45.0, 1.0, 1000.0)
    azimuth_clockwise: str = _choice("east", "east", "west")
    altitude_clockwise: str = _choice("raises", "raises", "lowers")
    azimuth_backlash_turns: float = _number(0.0, 0.0, 5.0)
    altitude_backlash_turns: float = _number(0.0, 0.0, 5.0)
    hand_rate_turns_s: float = _number(0.5, 0.01, 20.0)
    hand_noise_turns: float = _number(0.0, 0.0, 1.0)
    motor_rate_arcmin_s: float = _number(15.0, 0.1, 600.0)
    motor_azimuth_sign: float = _number(1.0, -1.0, 1.0)
    motor_altitude_sign: float = _number(1.0, -1.0, 1.0)
    motor_scale: float = _number(1.0, 0.1, 10.0)
    motor_azimuth_scale: float = _number(1.0, 0.1, 10.0)
    motor_altitude_scale: float = _number(1.0, 0.1, 10.0)
    motor_stuck: str = _choice("", "", "azimuth", "altitude", "both")
    motor_good_steps: int = field(default=0, metadata={"low": 0, "high": 1000})
    motor_after_abort: str = _choice("stands", "stands", "repeats", "resumes")
    motor_remembers: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraTruth:
    """The camera and the telescope that it looks through.

    ``told_focal_length_mm`` is what the devices say, ``focal_length_mm`` what is.  ``bits`` 8
    sends the upper eight bits of the same converter.  ``bayer_pattern`` empty: a mono sensor.
    ``compression``: ``z`` packs the whole file with zlib, ``fz`` the picture in tiles (Rice).
    ``guide_width_px`` over 0: a guide head, in the middle of the field at the same scale.
    ``binning_left`` and ``window_left`` are what another program left set: a binning, and a
    window of a quarter of the chip.  ``solar_filter``: on the objective from the start; it lets
    through ten to the minus ``solar_filter_density``.  ``glare_fraction`` is the share of a
    bright body's light that the optics spread over the whole picture.
    """

    width_px: int = field(default=1280, metadata={"low": 64, "high": 16384})
    height_px: int = field(default=960, metadata={"low": 64, "high": 16384})
    pixel_size_um: float = _number(3.75, 0.5, 50.0)
    focal_length_mm: float = _number(120.0, 5.0, 10000.0)
    told_focal_length_mm: float = _number(120.0, 0.0, 10000.0)
    aperture_mm: float = _number(30.0, 1.0, 2000.0)
    roll_deg: float = _number(180.0, -360.0, 360.0)
    mirrored: bool = False
    bayer_pattern: str = _choice("", "", "RGGB", "BGGR", "GRBG", "GBRG")
    bits: int = field(default=16, metadata={"low": 8, "high": 16, "allowed": (8, 16)})
    gain_e_per_adu: float = _number(0.3, 0.001, 100.0)
    read_noise_e: float = _number(3.0, 0.0, 200.0)
    bias_adu: float = _number(600.0, 0.0, 20000.0)
    full_well_e: float = _number(19000.0, 100.0, 1e6)
    dark_current_e_s: float = _number(0.1, 0.0, 1e5)
    hot_pixel_fraction: float = _number(2e-4, 0.0, 0.1)
    efficiency: float = _number(0.5, 0.001, 1.0)
    readout_s: float = _number(0.05, 0.0, 60.0)
    compression: str = _choice("", "", "z", "fz")
    guide_width_px: int = field(default=0, metadata={"low": 0, "high": 16384})
    guide_height_px: int = field(default=0, metadata={"low": 0, "high": 16384})
    binning_left: int = field(default=1, metadata={"low": 1, "high": 4})
    window_left: bool = False
    solar_filter: bool = False
    solar_filter_density: float = _number(5.0, 0.0, 10.0)
    glare_fraction: float = _number(0.01, 0.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyTruth:
    """The air's blur and glow.

    ``moffat_beta`` 0: a Gaussian star.  ``brightness_mag_arcsec2`` is the night's; ``daylight``
    adds what the Sun does to it, and the Sun, the Moon and three planets.
    """

    seeing_fwhm_arcsec: float = _number(3.0, 0.0, 60.0)
    optics_fwhm_um: float = _number(9.0, 0.0, 200.0)
    moffat_beta: float = _number(0.0, 0.0, 10.0)
    brightness_mag_arcsec2: float = _number(20.5, -10.0, 30.0)
    faintest_mag: float = _number(10.0, -2.0, 30.0)
    horizon_altitude_deg: float = _number(0.0, -90.0, 90.0)
    daylight: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTruth:
    """A phone or another attitude sensor that is clamped to the polar axis.

    ``hold``: ``along`` (its y toward the elevated pole, its z up) or ``square`` (its z toward the
    pole, its y up).  The bracket holds that side ``bracket_pitch_deg`` too high and
    ``bracket_yaw_deg`` too far east of the axis, and is turned about it by ``bracket_roll_deg``
    (right-handed about the elevated end).  ``turns_with_axis``: it sits on what turns in right
    ascension.  ``iron_*_ut`` is the field of what is magnetic in the sensor or its clamp, in its
    own frame; noises are per reading and component.
    """

    fitted: bool = True
    hold: str = _choice("along", "along", "square")
    turns_with_axis: bool = False
    bracket_pitch_deg: float = _number(0.0, -45.0, 45.0)
    bracket_yaw_deg: float = _number(0.0, -45.0, 45.0)
    bracket_roll_deg: float = _number(0.0, -360.0, 360.0)
    gravity_noise_ms2: float = _number(0.0, 0.0, 10.0)
    field_noise_ut: float = _number(0.0, 0.0, 100.0)
    iron_x_ut: float = _number(0.0, -1000.0, 1000.0)
    iron_y_ut: float = _number(0.0, -1000.0, 1000.0)
    iron_z_ut: float = _number(0.0, -1000.0, 1000.0)
    rate_hz: float = _number(10.0, 0.1, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultsTruth:
    """Faults of the camera and the sky that are on from the start.

    ``blob_is_torn``: half of each picture's file is missing.  ``satellite``: a bright one crosses
    every picture.
    """

    camera_never_delivers: bool = False
    blob_is_junk: bool = False
    blob_is_torn: bool = False
    black_frame: bool = False
    clouds: bool = False
    satellite: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """All truths together."""

    seed: int = 0
    site: SiteTruth = field(default_factory=SiteTruth)
    clock: ClockTruth = field(default_factory=ClockTruth)
    mount: MountTruth = field(default_factory=MountTruth)
    bolts: BoltsTruth = field(default_factory=BoltsTruth)
    camera: CameraTruth = field(default_factory=CameraTruth)
    sky: SkyTruth = field(default_factory=SkyTruth)
    sensor: SensorTruth = field(default_factory=SensorTruth)
    faults: FaultsTruth = field(default_factory=FaultsTruth)


SITES = {
    "south": SiteTruth(),
    "north": SiteTruth(
        name="Juniper Yard", latitude_deg=47.00, longitude_deg=8.00, elevation_m=450.0
    ),
}


def invent(seed: int, site: str = "south") -> Scenario:
    """Draw an evening from a seed.

    Parameters
    ----------
    seed : int
        Everything hidden follows from it.
    site : str
        ``"south"`` (Thornveld Terrace) or ``"north"`` (Juniper Yard).

    Returns
    -------
    Scenario
        Axis 0.5 to 3 deg from the true pole in any direction, with the faults of a portable
        mount.

    Raises
    ------
    ScenarioError
        Unknown site.
    """
    if site not in SITES:
        raise ScenarioError(f"site: {site!r} is not one of {', '.join(SITES)}")
    place = SITES[site]
    rng = np.random.default_rng(seed)
    total_deg = rng.uniform(0.5, 3.0)
    # Away from the cardinal directions: both bolts shall have work.
    direction_rad = math.radians(90.0 * rng.integers(4) + rng.uniform(20.0, 70.0))
    altitude_deg, azimuth_deg = _axis_error(place, total_deg, direction_rad)

    def flip() -> bool:
        return bool(rng.random() < 0.5)

    focal_mm = 120.0
    return Scenario(
        seed=seed,
        site=place,
        mount=MountTruth(
            axis_altitude_error_deg=altitude_deg,
            axis_azimuth_error_deg=azimuth_deg,
            base_tilt_deg=rng.uniform(0.0, 2.0),
            base_tilt_azimuth_deg=rng.uniform(0.0, 360.0),
            cone_arcmin=rng.normal(0.0, 12.0),
            non_perpendicularity_arcmin=rng.normal(0.0, 3.0),
            ra_index_arcmin=rng.normal(0.0, 40.0),
            dec_index_arcmin=rng.normal(0.0, 40.0),
            ra_backlash_arcsec=rng.uniform(10.0, 60.0),
            dec_backlash_arcsec=rng.uniform(10.0, 90.0),
            periodic_error_arcsec=rng.uniform(3.0, 20.0),
            worm_phase_deg=rng.uniform(0.0, 360.0),
        ),
        bolts=BoltsTruth(
            azimuth_arcmin_per_turn=rng.uniform(40.0, 120.0),
            altitude_arcmin_per_turn=rng.uniform(30.0, 90.0),
            azimuth_clockwise="east" if flip() else "west",
            altitude_clockwise="raises" if flip() else "lowers",
            azimuth_backlash_turns=rng.uniform(0.0, 0.08),
            altitude_backlash_turns=rng.uniform(0.0, 0.05),
            motor_azimuth_sign=1.0 if flip() else -1.0,
            motor_altitude_sign=1.0 if flip() else -1.0,
        ),
        camera=CameraTruth(
            focal_length_mm=focal_mm * (1.0 + rng.normal(0.0, 0.005)),
            told_focal_length_mm=focal_mm,
            roll_deg=rng.uniform(-180.0, 180.0),
        ),
        sky=SkyTruth(seeing_fwhm_arcsec=rng.uniform(2.0, 4.0)),
        # Keyword arguments are drawn in order: new ones go to the end, and old seeds stay.
        sensor=SensorTruth(
            bracket_pitch_deg=rng.normal(0.0, 0.7),
            bracket_yaw_deg=rng.normal(0.0, 0.7),
            bracket_roll_deg=rng.normal(0.0, 3.0),
            gravity_noise_ms2=0.02,
            field_noise_ut=0.5,
            iron_x_ut=rng.normal(0.0, 0.4),
            iron_y_ut=rng.normal(0.0, 0.4),
            iron_z_ut=rng.normal(0.0, 0.4),
        ),
    )


def _axis_error(place: SiteTruth, total_deg: float, direction_rad: float) -> tuple[float, float]:
    """Return the altitude and azimuth error (deg) of an axis that far from the pole."""
    pole_alt = math.radians(abs(place.latitude_deg))
    total = math.radians(total_deg)
    # Spherical triangle zenith - pole - axis; direction counted from the zenith toward east.
    altitude = math.asin(
        math.sin(pole_alt) * math.cos(total)
        + math.cos(pole_alt) * math.sin(total) * math.cos(direction_rad)
    )
    azimuth = math.atan2(
        math.sin(total) * math.sin(direction_rad),
        math.cos(pole_alt) * math.cos(total)
        - math.sin(pole_alt) * math.sin(total) * math.cos(direction_rad),
    )
    return math.degrees(altitude - pole_alt), math.degrees(azimuth)
