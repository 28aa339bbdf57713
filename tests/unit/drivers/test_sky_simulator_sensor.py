"""The simulated sensor on the axis: gravity and field against geometry and published values."""

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from polewright_drivers.sky_simulator.magnetism import field_enu_ut, weight_ms2
from polewright_drivers.sky_simulator.mechanics import azimuth_altitude_deg, direction
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import SITES, SiteTruth
from polewright_drivers.sky_simulator.scenario_file import from_tables
from polewright_drivers.sky_simulator.sensor import Sensor
from tests.unit.drivers.wire import devices

BOTH = pytest.mark.parametrize("site", ["south", "north"])
HELD = pytest.mark.parametrize(
    ("hold", "axis"), [("along", [0.0, 1.0, 0.0]), ("square", [0.0, 0.0, 1.0])]
)
YEAR_S = {
    2025.0: datetime(2025, 1, 1, tzinfo=UTC).timestamp(),
    2027.5: datetime(2027, 7, 2, 12, tzinfo=UTC).timestamp(),
}


def sensor_of(site: str, **tables) -> tuple[Sensor, Rig]:
    scenario = from_tables({"site_name": site, **tables})
    rig = Rig(scenario, scenario.clock.start().timestamp)
    return Sensor(rig), rig


def pointing_deg(sensor: Sensor, rig: Rig, axis) -> tuple[float, float]:
    """Return true azimuth and altitude of an axis of the sensor, by gravity and field alone."""
    gravity, field, _ = sensor.read()
    up = gravity / np.linalg.norm(gravity)
    east = np.cross(field, up)
    east /= np.linalg.norm(east)
    north = np.cross(up, east)
    axis = np.array(axis)
    enu = np.array([axis @ east, axis @ north, axis @ up])
    magnetic, altitude = azimuth_altitude_deg(enu)
    model = field_enu_ut(rig.scenario.site, rig.scenario.clock.start().timestamp())
    return (magnetic + math.degrees(math.atan2(model[0], model[1]))) % 360.0, altitude


