"""Drift against a mount turned by scipy, the classical rules, and its own claimed sigmas."""

import math
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from polewright.core.axis.drift import (
    DRIFT_PER_ERROR_PER_S,
    SOLAR_RATE_RAD_S,
    DriftTrack,
    Wander,
    classical_drift,
    solve_drift,
)
from polewright.core.axis.drift_monitor import DriftMonitor
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    angle_between,
    enu_from_altaz,
    sky_tangents,
    vector_from_spherical,
)
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.instant import local_apparent_sidereal_time
from polewright.core.sky.observed import ObservingMoment, pole_enu
from polewright.core.sky.place import Place
from tests.full_run import trials

YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
TERRACE = Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0)
DAY = datetime(2026, 5, 14, 9, 0, tzinfo=UTC)
WIDE = np.eye(2) * math.radians(2.0) ** 2


@cache
def _star(place, hour_deg, dec_deg, duration_s, step_s):
    """Observed directions of a fixed star that stands at this hour angle half way."""
    sidereal = local_apparent_sidereal_time(DAY, place.longitude_deg)
    moment = ObservingMoment.at(place, DAY)
    star = moment.icrs_from_of_date(sidereal - math.radians(hour_deg), math.radians(dec_deg))
    times = _times(duration_s, step_s)
    return times, [ObservingMoment.at(place, t).enu_from_icrs(star) for t in times]


@cache
def _sun(place, duration_s, step_s):
    times = _times(duration_s, step_s)
    return times, [body_place(Body.SUN, place, t).direction_enu for t in times]


def _times(duration_s, step_s):
    return [
        DAY + timedelta(seconds=float(s))
        for s in np.arange(-0.5 * duration_s, 0.5 * duration_s + 0.1, step_s)
    ]


