"""Offline commands on picture files: ``solve`` and ``axis``."""

import argparse
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from polewright.adapters.solver.both import BothSolvers
from polewright.app.planning import planned_tolerance, tonight_for
from polewright.cli.axis_plot import draw_axis
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.cli.picture_axis import axis_of_pictures
from polewright.cli.picture_places import check_place_options, place_figures, place_line, place_of
from polewright.cli.picture_times import own_times_words, times_of
from polewright.cli.pictures import SolvedPicture, picture_figures, solve_picture
from polewright.cli.trails import trail_figures
from polewright.core.axis.correction import Correction, correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.observing import observe
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC, solve_axis_robustly
from polewright.core.axis.weighing import WeighingRules
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import (
    ARCSEC_RAD,
    angle_between,
    spherical_from_vector,
)
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.core.sky.told_places import PlaceInUse
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

# Pictures without a time are set against the stars only; the turn of the sky between them stays
# in the residuals.
_NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)
_DISAGREE = (
    "not to be believed: the pictures disagree by more than their noise; with place and time what "
    "moved can be told"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What is asked for, and what came of the pictures."""

    options: argparse.Namespace
    settings: Settings
    output: Output
    solved: tuple[SolvedPicture, ...]
    failures: tuple[str, ...]

    @property
    def use_roll(self) -> bool | None:
        """Whether the pictures' roll has a say; None: until they show otherwise."""
        return False if self.options.without_roll else self.settings.survey.roll_trusted

    @property
    def floor_arcsec(self) -> float:
        """How far the mount wanders from picture to picture (one sigma)."""
        told = self.options.floor or self.settings.survey.mechanical_floor_arcsec
        return float(told or DEFAULT_MECHANICAL_FLOOR_ARCSEC)


def solve(options: argparse.Namespace, output: Output) -> ExitCode:
    """Find where one picture was looking."""
    solved = solve_picture(options.files[0], options, BothSolvers())
    result = picture_figures(solved)
    output.result(
        result,
        f"{solved.path.name}: right ascension {result['right_ascension_deg']:.5f} deg, "
        f"declination {result['declination_deg']:+.5f} deg (ICRS)",
        f"  scale {result['scale_arcsec_px']:.4f} arcsec/px, field {result['field_deg']:.3f} deg "
        f"wide, {'mirrored, ' if result['mirrored'] else ''}{result['matched']} stars, "
        f"{result['rms_arcsec']:.2f} arcsec rms",
        f"  sigma: direction {result['direction_sigma_arcsec']:.2f} arcsec, "
        f"roll {result['roll_sigma_arcsec']:.1f} arcsec",
        *([f"  {solved.trails}"] if solved.trails else []),
    )
    return ExitCode.GOOD


def axis(options: argparse.Namespace, output: Output) -> ExitCode:
    """Find the axis about which the camera turned between pictures."""
    settings = load_settings(find_settings_file(options.config))
    check_place_options(options)
    if options.floor is not None and not 0.1 <= options.floor <= 60.0:
        raise UsageError(
            f"--floor {options.floor:g} is outside 0.1 to 60", remedy="Give it in arcsec."
        )
    opened = times_of(options.files, options)
    solver = BothSolvers()
    solved: list[SolvedPicture] = []
    failures: list[str] = []
    with output.progress("solving") as bar:
        for index, path in enumerate(options.files):
            bar.update(index / len(options.files), f"solving {path.name}")
            try:
                solved.append(solve_picture(path, options, solver, opened.get(path)))
            except MeasurementError as failure:
                failures.append(f"{path.name}: {failure}")
    for line in (*failures, *own_times_words(solved)):
        output.note(line)
    if len(solved) < 2:
        raise MeasurementError(
            f"{len(solved)} of {len(options.files)} pictures solved, which does not show an axis",
            remedy="Give two or more solvable pictures, with the mount turned between them.",
            code="too_few_frames",
        )
    job = _Job(
        options=options, settings=settings, output=output,
        solved=tuple(solved), failures=tuple(failures),
    )  # fmt: skip
    used = place_of(solved, options, settings)
    timeless = [one.path.name for one in solved if one.attitude.mid_exposure is None]
    if used is not None and not timeless:
        return _against_the_ground(job, used)
    if options.target is not None:
        missing = "where the pictures were taken" if used is None else f"when {timeless[0]} was"
        raise UsageError(
            f"nothing says {missing}, so there is no {options.target} pole to hold it against",
            remedy="Give --latitude and --longitude, and --start and --every or --times; or leave "
            "--target out.",
            code="no_place" if used is None else "no_time",
        )
    if used is None:
        output.note("nothing says where the pictures were taken: set against the stars only")
    else:
        output.note(
            f"{len(timeless)} of {len(solved)} pictures do not say when they were taken "
            f"({timeless[0]}): set against the stars only; --start and --every, or --times, say it"
        )
    return _against_the_stars(job)


def _against_the_stars(job: _Job) -> ExitCode:
    attitudes = [
        ObservedAttitude(
            enu_from_camera=np.array(one.attitude.camera_from_icrs.T),
            covariance_camera_rad2=np.array(one.attitude.covariance_camera_rad2),
            instant=one.attitude.mid_exposure or _NO_TIME,
            label=one.path.name,
        )
        for one in job.solved
    ]
    estimate = solve_axis_robustly(
        attitudes,
        mechanical_floor_arcsec=job.floor_arcsec,
        use_roll=job.use_roll is not False,
    )
    if job.options.plot is not None:
        draw_axis(job.options.plot, estimate, None, "")
    boresights = np.stack([one.attitude.boresight_icrs for one in job.solved])
    end = estimate.axis_enu if np.mean(boresights @ estimate.axis_enu) >= 0 else -estimate.axis_enu
    right_ascension, declination = spherical_from_vector(end)
    radii = [math.degrees(angle_between(end, boresight)) for boresight in boresights]
    result = {
        "frame": "icrs",
        "axis_right_ascension_deg": math.degrees(right_ascension),
        "axis_declination_deg": math.degrees(declination),
        "cone_radius_deg": float(np.mean(radii)),
        "cone_radius_scatter_arcsec": float(np.std(radii)) * 3600.0,
        **_quality(estimate, job),
    }
    job.output.result(
        result,
        *([] if estimate.consistent else [_DISAGREE]),
        f"rotation axis: right ascension {result['axis_right_ascension_deg']:.4f} deg, "
        f"declination {result['axis_declination_deg']:+.4f} deg (ICRS)",
        f"  +- {result['sigma_arcsec']:.1f} arcsec, cone radius {result['cone_radius_deg']:.4f} "
        f"deg (scatter {result['cone_radius_scatter_arcsec']:.0f} arcsec)",
        *_quality_lines(estimate, job),
        "  set against the stars: the sky's own turn between the pictures is in the residuals",
    )
    return ExitCode.GOOD if estimate.consistent else ExitCode.CANNOT_TELL


def _against_the_ground(job: _Job, used: PlaceInUse) -> ExitCode:
    for warning in used.warnings:
        job.output.note(f"warning: {warning}")
    attitudes = [observe(one.attitude, used.place, label=one.path.name) for one in job.solved]
    rules = WeighingRules(
        pole_enu=pole_enu(used.place, refracted=True),
        mechanical_floor_arcsec=job.floor_arcsec,
        use_roll=job.use_roll,
    )
    found = axis_of_pictures(attitudes, rules)
    estimate, trouble = found.estimate, found.trouble
    name, target, pole_words = _target(job, used.place, estimate.instant)
    if job.options.plot is not None:
        draw_axis(job.options.plot, estimate, target, f"{name} pole")
    result = correct(
        estimate.axis_enu,
        estimate.covariance_rad2,
        target,
        tolerance_rad=planned_tolerance(job.settings).error_rad,
        trustworthy=trouble is None,
    )
    job.output.result(
        {
            "frame": "ground",
            "place": place_figures(used),
            "warnings": list(used.warnings),
            "target_pole": name,
            "axis_altitude_deg": result.axis_altitude_deg,
            "axis_azimuth_deg": result.axis_azimuth_deg,
            "altitude_error_arcmin": result.altitude_error_arcmin,
            "azimuth_error_arcmin": result.azimuth_error_arcmin,
            "azimuth_error_on_sky_arcmin": result.azimuth_error_on_sky_arcmin,
            "total_error_arcmin": result.total_error_arcmin,
            "verdict": result.verdict.value,
            "trouble": None
            if trouble is None
            else {"code": trouble.code, "text": trouble.text, "remedy": trouble.remedy},
            **_quality(estimate, job),
        },
        *([] if trouble is None else [f"not to be believed: {trouble}"]),
        *_correction_lines(result, pole_words),
        *(f"  {words}" for words in found.words),
        place_line(used),
        *_quality_lines(estimate, job),
    )
    return VERDICT_EXIT_CODES[result.verdict.value]


def _target(job: _Job, place: Place, instant: datetime) -> tuple[str, Vector, str]:
    """Return the pole's name, its direction and its words: the option's, else the settings'."""
    name = job.options.target or job.settings.survey.target_pole or "refracted"
    if name != "tonight":
        return name, pole_enu(place, refracted=name == "refracted"), f"the {name} pole"
    pole, window = tonight_for(job.settings, place, instant)
    words = f"the pole for the plan, {window.start:%Y-%m-%d %H:%M} to {window.end:%H:%M} UTC"
    return name, pole.axis_enu, words


def _correction_lines(result: Correction, pole_words: str) -> tuple[str, ...]:
    return (
        result.altitude_words,
        result.azimuth_words,
        f"  off by {result.total_error_arcmin:.2f} arcmin "
        f"(+- {result.total_error_sigma_arcmin:.2f}) from {pole_words}: "
        f"{result.verdict.value.replace('_', ' ')}",
    )


def _quality(estimate: AxisEstimate, job: _Job) -> dict[str, Any]:
    return {
        "sigma_arcsec": estimate.sigma_rad / ARCSEC_RAD,
        "chi2": estimate.chi2,
        "degrees_of_freedom": estimate.degrees_of_freedom,
        "consistent": estimate.consistent,
        "roll_used": estimate.roll_used,
        "mechanical_floor_arcsec": job.floor_arcsec,
        "frames": list(estimate.labels),
        "rejected": list(estimate.rejected),
        "unsolved": list(job.failures),
        "turns_deg": [math.degrees(turn) for turn in estimate.turn_angles_rad],
        "residuals_arcsec": estimate.residuals_arcsec.tolist(),
        "pictures": [
            {"file": str(one.path), **trail_figures(one.attitude.elongation)} for one in job.solved
        ],
    }


def _quality_lines(estimate: AxisEstimate, job: _Job) -> tuple[str, ...]:
    roll = "" if estimate.roll_used else ", without the pictures' roll"
    lines = [
        f"  chi-square {estimate.chi2:.1f} with {estimate.degrees_of_freedom} dof, floor "
        f"{job.floor_arcsec:g} arcsec{roll}"
    ]
    trails = {one.path.name: f", {one.trails}" for one in job.solved if one.trails}
    rows = zip(estimate.labels, estimate.turn_angles_rad, estimate.residuals_arcsec, strict=True)
    for label, turn, (roll_left, y, z) in rows:
        lines.append(
            f"  {label}: turned {math.degrees(turn):+.3f} deg, residual roll {roll_left:+.1f}, "
            f"columns {y:+.1f}, rows {z:+.1f} arcsec{trails.get(label, '')}"
        )
    lines += [
        f"  left out, does not fit: {label}{trails.get(label, '')}" for label in estimate.rejected
    ]
    return tuple(lines)
