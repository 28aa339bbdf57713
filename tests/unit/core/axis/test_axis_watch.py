"""The watch: quiet nights stay quiet, bumps are told, and what cannot be told is not."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from polewright.core.axis.axis_moved import Evidence, Seen
from polewright.core.axis.axis_watch import AxisWatch
from polewright.core.axis.guide_watch import GuideStar, GuideWatch
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    enu_from_altaz,
    sky_tangents,
)
from tests.bench.watch import Night, simulated

DUSK = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
AXIS = enu_from_altaz(math.radians(32.4), math.pi)
SURE = np.eye(2) * (15.0 * ARCSEC_RAD) ** 2


def watched(seed, night):
    frames, axis, bumped, move = simulated(np.random.default_rng(seed), night)
    watch = AxisWatch(axis_enu=axis, covariance_rad2=SURE, south=True)
    found = [(n, moved) for n, one in enumerate(frames) if (moved := watch.see(one))]
    return found, bumped, move, watch


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("night", [Night(), Night(guided=False), Night(linked=False)])
def test_dithers_go_tos_flips_bad_solves_and_sag_are_no_alarm(seed, night):
    assert watched(seed, night)[0] == []


@pytest.mark.parametrize("seed", range(6))
def test_a_bump_of_an_arcmin_is_told_within_three_frames_with_its_size(seed):
    found, bumped, move, _ = watched(3000 + seed, Night(bump_rad=ARCMIN_RAD))
    (number, moved), *_ = found
    assert bumped <= number < bumped + 3
    off = moved.move_rad - move
    assert off @ np.linalg.solve(moved.covariance_rad2, off) < 18.4
    np.testing.assert_allclose(moved.covariance_rad2, moved.covariance_rad2.T)
    assert moved.since < DUSK + timedelta(hours=12)


def test_one_frame_alone_raises_no_alarm():
    frames, axis, _, _ = simulated(np.random.default_rng(5), Night(recentring=False))
    spoiled = frames[:20]
    other, *_ = simulated(np.random.default_rng(5), Night(bump_rad=5 * ARCMIN_RAD))
    bad = next(
        one for one, good in zip(other, frames, strict=True)
        if not np.allclose(
            one.observed.enu_from_camera, good.observed.enu_from_camera, atol=30 * ARCSEC_RAD
        )
    )  # fmt: skip
    spoiled[15] = replace(bad, observed=replace(bad.observed, instant=frames[15].observed.instant))
    watch = AxisWatch(axis_enu=axis, covariance_rad2=SURE, south=True)
    assert [watch.see(one) for one in spoiled] == [None] * 20


def test_without_a_mount_a_jump_along_declination_is_counted_and_no_alarm():
    jumps = 0
    for seed in range(8):
        found, bumped, _, watch = watched(4000 + seed, Night(bump_rad=ARCMIN_RAD, linked=False))
        assert all(moved.evidence is not Evidence.JUMP for _, moved in found)
        assert all(number >= bumped for number, _ in found)
        jumps += watch.jumps
    assert jumps > 0


@pytest.mark.parametrize("arcmin", [5.0, 40.0, 150.0])
def test_a_kick_far_beyond_a_field_is_told_and_is_no_go_to(arcmin):
    told = 0
    for seed in range(6):
        found, bumped, move, _ = watched(5000 + seed, Night(bump_rad=arcmin * ARCMIN_RAD))
        near = [moved for number, moved in found if bumped <= number < bumped + 3]
        if near:
            told += 1
            assert abs(near[0].size_rad - np.hypot(*move)) < 0.1 * np.hypot(*move) + ARCMIN_RAD
    # A kick that only turns the picture, by more than half a degree, is taken for a rotator.
    assert told >= (6 if arcmin < 20.0 else 4)


def guide(norths, *, alone=True, step_s=5.0, direction=None):
    watch = GuideWatch(axis_enu=AXIS, covariance_rad2=SURE, south=True)
    direction = np.array([0.3, 0.2, 0.93]) if direction is None else direction
    direction = direction / np.linalg.norm(direction)
    found = []
    for n, north in enumerate(norths):
        star = GuideStar(
            instant=DUSK + timedelta(seconds=step_s * n),
            north_rad=float(north) * ARCSEC_RAD,
            direction_enu=direction,
            left_alone=alone,
        )
        if (moved := watch.see(star)) is not None:
            found.append((n, moved))
    return found, watch


def test_a_guide_star_that_jumps_is_told_and_one_that_was_sent_is_not():
    rng = np.random.default_rng(2)
    norths = rng.normal(size=80) * 0.5 + np.where(np.arange(80) >= 50, 60.0, 0.0)
    ((number, moved),), _ = guide(norths)
    assert (number, moved.evidence) == (52, Evidence.GUIDE_JUMP)
    assert moved.size_rad == pytest.approx(ARCMIN_RAD, rel=0.05)
    assert guide(norths, alone=False)[0] == []
    found, watch = guide(norths, alone=None)
    assert (found, watch.jumps) == ([], 1)


def test_a_single_spike_of_the_guider_is_no_jump():
    norths = np.zeros(60)
    norths[30] = 200.0
    assert guide(norths)[0] == []


def test_a_trend_as_of_another_axis_is_told_and_a_sag_is_not():
    """A star stands still over the ground here: a fixed direction asks for no drift at all."""
    pole = -AXIS

    def turned(n):
        return n * 10.0 * 7.2921e-5

    def norths(arcsec_per_min):
        return np.arange(240) * 10.0 / 60.0 * arcsec_per_min

    for rate, expected in ((0.25, 0), (2.5, 1), (-2.5, 1)):
        watch = GuideWatch(axis_enu=AXIS, covariance_rad2=SURE, south=True)
        rng = np.random.default_rng(3)
        found = []
        start = np.cross(pole, [0.0, 0.0, 1.0])
        start /= np.linalg.norm(start)
        other = np.cross(pole, start)
        for n, north in enumerate(norths(rate)):
            angle = -turned(n)
            direction = math.cos(angle) * start + math.sin(angle) * other
            star = GuideStar(
                instant=DUSK + timedelta(seconds=10.0 * n),
                north_rad=float(north + rng.normal() * 0.5) * ARCSEC_RAD,
                direction_enu=direction,
                left_alone=True,
            )
            if (moved := watch.see(star)) is not None:
                found.append(moved)
        assert bool(found) is bool(expected), rate
        if found:
            assert found[0].evidence is Evidence.GUIDE_TREND
            # 1 arcmin drifts 0.2625 arcsec a minute (see estimation of the drift).
            assert found[0].size_rad == pytest.approx(2.5 / 0.2625 * ARCMIN_RAD, rel=0.15)
            # Sag of 15 arcsec an hour passes for 57 arcsec of axis: nothing is known better.
            sag_arcsec = 15.0 / 3600.0 / 7.2921e-5
            assert found[0].size_rad / found[0].significance >= sag_arcsec * ARCSEC_RAD
            # Across it one star tells nothing: a move of the usual size is left possible there.
            way = found[0].move_rad / found[0].size_rad
            across = np.array([-way[1], way[0]])
            free_rad = math.sqrt(across @ found[0].covariance_rad2 @ across)
            assert 0.5 * ARCMIN_RAD < free_rad < 5.0 * ARCMIN_RAD
            assert sigmas_of(found[0]) == pytest.approx(found[0].significance, rel=1e-6)


def sigmas_of(moved):
    """How many sigma a move is by its own covariance."""
    return math.sqrt(moved.move_rad @ np.linalg.solve(moved.covariance_rad2, moved.move_rad))


def test_how_sure_a_jump_is_said_to_be_is_what_its_covariance_says():
    for jump in (60.0, -60.0):
        noise = np.random.default_rng(2).normal(size=80)
        ((_, moved),), _ = guide(np.where(np.arange(80) >= 50, jump, 0.0) + noise)
        assert sigmas_of(moved) == pytest.approx(moved.significance, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_bad_seeing_is_no_trend(seed):
    """Forty minutes of 6 arcsec of seeing: the scatter is in the sigma of what is gathered."""
    rng = np.random.default_rng(seed)
    watch = GuideWatch(axis_enu=AXIS, covariance_rad2=SURE, south=True)
    start = np.cross(-AXIS, [0.0, 0.0, 1.0])
    start /= np.linalg.norm(start)
    other = np.cross(-AXIS, start)
    for n in range(480):
        angle = -n * 5.0 * 7.2921e-5
        star = GuideStar(
            instant=DUSK + timedelta(seconds=5.0 * n),
            north_rad=float(rng.normal()) * 6.0 * ARCSEC_RAD,
            direction_enu=math.cos(angle) * start + math.sin(angle) * other,
            left_alone=True,
        )
        assert watch.see(star) is None


@pytest.mark.parametrize("gathered_arcsec", [6.0, 20.0])
def test_a_trend_in_bad_seeing_is_no_surer_than_a_straight_line_through_it(gathered_arcsec):
    """Source: a fitted slope's sigma, root 12 s / (omega T root n), s of a median root(pi / 2)
    times that of the mean; and what passes for sag, 57 arcsec."""
    rng = np.random.default_rng(9)
    watch = GuideWatch(axis_enu=AXIS, covariance_rad2=SURE, south=True)
    start = np.cross(-AXIS, [0.0, 0.0, 1.0])
    start /= np.linalg.norm(start)
    other = np.cross(-AXIS, start)
    found = None
    for n in range(400):
        angle = -n * 5.0 * SIDEREAL_RATE_RAD_S
        north = 15.0 * n * 5.0 / 60.0 + rng.normal() * gathered_arcsec * math.sqrt(5.0)
        star = GuideStar(
            instant=DUSK + timedelta(seconds=5.0 * n),
            north_rad=float(north) * ARCSEC_RAD,
            direction_enu=math.cos(angle) * start + math.sin(angle) * other,
            left_alone=True,
        )
        if (found := watch.see(star)) is not None:
            break
    assert found is not None
    assert found.evidence is Evidence.GUIDE_TREND
    seconds = 5.0 * n
    scatter = math.sqrt(math.pi / 2.0) * gathered_arcsec
    line = math.sqrt(12.0) * scatter / (SIDEREAL_RATE_RAD_S * seconds * math.sqrt(seconds / 25.0))
    told = found.size_rad / ARCSEC_RAD / found.significance
    assert told > 0.75 * math.hypot(line, 57.0)
    assert found.size_rad == pytest.approx(15.0 / 0.2625 * ARCMIN_RAD, abs=4.0 * line * ARCSEC_RAD)


def _ways(axis):
    """Where the telescope looks first, the declination axis, and what is across both."""
    north_end = -axis if axis is AXIS else axis
    boresight = np.cross(axis, [0.0, 0.0, 1.0])
    boresight /= np.linalg.norm(boresight)
    declination = np.cross(north_end, boresight)
    return boresight, declination, np.cross(declination, north_end)


def _still_frames(
    turns_arcsec, *, along_arcsec=None, alone=True, roll_arcsec=0.1, known=None, axis=AXIS
):
    """Frames a minute apart of a target that the mount tracks, turned across (and along
    declination) by so much, and what the watch says of them."""
    along_arcsec = np.zeros(len(turns_arcsec)) if along_arcsec is None else along_arcsec
    boresight, declination, across = _ways(axis)
    south = axis is AXIS
    north_end = -axis if south else axis
    first = np.column_stack([boresight, np.cross(axis, boresight), axis])
    known = np.eye(2) * 1e-16 if known is None else known
    watch = AxisWatch(axis_enu=axis, covariance_rad2=known, south=south)
    found = []
    for n, (turn, along) in enumerate(zip(turns_arcsec, along_arcsec, strict=True)):
        seconds = 60.0 * n
        carried = Rotation.from_rotvec(-north_end * SIDEREAL_RATE_RAD_S * seconds)
        moved = Rotation.from_rotvec((turn * across + along * declination) * ARCSEC_RAD)
        sigmas = np.array([roll_arcsec, 0.1, 0.1]) * ARCSEC_RAD
        observed = ObservedAttitude(
            enu_from_camera=(carried * moved).as_matrix() @ first,
            covariance_camera_rad2=np.diag(sigmas**2),
            instant=DUSK + timedelta(seconds=seconds),
            label=str(n),
        )
        if (moved_now := watch.see(Seen(observed=observed, left_alone=alone))) is not None:
            found.append((n, moved_now))
    return found


def test_the_scatter_of_quiet_frames_is_in_the_sigma_of_a_turn_across():
    """20 arcsec where 12 are promised: the median of two less that of ten, root(pi / 2) times a
    mean's sigma: 20 root(1.57 (1/2 + 1/10)) = 19.4 arcsec, on the average of 12 turns."""
    sigmas = []
    for seed in range(12):
        turns = np.random.default_rng(seed).normal(size=22) * 20.0 + np.where(
            np.arange(22) >= 20, 300.0, 0.0
        )
        ((number, moved), *_) = _still_frames(turns, roll_arcsec=12.0)
        assert (number, moved.evidence) == (21, Evidence.TURN)
        sigmas.append(math.sqrt(np.linalg.eigvalsh(moved.covariance_rad2)[0]) / ARCSEC_RAD)
    # The scatter of 20 frames, by their neighbours, is known to 25 percent each.
    assert np.mean(sigmas) == pytest.approx(19.4, rel=0.2)