def _wanders(
    place, axis, target, *, rate=SIDEREAL_RATE_RAD_S, noise=None, sigma=1.0, periodic=None
):
    """What a camera sees on a mount that turns about ``axis``; noise (n x 2) in rad."""
    times, directions = target
    north_end = -axis if place.south else axis
    seconds = np.array([(t - times[0]).total_seconds() for t in times])
    seen = Rotation.from_rotvec(np.outer(rate * seconds, north_end)).apply(np.array(directions))
    middle = seen[len(seen) // 2]
    west = np.cross(middle, north_end)
    west /= np.linalg.norm(west)
    north = np.cross(west, middle)
    noise = np.zeros((len(times), 2)) if noise is None else noise
    extra = np.zeros(len(times)) if periodic is None else periodic(seconds)
    return [
        Wander(
            instant=t,
            direction_enu=direction,
            west_rad=float(there @ west + more + n[0]),
            north_rad=float(there @ north + n[1]),
            sigma_rad=sigma * ARCSEC_RAD,
        )
        for t, direction, there, n, more in zip(times, directions, seen, noise, extra, strict=True)
    ]


def _axis(place, sideways_arcmin, up_arcmin):
    pole = pole_enu(place, refracted=False)
    one, other = sky_tangents(pole)
    axis = pole + ARCMIN_RAD * (sideways_arcmin * one + up_arcmin * other)
    return axis / np.linalg.norm(axis)


def _solve(place, tracks, before=WIDE):
    return solve_drift(tracks, pole_enu(place, refracted=False), before, south=place.south)


def test_the_constants_are_the_classical_ones():
    """Source: computed, 2 pi over 1436.07 min; 3.81 as quoted from Hook, JBAA 99, 1989."""
    per_minute = DRIFT_PER_ERROR_PER_S * 60.0 * 60.0
    assert per_minute == pytest.approx(0.26252, abs=1e-5)
    assert 1.0 / per_minute == pytest.approx(3.8093, abs=1e-4)
    _, north = classical_drift(ARCMIN_RAD, 0.0, 0.0, 0.0)
    assert abs(north) * 60.0 / ARCSEC_RAD == pytest.approx(0.26252, abs=1e-5)


@pytest.mark.parametrize("place", [YARD, TERRACE], ids=["north", "south"])
def test_the_exact_drift_becomes_the_classical_one_for_small_errors(place):
    """Airless, one minute: west and north within a hundredth of the first-order formula."""
    airless = Place(latitude_deg=place.latitude_deg, longitude_deg=8.0, pressure_hpa=0.0)
    for hour, dec in ((-60.0, 20.0), (0.0, 20.0), (45.0, -30.0)):
        target = _star(airless, hour, dec, 60.0, 60.0)
        axis = _axis(airless, 3.0, -2.0)
        first, last = _wanders(airless, axis, target)
        # The classical terms are of the north end, and across to the east in both hemispheres:
        # where the axis points south, growing azimuth is west for one end and east for the other.
        east, up = (3.0, 2.0) if airless.south else (3.0, -2.0)
        expected = classical_drift(
            east * ARCMIN_RAD, up * ARCMIN_RAD, math.radians(hour), math.radians(dec)
        )
        got = ((last.west_rad - first.west_rad) / 60.0, (last.north_rad - first.north_rad) / 60.0)
        np.testing.assert_allclose(got, expected, atol=0.02 * abs(max(expected, key=abs)))


@pytest.mark.parametrize("place", [YARD, TERRACE], ids=["north", "south"])
@pytest.mark.parametrize("error", [(5.0, -3.0), (-60.0, 45.0), (150.0, 90.0)])
def test_two_targets_without_noise_give_the_axis_exactly_at_any_size(place, error):
    axis = _axis(place, *error)
    tracks = [
        DriftTrack(wanders=_wanders(place, axis, _star(place, hour, 10.0, 600.0, 20.0), sigma=0.01))
        for hour in (0.0, 75.0)
    ]
    estimate = _solve(place, tracks)
    assert angle_between(estimate.axis_enu, axis) < 0.5 * ARCSEC_RAD


@pytest.mark.parametrize("rate", [SIDEREAL_RATE_RAD_S, SOLAR_RATE_RAD_S])
def test_the_suns_own_motion_and_rate_are_no_error_of_the_axis(rate):
    """A perfect mount on the Sun: its declination moves by 0.6 arcsec a minute in May."""
    axis = _axis(YARD, 0.0, 0.0)
    wanders = _wanders(YARD, axis, _sun(YARD, 900.0, 10.0), rate=rate, sigma=0.01)
    moved = (wanders[-1].north_rad - wanders[0].north_rad) / ARCSEC_RAD
    assert abs(moved) > 5.0
    estimate = _solve(YARD, [DriftTrack(wanders=wanders, rate_rad_s=rate)])
    east, up = estimate.best_direction
    one, other = sky_tangents(axis)
    off = (estimate.axis_enu - axis) @ (east * one + up * other)
    assert abs(off) < 0.5 * ARCSEC_RAD


def _red(rng, count, step_s, sigma, last_s):
    """Air that lasts: an autoregressive series of this rms (rad)."""
    keep = math.exp(-step_s / last_s)
    values = [rng.normal() * sigma]
    for _ in range(count - 1):
        values.append(keep * values[-1] + math.sqrt(1 - keep * keep) * rng.normal() * sigma)
    return np.array(values)


@pytest.mark.parametrize("lasting_arcsec", [0.0, 0.3])
def test_one_star_agrees_with_the_truth_within_two_sigma_in_95_of_100_runs(lasting_arcsec):
    """60 runs, 200 in the full run: 1 arcsec of noise, and air that lasts 20 s on top of it."""
    rng = np.random.default_rng(41)
    target = _star(YARD, -20.0, 20.0, 600.0, 4.0)
    count = len(target[0])
    inside, runs = 0, trials(60, 200)
    for _ in range(runs):
        axis = _axis(YARD, *(rng.normal(size=2) * 20.0))
        noise = rng.normal(size=(count, 2)) * ARCSEC_RAD
        noise[:, 1] += _red(rng, count, 4.0, lasting_arcsec * ARCSEC_RAD, 20.0)
        wanders = _wanders(YARD, axis, target, noise=noise)
        estimate = _solve(YARD, [DriftTrack(wanders=wanders)])
        one, other = sky_tangents(estimate.axis_enu)
        error = np.array([one @ (axis - estimate.axis_enu), other @ (axis - estimate.axis_enu)])
        values, vectors = np.linalg.eigh(estimate.covariance_rad2)
        inside += abs(vectors[:, 0] @ error) < 2.0 * math.sqrt(values[0])
        assert math.sqrt(values[0]) < 60.0 * ARCSEC_RAD
    assert inside >= 0.95 * runs


def test_the_sigma_of_ten_minutes_is_that_of_the_straight_line():
    """Source: a fitted slope's sigma, root 12 s / (omega T root n): 1 arcsec, 2 s, 600 s: 4.6;
    7 with air of 0.3 arcsec that lasts 20 s (Monte Carlo), which is always assumed."""
    rng = np.random.default_rng(5)
    target = _star(YARD, 0.0, 20.0, 600.0, 2.0)
    noise = rng.normal(size=(len(target[0]), 2)) * ARCSEC_RAD
    wanders = _wanders(YARD, _axis(YARD, 3.0, 2.0), target, noise=noise)
    track = DriftTrack(wanders=wanders, camera_angle_sigma_rad=math.radians(0.1))
    best = math.sqrt(np.linalg.eigvalsh(_solve(YARD, [track]).covariance_rad2)[0])
    assert best / ARCSEC_RAD == pytest.approx(7.0, rel=0.15)


def test_one_target_leaves_the_other_component_open_and_says_so():
    target = _star(YARD, 0.0, 20.0, 300.0, 10.0)
    noise = np.random.default_rng(8).normal(size=(len(target[0]), 2)) * ARCSEC_RAD
    wanders = _wanders(YARD, _axis(YARD, 5.0, 5.0), target, noise=noise)
    estimate = _solve(YARD, [DriftTrack(wanders=wanders)])
    assert estimate.sigma_rad > math.radians(0.5)
    # Near the meridian the drift shows the azimuth.
    assert abs(estimate.best_direction[0]) > 0.99


def test_a_known_worm_lets_right_ascension_tell_the_other_component():
    rng = np.random.default_rng(6)
    target = _star(YARD, -10.0, 60.0, 960.0, 4.0)
    axis = _axis(YARD, 6.0, -8.0)

    def worm(seconds):
        return 10.0 * ARCSEC_RAD * np.sin(2 * np.pi * seconds / 480.0 + 0.7)

    noise = rng.normal(size=(len(target[0]), 2)) * 0.5 * ARCSEC_RAD
    wanders = _wanders(YARD, axis, target, noise=noise, periodic=worm)
    without = _solve(YARD, [DriftTrack(wanders=wanders)])
    known = _solve(YARD, [DriftTrack(wanders=wanders, worm_period_s=480.0)])
    assert known.sigma_rad < 0.3 * without.sigma_rad
    one, other = sky_tangents(axis)
    error = known.axis_enu - axis
    mahalanobis = np.array([one @ error, other @ error])
    assert mahalanobis @ np.linalg.solve(known.covariance_rad2, mahalanobis) < 9.0


def _sigmas_arcsec(estimate):
    return np.sqrt(np.linalg.eigvalsh(estimate.covariance_rad2)) / ARCSEC_RAD


def test_tracks_with_and_without_a_known_worm_add_up_in_any_order():
    """The law: more looks are never worse, and which track came first tells nothing."""
    rng = np.random.default_rng(16)
    axis = _axis(YARD, 6.0, -8.0)

    def looks(hour, dec):
        """Three times the scatter that is promised: it has to be found each way."""
        target = _star(YARD, hour, dec, 960.0, 20.0)
        noise = rng.normal(size=(len(target[0]), 2)) * 3.0 * ARCSEC_RAD
        return _wanders(YARD, axis, target, noise=noise)

    worm = DriftTrack(wanders=looks(-10.0, 60.0), worm_period_s=480.0)
    plain = DriftTrack(wanders=looks(40.0, 10.0))
    both, turned = _solve(YARD, [worm, plain]), _solve(YARD, [plain, worm])
    np.testing.assert_allclose(turned.covariance_rad2, both.covariance_rad2, rtol=1e-6)
    assert angle_between(turned.axis_enu, both.axis_enu) < 0.01 * ARCSEC_RAD
    for alone in ([worm], [plain]):
        assert _solve(YARD, alone).sigma_rad > both.sigma_rad
    error = np.stack(sky_tangents(both.axis_enu)) @ (axis - both.axis_enu)
    assert error @ np.linalg.solve(both.covariance_rad2, error) < 9.0


@pytest.mark.parametrize("place", [YARD, TERRACE], ids=["north", "south"])
def test_the_columns_of_the_equations_are_what_another_axis_does_to_the_offsets(place):
    """The law of a linearisation, both ways: an axis 20 arcsec off changes the offsets so."""
    wanders = _wanders(place, _axis(place, 3.0, 2.0), _star(place, -30.0, 40.0, 600.0, 60.0))
    track = DriftTrack(wanders=wanders, worm_period_s=480.0).prepared()
    pole = pole_enu(place, refracted=False)
    matrix, off, _, _ = track.equations(pole, place.south)
    for way in (0, 1):
        step = 20.0 * ARCSEC_RAD
        moved = pole + step * sky_tangents(pole)[way]
        _, off_2, _, _ = track.equations(moved / np.linalg.norm(moved), place.south)
        scale = np.max(np.abs(off - off_2))
        np.testing.assert_allclose(matrix[:, way] * step, off - off_2, atol=2e-3 * scale)
        for rows in (slice(0, len(wanders)), slice(len(wanders), None)):
            assert np.ptp(matrix[rows, way]) > 1e-4, "both ways drift"


def _flat_sigma_arcsec(count, noise_arcsec, *, duration_s=600.0):
    """Of the axis where drift tells it best, for looks that promise 1 arcsec each."""
    target = _star(YARD, 0.0, 20.0, duration_s, duration_s / (count - 1))
    noise = np.random.default_rng(5).normal(size=(count, 2)) * noise_arcsec * ARCSEC_RAD
    wanders = _wanders(YARD, _axis(YARD, 3.0, 2.0), target, noise=noise)
    track = DriftTrack(wanders=wanders, camera_angle_sigma_rad=1e-6)
    return _sigmas_arcsec(_solve(YARD, [track]))[0]


def test_looks_that_scatter_by_more_than_they_promise_are_as_good_as_they_scatter():
    """Source: a fitted slope's sigma, root 12 s / (omega T root n)."""
    for noise_arcsec in (5.0, 20.0):
        line = math.sqrt(12.0) * noise_arcsec / (SIDEREAL_RATE_RAD_S * 600.0 * math.sqrt(61.0))
        assert _flat_sigma_arcsec(61, noise_arcsec) == pytest.approx(line, rel=0.25)


def test_the_scatter_of_fewer_than_eight_free_looks_is_not_believed():
    """Ten looks less offset, camera's angle and the axis: seven. Eleven leave eight."""
    assert _flat_sigma_arcsec(10, 1.0) == pytest.approx(_flat_sigma_arcsec(10, 5.0), rel=0.05)
    assert _flat_sigma_arcsec(11, 5.0) > 4.0 * _flat_sigma_arcsec(11, 1.0)


def test_a_short_track_before_a_long_one_does_not_hide_the_long_ones_scatter():
    rng = np.random.default_rng(18)
    axis = _axis(YARD, 3.0, 2.0)
    tracks = []
    for hour, count in ((60.0, 5), (0.0, 61)):
        target = _star(YARD, hour, 20.0, 10.0 * (count - 1), 10.0)
        noise = np.zeros((count, 2))
        noise[:, 1] = _red(rng, count, 10.0, 4.0 * ARCSEC_RAD, 60.0)
        tracks.append(DriftTrack(wanders=_wanders(YARD, axis, target, noise=noise)))
    one, other = _solve(YARD, tracks), _solve(YARD, tracks[::-1])
    assert one.lasting == pytest.approx(other.lasting)
    # Air that lasts 60 s lasts over some of these looks.
    assert one.lasting > 3.0
    np.testing.assert_allclose(one.covariance_rad2, other.covariance_rad2, rtol=1e-6)


def test_the_monitor_grows_certain_and_goes_on_with_a_second_target():
    rng = np.random.default_rng(7)
    axis = _axis(TERRACE, 12.0, -9.0)
    monitor = DriftMonitor(
        axis_enu=pole_enu(TERRACE, refracted=False), covariance_rad2=WIDE, south=True,
        track=DriftTrack(wanders=()),
    )  # fmt: skip
    assert monitor.estimate() is None
    sigmas = []
    for hour in (-60.0, 30.0):
        target = _star(TERRACE, hour, -10.0, 600.0, 10.0)
        noise = rng.normal(size=(len(target[0]), 2)) * ARCSEC_RAD
        for index, wander in enumerate(_wanders(TERRACE, axis, target, noise=noise)):
            monitor.add(wander)
            if index in (20, 59):
                sigmas.append(np.linalg.eigvalsh(monitor.estimate().covariance_rad2)[0])
        monitor.next_target()
    assert sigmas[1] < 0.2 * sigmas[0]
    estimate = monitor.estimate()
    assert estimate.sigma_rad < 60.0 * ARCSEC_RAD
    assert angle_between(estimate.axis_enu, axis) < 3.0 * estimate.sigma_rad
    first, second = _wanders(TERRACE, axis, _star(TERRACE, 0.0, 0.0, 20.0, 20.0))
    monitor.add(second)
    with pytest.raises(ValueError, match="order of time"):
        monitor.add(first)


def test_a_single_picture_is_not_a_drift():
    with pytest.raises(MeasurementError) as caught:
        _solve(YARD, [DriftTrack(wanders=_wanders(YARD, _axis(YARD, 0, 0), _sun(YARD, 10, 20)))])
    assert caught.value.code == "too_few_frames"


def test_names_of_directions_are_what_they_say():
    """West is where the Sun goes to: an untracked Sun moves west."""
    times, directions = _sun(YARD, 60.0, 60.0)
    still = _wanders(YARD, _axis(YARD, 0, 0), (times, directions), rate=0.0)
    assert still[-1].west_rad > still[0].west_rad
    assert enu_from_altaz(0.0, math.pi / 2)[0] == pytest.approx(1.0)
    assert vector_from_spherical(0.0, 0.0)[0] == 1.0


def test_the_scatter_is_that_of_the_offsets_along_declination():
    """Two of 61 free looks' worth go into the fit; right ascension scatters by more."""
    target = _star(YARD, 0.0, 20.0, 600.0, 10.0)
    noise = np.random.default_rng(5).normal(size=(61, 2)) * [30.0, 4.0] * ARCSEC_RAD
    wanders = _wanders(YARD, _axis(YARD, 3.0, 2.0), target, noise=noise, sigma=1.0)
    for worm in (None, 480.0):
        found = _solve(YARD, [DriftTrack(wanders=wanders, worm_period_s=worm)])
        assert found.scatter_rad / ARCSEC_RAD == pytest.approx(
            np.std(noise[:, 1]) / ARCSEC_RAD, rel=0.1
        )
