"""Where the axis was last seen: by a survey, or by a correction while bolts were turned."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from polewright.core.axis.correction import correct
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between, enu_from_altaz
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.session.known_axis import HOLDS, KnownAxis

NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


@pytest.mark.parametrize("latitude_deg", [-32.4, 47.0])
def test_a_correction_gives_back_the_axis_and_how_well_it_is_known(latitude_deg):
    place = Place(latitude_deg=latitude_deg, longitude_deg=8.0)
    azimuth = np.pi if place.south else 0.0
    axis = enu_from_altaz(abs(place.latitude_rad) + 0.01, azimuth + 0.02)
    covariance = np.diag([(0.3 * ARCMIN_RAD) ** 2, (0.2 * ARCMIN_RAD) ** 2])
    correction = correct(
        axis, covariance, pole_enu(place, refracted=True), tolerance_rad=ARCMIN_RAD,
        trustworthy=True,
    )  # fmt: skip
    known = KnownAxis.corrected(correction, NIGHT)
    assert angle_between(known.axis_enu, axis) < 1e-7
    np.testing.assert_allclose(known.covariance_rad2, covariance, rtol=0.02, atol=1e-12)


def test_it_holds_for_an_evening_and_not_before_it_was_seen():
    known = KnownAxis(axis_enu=np.array([0.0, 0.6, 0.8]), covariance_rad2=np.eye(2), instant=NIGHT)
    assert known.holds(NIGHT + timedelta(hours=3))
    assert not known.holds(NIGHT + HOLDS + timedelta(seconds=1))
    assert not known.holds(NIGHT - timedelta(seconds=1))
