"""The magnetic field against the published test values of the World Magnetic Model 2025."""

import math
from datetime import UTC, datetime

import pytest

from polewright.core.sky.magnetic import magnetic_field
from polewright.core.sky.place import Place

# Source: NOAA/NCEI and BGS, WMM2025 test values: year, km, latitude, longitude, X, Y, Z (nT), D
# (deg).  The rows at 100 km lie above the height that a place may have.
ROWS = [
    (2025.0, 80, 0, 6521.6, 145.9, 54791.5, 1.28),
    (2025.0, 0, 120, 39677.8, -109.6, -10580.2, -0.16),
    (2025.0, -80, 240, 6117.5, 15751.9, -52022.5, 68.78),
    (2027.5, 80, 0, 6500.8, 294.5, 54869.4, 2.59),
    (2027.5, 0, 120, 39701.6, -167.4, -10381.8, -0.24),
    (2027.5, -80, 240, 6200.7, 15730.3, -51783.7, 68.49),
]


@pytest.mark.parametrize("row", ROWS)
def test_the_published_values_come_out(row):
    year, latitude, longitude, north, east, down, declination = row
    instant = (
        datetime(2025, 1, 1, tzinfo=UTC) if year == 2025.0 else datetime(2027, 7, 2, 12, tzinfo=UTC)
    )
    field = magnetic_field(Place(latitude_deg=latitude, longitude_deg=longitude), instant)
    assert field.north_nt == pytest.approx(north, abs=0.06)
    assert field.east_nt == pytest.approx(east, abs=0.06)
    assert field.up_nt == pytest.approx(-down, abs=0.06)
    assert math.degrees(field.declination_rad) == pytest.approx(declination, abs=0.006)


def test_the_sigma_grows_toward_the_magnetic_pole_and_with_the_models_age():
    """Source: NOAA's error model, root of 0.26^2 + (5417 / H)^2 deg: 0.38 deg at 20000 nT."""
    now = datetime(2026, 11, 25, tzinfo=UTC)
    here = magnetic_field(Place(latitude_deg=47.0, longitude_deg=8.0), now)
    expected = math.hypot(0.26, 5417.0 / here.horizontal_nt)
    assert math.degrees(here.declination_sigma_rad) == pytest.approx(expected, abs=1e-6)
    arctic = magnetic_field(Place(latitude_deg=80.0, longitude_deg=-90.0), now)
    assert arctic.declination_sigma_rad > 3.0 * here.declination_sigma_rad
    later = magnetic_field(
        Place(latitude_deg=47.0, longitude_deg=8.0), datetime(2036, 1, 1, tzinfo=UTC)
    )
    assert later.declination_sigma_rad > here.declination_sigma_rad + math.radians(0.5)