def test_how_sure_a_jump_of_frames_is_follows_from_the_largest_dither():
    """By chance: the median of three evenly spread dithers of up to 15 arcsec each way less that
    of ten, drawn here; two figures together exceed by chance what one does, by 0.36 at 5 sigma."""
    rng = np.random.default_rng(1)
    dithers = rng.uniform(-15.0, 15.0, size=(20000, 13))
    steps = np.median(dithers[:, :3], axis=1) - np.median(dithers[:, 3:], axis=1)
    along = np.where(np.arange(14) >= 11, 60.0, 0.0)
    ((number, moved),) = _still_frames(np.zeros(14), along_arcsec=along)
    assert (number, moved.evidence) == (13, Evidence.JUMP)
    assert moved.significance == pytest.approx(60.0 / np.std(steps) - 0.36, rel=0.1)
    assert moved.size_rad == pytest.approx(ARCMIN_RAD, rel=0.01)


@pytest.mark.parametrize("way", [0, 1], ids=["azimuth", "altitude"])
def test_an_axis_that_is_not_known_well_may_turn_the_field_whichever_way_it_is_off(way):
    """A field turns by omega t times what the axis is off: 1 deg, six minutes, 94.5 arcsec."""
    known = np.eye(2) * 1e-16
    known[way, way] = math.radians(1.0) ** 2
    turns = np.where(np.arange(12) >= 10, 1200.0, 0.0)
    ((number, moved), *_) = _still_frames(turns, known=known)
    assert (number, moved.evidence) == (11, Evidence.TURN)
    # The middles of two frames and of the ten before are 360 s apart.
    turned = SIDEREAL_RATE_RAD_S * 360.0 * 3600.0
    assert moved.significance == pytest.approx(1200.0 / turned, rel=0.01)


