"""The sky simulator without its wire: pictures as bytes, as fast as they can be drawn.

For benchmarks and tests that need many frames: time passes only when something takes time.
"""

from datetime import UTC, datetime

from polewright.core.sky.place import Place
from polewright_drivers.sky_simulator import fits
from polewright_drivers.sky_simulator.axes import Place as MountPlace
from polewright_drivers.sky_simulator.rendering import Readout, Renderer
from polewright_drivers.sky_simulator.rig import Rig, Truth
from polewright_drivers.sky_simulator.scenario import Scenario

_STEP_S = 0.05
_KNOB_TURNS_S = 0.5


class SimulatedObservatory:
    """One scenario, driven by hand."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self._now_s = scenario.clock.start().timestamp()
        self.rig = Rig(scenario, lambda: self._now_s)
        self._renderer = Renderer(scenario.camera, scenario.sky, scenario.seed)

    @property
    def place(self) -> Place:
        """The site as the daemon knows it."""
        site = self.scenario.site
        return Place(
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            elevation_m=site.elevation_m,
            pressure_hpa=site.station_pressure_hpa,
            temperature_c=site.temperature_c,
            relative_humidity=site.relative_humidity,
            wavelength_um=site.wavelength_um,
        )

    @property
    def now(self) -> datetime:
        """The simulated instant."""
        return datetime.fromtimestamp(self._now_s, UTC)

    def wait(self, duration_s: float) -> None:
        """Let time pass."""
        end_s = self._now_s + duration_s
        while self._now_s < end_s:
            self._now_s = min(self._now_s + _STEP_S, end_s)
            self.rig.advance()

    def go_to(self, hour_angle_deg: float, declination_deg: float) -> None:
        """Point the mount and track, and wait until it stands."""
        place = MountPlace(hour_angle_deg=hour_angle_deg, declination_deg=declination_deg)
        self.rig.axes.go_to(place, track=True)
        while self.rig.axes.slewing:
            self.wait(0.5)

    def turn(self, *, altitude_turns: float = 0.0, azimuth_turns: float = 0.0) -> None:
        """Turn the knobs (clockwise positive) and wait until they rest."""
        self.rig.altitude_bolt.turn(altitude_turns, _KNOB_TURNS_S)
        self.rig.azimuth_bolt.turn(azimuth_turns, _KNOB_TURNS_S)
        while self.rig.altitude_bolt.moving or self.rig.azimuth_bolt.moving:
            self.wait(0.2)

    def truth(self) -> Truth:
        """Return where the axis really points."""
        return self.rig.truth()

    def picture(self, exposure_s: float, *, clouds: bool = False) -> bytes:
        """Expose and return a FITS file."""
        camera = self.scenario.camera
        exposure, start_s = self.rig.begin_exposure()
        self.wait(exposure_s)
        self.rig.end_exposure(exposure)
        trails = self.rig.trails(exposure, start_s, exposure_s)
        whole = Readout(left_px=0, top_px=0, width_px=camera.width_px, height_px=camera.height_px)
        pixels = self._renderer.read(
            self._renderer.expected(trails, exposure_s, clouds=clouds), whole
        )
        start = datetime.fromtimestamp(start_s, UTC).replace(tzinfo=None)
        cards: dict[str, tuple[fits.Value, str]] = {
            "DATE-OBS": (start.isoformat(timespec="microseconds"), "UTC start of exposure"),
            "EXPTIME": (exposure_s, "[s] exposure time"),
            "FOCALLEN": (camera.told_focal_length_mm, "[mm] as told"),
            "XPIXSZ": (camera.pixel_size_um, "[um]"),
            "YPIXSZ": (camera.pixel_size_um, "[um]"),
        }
        if camera.bayer_pattern:
            cards["BAYERPAT"] = (camera.bayer_pattern, "colour filters")
        return fits.encode(pixels, cards)