@BOTH
@HELD
def test_a_perfect_bracket_shows_the_pole(site, hold, axis):
    """The elevated pole stands at the latitude, due north or south."""
    sensor, rig = sensor_of(site, sensor={"hold": hold})
    azimuth, altitude = pointing_deg(sensor, rig, axis)
    assert altitude == pytest.approx(abs(SITES[site].latitude_deg), abs=1e-6)
    due = 0.0 if site == "north" else 180.0
    assert (azimuth - due + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


@BOTH
@HELD
def test_the_sensor_follows_the_axis_and_the_bolts(site, hold, axis):
    faulty = {"axis_altitude_error_deg": 1.5, "axis_azimuth_error_deg": -4.0,
              "base_tilt_deg": 2.0, "base_tilt_azimuth_deg": 70.0}  # fmt: skip
    sensor, rig = sensor_of(site, sensor={"hold": hold}, mount=faulty)
    truth = rig.truth()
    azimuth, altitude = pointing_deg(sensor, rig, axis)
    assert altitude == pytest.approx(truth.axis_alt_deg, abs=1e-6)
    assert azimuth == pytest.approx(truth.axis_az_deg, abs=1e-6)


@BOTH
@HELD
def test_a_bracket_holds_it_too_high_and_too_far_east(site, hold, axis):
    away = {"hold": hold, "bracket_pitch_deg": 2.0, "bracket_yaw_deg": 3.0}
    sensor, rig = sensor_of(site, sensor=away)
    azimuth, altitude = pointing_deg(sensor, rig, axis)
    latitude = abs(SITES[site].latitude_deg)
    due = 0.0 if site == "north" else 180.0
    # Three degrees on the sky are three over the cosine of the altitude in azimuth.
    assert altitude == pytest.approx(latitude + 2.0, abs=0.12)
    seen = (azimuth - due + 180.0) % 360.0 - 180.0
    east = seen if site == "north" else -seen
    assert east == pytest.approx(3.0 / math.cos(math.radians(latitude + 2.0)), abs=0.15)


def test_a_sensor_that_turns_with_the_axis_keeps_its_angle_to_it():
    away = {"turns_with_axis": True, "bracket_pitch_deg": 5.0}
    sensor, rig = sensor_of("south", sensor=away)
    axis = rig.mechanics.axis_enu(rig.joints())
    seen = []
    for motor_deg in (-90.0, -30.0, 40.0):
        rig.axes.motor_deg[0] = motor_deg
        rig.advance()
        held = direction(*pointing_deg(sensor, rig, [0.0, 1.0, 0.0]))
        assert math.degrees(math.acos(float(held @ axis))) == pytest.approx(5.0, abs=1e-4)
        seen.append(held)
    assert math.degrees(math.acos(float(seen[0] @ seen[1]))) > 4.0


def test_the_rate_of_a_sensor_on_a_tracking_axis_is_sidereal():
    """15.041 arcsec per second about y; in the south it turns the other way."""
    for site, sign in (("north", -1.0), ("south", 1.0)):
        scenario = from_tables({"site_name": site, "sensor": {"turns_with_axis": True}})
        now = [scenario.clock.start().timestamp()]
        rig = Rig(scenario, lambda now=now: now[0])
        rig.axes.track(on=True)
        sensor = Sensor(rig)
        sensor.read()
        now[0] += 10.0
        _, _, rate = sensor.read()
        assert rate * 3600.0 == pytest.approx([0.0, sign * 15.041, 0.0], abs=0.002)


@pytest.mark.parametrize(
    ("year", "latitude", "longitude", "north", "east", "down"),
    [
        (2025.0, 80.0, 0.0, 6521.6, 145.9, 54791.5),
        (2025.0, -80.0, 240.0, 6117.5, 15751.9, -52022.5),
        (2027.5, 0.0, 120.0, 39701.6, -167.4, -10381.8),
    ],
)
def test_the_field_has_the_published_values_of_the_model(
    year, latitude, longitude, north, east, down
):
    """NOAA/NCEI and BGS, WMM2025 test values (nT), at sea level."""
    site = SiteTruth(latitude_deg=latitude, longitude_deg=longitude, elevation_m=0.0)
    field = field_enu_ut(site, YEAR_S[year]) * 1000.0
    assert field == pytest.approx([east, north, -down], abs=0.1)


def test_weight_is_that_of_the_reference_ellipsoid():
    """GRS 80: 9.7803267715 at the equator, 9.8321863685 m/s^2 at the poles (Moritz 1980)."""
    at = {lat: weight_ms2(SiteTruth(latitude_deg=lat, elevation_m=0.0)) for lat in (0.0, 89.9)}
    assert at[0.0] == pytest.approx(9.7803267715, abs=1e-9)
    assert at[89.9] == pytest.approx(9.8321863685, abs=1e-6)
    high = weight_ms2(SiteTruth(latitude_deg=0.0, elevation_m=1000.0))
    assert high == pytest.approx(9.7803267715 - 0.003086, abs=1e-9)


def test_iron_and_noise_come_on_top():
    clean, _ = sensor_of("south")
    iron, _ = sensor_of("south", sensor={"iron_x_ut": 5.0, "iron_y_ut": -2.0, "iron_z_ut": 1.0})
    assert iron.read()[1] - clean.read()[1] == pytest.approx([5.0, -2.0, 1.0])
    noisy, _ = sensor_of("south", sensor={"gravity_noise_ms2": 0.02, "field_noise_ut": 0.5})
    gravity, field, _ = (np.std([noisy.read()[k] for _ in range(500)], axis=0) for k in range(3))
    assert gravity == pytest.approx([0.02] * 3, rel=0.15)
    assert field == pytest.approx([0.5] * 3, rel=0.15)


async def test_the_device_tells_at_its_rate_and_in_its_units():
    async with devices(sensor={"rate_hz": 20.0}) as wire:
        wire.said.clear()
        message = await wire.until("MAGNETIC_FIELD", lambda e: e.tag == "setNumberVector")
        assert message.get("state") == "Ok"
        assert [m.get("name") for m in message] == ["X", "Y", "Z"]
        gravity = np.array([float(v) for v in wire.last("GRAVITY").values()])
        assert np.linalg.norm(gravity) == pytest.approx(9.791, abs=0.005)
        assert gravity[1] / np.linalg.norm(gravity) == pytest.approx(
            math.sin(math.radians(32.4)), abs=1e-5
        )