def test_one_move_is_told_once_however_long_the_target_is_kept():
    moved = np.where(np.arange(30) >= 12, 300.0, 0.0)
    ((number, told),) = _still_frames(moved)
    assert (number, told.evidence) == (13, Evidence.TURN)
    ((number, told),) = _still_frames(np.zeros(30), along_arcsec=moved)
    assert (number, told.evidence) == (14, Evidence.JUMP)


NORTHERN = enu_from_altaz(math.radians(47.0), 0.0)


@pytest.mark.parametrize("axis", [AXIS, NORTHERN], ids=["south", "north"])
@pytest.mark.parametrize("along", [False, True])
def test_a_move_is_told_with_its_way_in_both_hemispheres(axis, along):
    """A turn w of the whole mount moves the axis by w x axis; the sky carried w on by an hour."""
    frames, first = 70, 60
    turned = np.where(np.arange(frames) >= first, 300.0, 0.0)
    _, declination, across = _ways(axis)
    if along:
        ((number, moved), *_) = _still_frames(turned * 0.0, along_arcsec=turned, axis=axis)
    else:
        ((number, moved), *_) = _still_frames(turned, axis=axis)
    north_end = -axis if axis is AXIS else axis
    carried = Rotation.from_rotvec(-north_end * SIDEREAL_RATE_RAD_S * 60.0 * number)
    turn = carried.apply(declination if along else across) * 300.0 * ARCSEC_RAD
    expected = np.stack(sky_tangents(axis)) @ np.cross(turn, axis)
    np.testing.assert_allclose(moved.move_rad, expected, atol=1.0 * ARCSEC_RAD)


def test_a_guider_that_rounds_its_offsets_to_arcsec_shows_the_same_trend():
    """Offsets that are all the same are not known any better than to the least sigma."""
    start = np.cross(-AXIS, [0.0, 0.0, 1.0])
    start /= np.linalg.norm(start)
    other = np.cross(-AXIS, start)
    watch = GuideWatch(axis_enu=AXIS, covariance_rad2=SURE, south=True)
    found = []
    for n in range(400):
        angle = -n * 5.0 * SIDEREAL_RATE_RAD_S
        star = GuideStar(
            instant=DUSK + timedelta(seconds=5.0 * n),
            north_rad=math.floor(2.5 * n * 5.0 / 60.0) * ARCSEC_RAD,
            direction_enu=math.cos(angle) * start + math.sin(angle) * other,
            left_alone=True,
        )
        if (moved := watch.see(star)) is not None:
            found.append(moved)
    assert found
    assert found[0].evidence is Evidence.GUIDE_TREND
    assert found[0].size_rad == pytest.approx(2.5 / 0.2625 * ARCMIN_RAD, rel=0.15)
