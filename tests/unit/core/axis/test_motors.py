"""Motors as learned from what they did, against rotations of vectors composed here."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.core.axis.motor_steps import (
    MotorLimits,
    MotorStep,
    next_step,
    refuse_doubtful,
    refuse_unreachable_step,
)
from polewright.core.axis.motors import (
    MotorMove,
    Motors,
    command_for,
    learned,
    predicted,
    turns_seen,
)
from polewright.core.errors import DeviceError
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    angle_between,
    enu_from_altaz,
    sky_tangents,
    unit,
)
from tests.full_run import trials

SOUTH, NORTH = -32.4, 47.0


def rodrigues(vector, axis, angle):
    """Turn a vector about a unit axis, right-handed (Rodrigues' formula)."""
    return (
        vector * math.cos(angle)
        + np.cross(axis, vector) * math.sin(angle)
        + axis * (axis @ vector) * (1.0 - math.cos(angle))
    )


class World:
    """An axis on two motors of a leaning base; what is hidden is drawn from a seed."""

    def __init__(self, latitude_deg, seed, *, off_deg=2.0, lean_deg=2.0, part=0.1, play=3.0,
                 noise_arcsec=2.0):  # fmt: skip
        self.rng = rng = np.random.default_rng(seed)
        azimuth = 0.0 if latitude_deg > 0 else math.pi
        self.pole = enu_from_altaz(math.radians(abs(latitude_deg)), azimuth)
        across = sky_tangents(self.pole)
        side, off = rng.uniform(0, 2 * math.pi), math.radians(off_deg)
        self.axis = math.cos(off) * self.pole + math.sin(off) * (
            math.cos(side) * across[0] + math.sin(side) * across[1]
        )
        side, lean = rng.uniform(0, 2 * math.pi), math.radians(lean_deg)
        self.vertical = np.array(
            [math.sin(lean) * math.cos(side), math.sin(lean) * math.sin(side), math.cos(lean)]
        )
        self.scales = rng.choice([-1.0, 1.0], 2) * (1.0 + rng.choice([-part, part], 2))
        self.play = play * ARCMIN_RAD
        self.drivers = rng.uniform(-0.5, 0.5, 2) * self.play
        self.followers = np.zeros(2)
        self.noise_rad = noise_arcsec * ARCSEC_RAD

    @property
    def covariance(self):
        return np.eye(2) * self.noise_rad**2

    @property
    def off_arcsec(self):
        return angle_between(self.axis, self.pole) / ARCSEC_RAD

    def measured(self):
        first, second = sky_tangents(self.axis)
        noise = self.rng.normal(size=2) * self.noise_rad
        return unit(self.axis + noise[0] * first + noise[1] * second)

    def step(self, commanded_deg):
        self.drivers = self.drivers + np.radians(commanded_deg) * self.scales
        before = self.followers
        self.followers = np.clip(before, self.drivers - self.play / 2, self.drivers + self.play / 2)
        azimuth, altitude = self.followers - before
        across = unit(np.cross(self.axis, self.vertical))
        self.axis = rodrigues(self.axis, across, altitude)
        self.axis = rodrigues(self.axis, self.vertical, -azimuth)


def closed_loop(world, *, goal_arcsec=5.0, most=14):
    """Approach as the session does: stop short, then the last approach; count the steps."""
    axis, limits = world.measured(), MotorLimits()
    motors, steps = Motors.new(axis), 0
    for leave_rad in (1.5 * ARCMIN_RAD, 0.0):
        while steps < most:
            if not leave_rad and angle_between(axis, world.pole) < goal_arcsec * ARCSEC_RAD:
                break
            step = next_step(
                motors, axis, world.covariance, world.pole, limits,
                worth_rad=0.5 * goal_arcsec * ARCSEC_RAD, leave_rad=leave_rad,
                go_back=angle_between(axis, world.pole) > 2.0 * goal_arcsec * ARCSEC_RAD,
            )  # fmt: skip
            if step is None:
                break
            refuse_unreachable_step(step, motors, limits)
            world.step(step.commanded_deg)
            steps += 1
            after = world.measured()
            taught = learned(
                motors,
                MotorMove(commanded_deg=step.commanded_deg, before_enu=axis, after_enu=after,
                          covariance_rad2=2.0 * world.covariance),
            )  # fmt: skip
            refuse_doubtful(motors, taught)
            motors, axis = taught, after
    return motors, steps


@pytest.mark.parametrize("latitude_deg", [SOUTH, NORTH])
def test_any_awkward_adjuster_reaches_the_pole_in_eight_steps(latitude_deg):
    """2 deg off, reversed or not, 10 % off in scale, 3 arcmin of play, a base leaning by 2 deg."""
    steps, ends = [], []
    for seed in range(trials(4, 8)):
        world = World(latitude_deg, seed)
        _, made = closed_loop(world)
        steps.append(made)
        ends.append(world.off_arcsec)
    assert max(steps) <= 8
    assert np.median(steps) <= 6
    assert max(ends) < 10.0


def moved(world, motors, commanded_deg):
    before = world.measured()
    world.step(commanded_deg)
    return learned(
        motors,
        MotorMove(commanded_deg=commanded_deg, before_enu=before, after_enu=world.measured(),
                  covariance_rad2=2.0 * world.covariance),
    )  # fmt: skip


def test_signs_scales_and_play_are_learned_within_what_is_claimed():
    world = World(NORTH, 3, noise_arcsec=1.0)
    motors = Motors.new(world.measured())
    for commanded in (
        (0.15, 0.0), (0.0, 0.15), (1.0, 0.8), (0.4, 0.3), (-0.3, -0.4), (0.2, 0.2), (0.5, 0.5),
    ):  # fmt: skip
        motors = moved(world, motors, commanded)
    for index in range(2):
        scale, play = motors.scales[index], motors.plays_rad[index]
        assert math.copysign(1.0, scale) == math.copysign(1.0, world.scales[index])
        of_ln = math.sqrt(motors.covariance[3 * index, 3 * index])
        assert abs(math.log(scale / world.scales[index])) < max(4.0 * of_ln, 1e-3)
        # A lean of the base forward acts like another scale of the azimuth motor.
        assert of_ln < (0.1, 0.01)[index]
        of_both = motors.covariance[3 * index + 1 : 3 * index + 3, 3 * index + 1 : 3 * index + 3]
        of_play = math.sqrt(float(of_both.sum()))
        assert abs(play - world.play) < 4.0 * of_play
        assert of_play < 0.3 * ARCMIN_RAD


def test_a_prediction_is_as_good_as_it_says():
    """Over many adjusters: squared miss over claimed variance, 2 degrees of freedom each.

    Beforehand more play is thought possible than these have, so it may claim too little.
    """
    chi2 = []
    for seed in range(trials(10, 20)):
        world = World(SOUTH if seed % 2 else NORTH, seed, noise_arcsec=1.0)
        motors = Motors.new(world.measured())
        for commanded in ((0.2, 0.0), (0.0, 0.2), (0.7, 0.6)):
            motors = moved(world, motors, commanded)
        expected, spread = predicted(motors, world.axis, (-0.4, 0.3))
        world.step((-0.4, 0.3))
        missing = np.stack(sky_tangents(expected)) @ (world.axis - expected)
        chi2.append(float(missing @ np.linalg.solve(spread, missing)))
    assert 0.1 < np.mean(chi2) < 3.0
    assert max(chi2) < 25.0


def test_a_command_goes_through_the_play_that_its_sense_needs():
    world = World(NORTH, 5, play=6.0, noise_arcsec=0.5)
    motors = Motors.new(world.measured())
    for commanded in ((0.3, 0.0), (0.0, 0.3), (0.8, 0.8), (-0.6, -0.6), (0.6, 0.6), (0.3, 0.3)):
        motors = moved(world, motors, commanded)
    on = command_for(motors, (ARCMIN_RAD * world.scales[0] / abs(world.scales[0]), 0.0))
    back = command_for(motors, (-ARCMIN_RAD * world.scales[0] / abs(world.scales[0]), 0.0))
    scale = abs(world.scales[0])
    assert abs(on[0]) * 60.0 == pytest.approx(1.0 / scale, abs=0.1)
    assert abs(back[0]) * 60.0 == pytest.approx(7.0 / scale, abs=0.4)


def step_of(world, motors, axis=None):
    axis = world.axis if axis is None else axis
    return next_step(motors, axis, world.covariance, world.pole, MotorLimits(), worth_rad=1e-5)


def test_first_steps_are_small_alone_and_grow_while_nothing_moves():
    world = World(NORTH, 1)
    motors = Motors.new(world.axis)
    sizes = []
    while True:
        try:
            step = step_of(world, motors)
        except DeviceError as refused:
            code = refused.code
            break
        assert step is not None
        assert step.learning
        assert (step.azimuth_deg == 0.0) != (step.altitude_deg == 0.0)
        sizes.append(abs(step.azimuth_deg + step.altitude_deg))
        motors = learned(
            motors,
            MotorMove(commanded_deg=step.commanded_deg, before_enu=world.axis,
                      after_enu=world.axis, covariance_rad2=world.covariance),
        )  # fmt: skip
    assert code == "motor_stuck"
    assert 0.1 <= sizes[0] <= 0.2
    assert sizes[-1] == pytest.approx(0.8)
    assert len(sizes) <= 4
    assert sorted(sizes) == sizes


def test_a_play_wider_than_the_first_step_is_passed():
    world = World(SOUTH, 2, play=8.0)
    _, steps = closed_loop(world)
    assert steps <= 12
    assert world.off_arcsec < 10.0


def test_nothing_is_done_where_nothing_is_worth_doing():
    world = World(NORTH, 1, off_deg=1.0 / 3600.0)
    assert step_of(world, Motors.new(world.axis)) is None


def test_what_is_too_far_is_refused_before_anything_moves():
    world = World(NORTH, 1, off_deg=6.0)
    with pytest.raises(DeviceError) as caught:
        step_of(world, Motors.new(world.axis))
    assert caught.value.code == "adjuster_too_far"
    motors = moved(World(NORTH, 1), Motors.new(world.axis), (3.0, 0.0))
    with pytest.raises(DeviceError):
        refuse_unreachable_step(MotorStep(azimuth_deg=2.1, altitude_deg=0.0), motors, MotorLimits())


@pytest.mark.parametrize(
    ("altitude_arcmin", "azimuth_arcmin", "refused"),
    [(60.0, 12.0, False), (60.0, 24.0, True), (1.5, 0.8, False), (1.5, 3.0, True)],
)
def test_a_lean_takes_part_of_a_step_aside_and_another_motor_takes_all(
    altitude_arcmin, azimuth_arcmin, refused
):
    """A third of the step, or a minute of arc that anything may do, is no exchanged cable."""
    high, wide = math.radians(32.4), math.pi
    axis = enu_from_altaz(high, wide)
    after = enu_from_altaz(high + altitude_arcmin * ARCMIN_RAD, wide + azimuth_arcmin * ARCMIN_RAD)
    motors = Motors.new(axis)
    move = MotorMove(
        commanded_deg=(0.0, altitude_arcmin / 60.0),
        before_enu=axis,
        after_enu=after,
        covariance_rad2=np.eye(2) * (2.0 * ARCSEC_RAD) ** 2,
    )
    if not refused:
        refuse_doubtful(motors, learned(motors, move))
        return
    with pytest.raises(DeviceError) as caught:
        refuse_doubtful(motors, learned(motors, move))
    assert caught.value.code == "wrong_motor"


@pytest.mark.parametrize("seed", range(4))
def test_a_step_ends_short_by_one_and_a_half_sigma_of_where_it_would_end_and_at_most_by_half(seed):
    world = World(SOUTH if seed % 2 else NORTH, seed, noise_arcsec=1.0)
    motors = Motors.new(world.measured())
    for commanded in ((0.2, 0.0), (0.0, 0.2), (0.5, 0.4)):
        motors = moved(world, motors, commanded)
    step = step_of(world, motors)
    needed = turns_seen(motors, world.axis, world.pole)
    whole = command_for(motors, needed)
    end, spread = predicted(motors, world.axis, whole)
    # The azimuth bolt turns about the vertical: on the sky by the cosine of the altitude.
    sigmas = np.sqrt(np.diag(spread)) / [math.hypot(end[0], end[1]), 1.0]
    short = np.minimum(1.5 * sigmas, 0.5 * np.abs(needed))
    scales = np.abs(motors.scales)
    assert np.radians(np.abs(np.subtract(whole, step.commanded_deg))) * scales == pytest.approx(
        short, rel=1e-3
    )


@pytest.mark.parametrize("latitude_deg", [SOUTH, NORTH])
@pytest.mark.parametrize("way", [0, 1], ids=["azimuth", "altitude"])
def test_what_is_told_from_noise_by_less_than_one_and_a_half_sigma_moves_no_motor(
    latitude_deg, way
):
    """On the sky, both ways alike; where the other component is known and right."""
    pole = World(latitude_deg, 0).pole
    covariance = np.eye(2) * ARCSEC_RAD**2
    covariance[way, way] = (10.0 * ARCMIN_RAD) ** 2
    for away_arcmin, worth in ((13.0, False), (-13.0, False), (17.0, True), (-17.0, True)):
        axis = unit(pole + away_arcmin * ARCMIN_RAD * sky_tangents(pole)[way])
        step = next_step(
            Motors.new(axis), axis, covariance, pole, MotorLimits(), worth_rad=ARCMIN_RAD
        )
        assert (step is not None) is worth, away_arcmin
        assert step is None or bool(step.commanded_deg[way])


@pytest.mark.parametrize("way", [0, 1], ids=["azimuth", "altitude"])
@pytest.mark.parametrize(("sigmas", "refused"), [(5.0, False), (-5.0, False), (7.0, True)])
def test_a_move_is_not_the_motors_doing_from_six_sigma_on(way, sigmas, refused):
    """Of what is not known of the motors and of the measured change, together."""
    world = World(NORTH, 3, noise_arcsec=1.0)
    motors = Motors.new(world.measured())
    for commanded in ((0.2, 0.0), (0.0, 0.2), (0.7, 0.6)):
        motors = moved(world, motors, commanded)
    commanded, noise = (0.4, 0.3), np.eye(2) * (10.0 * ARCMIN_RAD) ** 2
    expected, spread = predicted(motors, world.axis, commanded)
    off = np.zeros(2)
    off[way] = sigmas / math.sqrt(np.linalg.inv(spread + noise)[way, way])
    move = MotorMove(
        commanded_deg=commanded,
        before_enu=world.axis,
        after_enu=unit(expected + off @ np.stack(sky_tangents(expected))),
        covariance_rad2=noise,
    )
    if not refused:
        refuse_doubtful(motors, learned(motors, move))
        return
    with pytest.raises(DeviceError) as caught:
        refuse_doubtful(motors, learned(motors, move))
    # Which of the two: as the error lies along the way or against it.
    assert caught.value.code in {"unexpected_response", "opposite_motion"}


@pytest.mark.parametrize("index", [0, 1], ids=["azimuth", "altitude"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_command_that_was_lost_in_the_play_is_doubled_in_the_same_sense_alone(index, sign):
    axis = World(NORTH, 0).pole
    target = unit(axis + np.array([-20.0, 15.0]) * ARCMIN_RAD @ np.stack(sky_tangents(axis)))
    side = math.copysign(1.0, turns_seen(Motors.new(axis), axis, target)[index])

    def asked(*lost_deg):
        """What is asked of a motor of known scale whose play is thought to be none."""
        moves = [
            MotorMove(
                commanded_deg=tuple(np.eye(2)[index] * sign * lost),
                before_enu=axis,
                after_enu=axis,
                covariance_rad2=np.eye(2) * ARCSEC_RAD**2,
            )
            for lost in lost_deg
        ]
        motors = Motors(
            start_enu=axis,
            signs=(sign, sign),
            moves=tuple(moves),
            unknowns=np.zeros(10),
            covariance=np.eye(10) * 1e-12,
        )
        step = next_step(motors, axis, motors.covariance[:2, :2], target, MotorLimits(),
                         worth_rad=ARCSEC_RAD)  # fmt: skip
        return step.commanded_deg[index]

    # A step ends short by what motors repeat to, 0.3 percent at most.
    assert asked(side * 0.05) == pytest.approx(2.0 * asked(), rel=0.004)
    assert asked(side * 0.05, side * 0.1) == pytest.approx(4.0 * asked(), rel=0.004)
    assert asked(-side * 0.05) == pytest.approx(asked(), rel=0.004)


@pytest.mark.parametrize(("azimuth_deg", "first"), [(0.6, "altitude"), (1.2, "azimuth")])
def test_the_motor_whose_error_is_larger_on_the_sky_is_learned_first(azimuth_deg, first):
    """At 60 deg a turn of the azimuth is half as much on the sky; altitude is off by 0.45 deg."""
    high = math.radians(60.0)
    axis = enu_from_altaz(high, 0.1)
    target = enu_from_altaz(high + math.radians(0.45), 0.1 + math.radians(azimuth_deg))
    covariance = np.eye(2) * ARCSEC_RAD**2
    step = next_step(
        Motors.new(axis), axis, covariance, target, MotorLimits(), worth_rad=ARCMIN_RAD
    )
    assert step is not None
    assert (step.azimuth_deg != 0.0) is (first == "azimuth")
    assert (step.altitude_deg != 0.0) is (first == "altitude")


@pytest.mark.parametrize("index", [0, 1], ids=["azimuth", "altitude"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("sense", [1.0, -1.0])
@pytest.mark.parametrize("more", [0.5, 4.0])
def test_what_play_a_first_move_needs_is_lost_once_and_all_of_it_on_turning_round(
    index, sign, sense, more
):
    """Minutes of arc added up by hand; where in its play a motor starts is told beforehand."""
    first, axis = 2.0, World(NORTH, 0).pole
    unknowns = np.zeros(10)
    unknowns[3 * index + 1 : 3 * index + 3] = first * ARCMIN_RAD, more * ARCMIN_RAD

    def goes(*commands):
        """How far the last of the commands turns the axis (arcmin)."""
        pairs = [tuple(np.eye(2)[index] * one / 60.0) for one in commands]
        motors = Motors(
            start_enu=axis,
            signs=(sign, sign),
            moves=tuple(
                MotorMove(commanded_deg=pair, before_enu=axis, after_enu=axis,
                          covariance_rad2=np.eye(2))
                for pair in pairs[:-1]
            ),
            unknowns=unknowns,
            covariance=np.eye(10),
        )  # fmt: skip
        after, _ = predicted(motors, axis, pairs[-1])
        return turns_seen(motors, axis, after)[index] / ARCMIN_RAD

    on = sense * sign
    # 1.5 of the 2 arcmin are lost by the first command, the rest by the second.
    assert goes(1.5 * sense, 10.0 * sense) == pytest.approx(on * 9.5)
    assert goes(10.0 * sense, 10.0 * sense) == pytest.approx(on * 10.0)
    assert goes(10.0 * sense, -10.0 * sense) == pytest.approx(-on * (10.0 - first - more))


@pytest.mark.parametrize(("sigmas", "refused"), [(1.8, False), (2.2, True)])
def test_a_motor_does_too_little_where_a_third_is_surely_too_much(sigmas, refused):
    """Two sigma of the logarithm of its scale below a third: a clamp that holds, other gears."""
    axis, sigma = World(NORTH, 0).pole, 0.3
    scale = math.exp(-sigmas * sigma) / 3.0
    commanded = (0.0, 0.5)
    known = Motors(
        start_enu=axis,
        signs=(1.0, 1.0),
        unknowns=np.array([0.0, 0.0, 0.0, math.log(scale), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]),
        covariance=np.eye(10) * 1e-12 + np.diag([0.0, 0.0, 0.0, sigma**2] + [0.0] * 6),
    )
    after, _ = predicted(known, axis, commanded)
    move = MotorMove(
        commanded_deg=commanded,
        before_enu=axis,
        after_enu=after,
        covariance_rad2=np.eye(2) * ARCSEC_RAD**2,
    )
    if not refused:
        refuse_doubtful(known, replace(known, moves=(move,)))
        return
    with pytest.raises(DeviceError) as caught:
        refuse_doubtful(known, replace(known, moves=(move,)))
    assert caught.value.code == "response_too_small"
