"""Offline commands on picture files: ``solve`` and ``axis``."""

import argparse
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from polewright.adapters.solver.both import BothSolvers
from polewright.app.planning import planned_tolerance
from polewright.app.wishes import scale_arcsec_px
from polewright.cli.axis_plot import draw_axis
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.core.axis.correction import Correction, correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.observing import observe
from polewright.core.axis.survey import solve_axis_robustly
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import (
    ARCSEC_RAD,
    angle_between,
    spherical_from_vector,
)
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.decode import decode_picture
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.settings.load import find_settings_file, load_settings

# Pictures without a time are set against the stars only; the turn of the sky between them stays
# in the residuals.
_NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class _Solved:
    path: Path
    attitude: Attitude


def solve(options: argparse.Namespace, output: Output) -> ExitCode:
    """Find where one picture was looking."""
    solved = _solve_file(options.files[0], options, output, BothSolvers())
    result = _figures(solved)
    output.result(
        result,
        f"{solved.path.name}: right ascension {result['right_ascension_deg']:.5f} deg, "
        f"declination {result['declination_deg']:+.5f} deg (ICRS)",
        f"  scale {result['scale_arcsec_px']:.4f} arcsec/px, field {result['field_deg']:.3f} deg "
        f"wide, {'mirrored, ' if result['mirrored'] else ''}{result['matched']} stars, "
        f"{result['rms_arcsec']:.2f} arcsec rms",
        f"  sigma: direction {result['direction_sigma_arcsec']:.2f} arcsec, "
        f"roll {result['roll_sigma_arcsec']:.1f} arcsec",
    )
    return ExitCode.GOOD


def axis(options: argparse.Namespace, output: Output) -> ExitCode:
    """Find the axis about which the camera turned between pictures."""
    place = _place(options)
    solver = BothSolvers()
    solved: list[_Solved] = []
    failures: list[str] = []
    with output.progress("solving") as bar:
        for index, path in enumerate(options.files):
            bar.update(index / len(options.files), f"solving {path.name}")
            try:
                solved.append(_solve_file(path, options, output, solver))
            except MeasurementError as failure:
                failures.append(f"{path.name}: {failure}")
    for failure_line in failures:
        output.note(failure_line)
    if len(solved) < 2:
        raise MeasurementError(
            f"{len(solved)} of {len(options.files)} pictures solved, which does not show an axis",
            remedy="Give two or more solvable pictures, with the mount turned between them.",
            code="too_few_frames",
        )
    timed = all(one.attitude.mid_exposure is not None for one in solved)
    if place is not None and timed:
        return _against_the_ground(solved, failures, place, options, output)
    if place is not None:
        output.note("some pictures do not say when they were taken: set against the stars only")
    return _against_the_stars(solved, failures, options, output)


def _against_the_stars(
    solved: list[_Solved], failures: list[str], options: argparse.Namespace, output: Output
) -> ExitCode:
    attitudes = [
        ObservedAttitude(
            enu_from_camera=np.array(one.attitude.camera_from_icrs.T),
            covariance_camera_rad2=np.array(one.attitude.covariance_camera_rad2),
            instant=one.attitude.mid_exposure or _NO_TIME,
            label=one.path.name,
        )
        for one in solved
    ]
    estimate = solve_axis_robustly(attitudes)
    if options.plot is not None:
        draw_axis(options.plot, estimate, None, "")
    boresights = np.stack([one.attitude.boresight_icrs for one in solved])
    end = estimate.axis_enu if np.mean(boresights @ estimate.axis_enu) >= 0 else -estimate.axis_enu
    right_ascension, declination = spherical_from_vector(end)
    radii = [math.degrees(angle_between(end, boresight)) for boresight in boresights]
    result = {
        "frame": "icrs",
        "axis_right_ascension_deg": math.degrees(right_ascension),
        "axis_declination_deg": math.degrees(declination),
        "cone_radius_deg": float(np.mean(radii)),
        "cone_radius_scatter_arcsec": float(np.std(radii)) * 3600.0,
        **_quality(estimate, failures),
    }
    output.result(
        result,
        f"rotation axis: right ascension {result['axis_right_ascension_deg']:.4f} deg, "
        f"declination {result['axis_declination_deg']:+.4f} deg (ICRS)",
        f"  +- {result['sigma_arcsec']:.1f} arcsec, cone radius {result['cone_radius_deg']:.4f} "
        f"deg (scatter {result['cone_radius_scatter_arcsec']:.0f} arcsec)",
        *_quality_lines(estimate),
        "  set against the stars: the sky's own turn between the pictures is in the residuals",
        *([] if estimate.consistent else ["  the pictures disagree by more than their noise"]),
    )
    return ExitCode.GOOD


def _against_the_ground(
    solved: list[_Solved],
    failures: list[str],
    place: Place,
    options: argparse.Namespace,
    output: Output,
) -> ExitCode:
    attitudes = [observe(one.attitude, place, label=one.path.name) for one in solved]
    estimate = solve_axis_robustly(attitudes)
    settings = load_settings(find_settings_file(options.config))
    target = pole_enu(place, refracted=options.target == "refracted")
    if options.plot is not None:
        draw_axis(options.plot, estimate, target, f"{options.target} pole")
    result = correct(
        estimate.axis_enu,
        estimate.covariance_rad2,
        target,
        tolerance_rad=planned_tolerance(settings).error_rad,
        trustworthy=estimate.consistent and estimate.degrees_of_freedom > 0,
    )
    output.result(
        {
            "frame": "ground",
            "target_pole": options.target,
            "axis_altitude_deg": result.axis_altitude_deg,
            "axis_azimuth_deg": result.axis_azimuth_deg,
            "altitude_error_arcmin": result.altitude_error_arcmin,
            "azimuth_error_arcmin": result.azimuth_error_arcmin,
            "azimuth_error_on_sky_arcmin": result.azimuth_error_on_sky_arcmin,
            "total_error_arcmin": result.total_error_arcmin,
            "verdict": result.verdict.value,
            **_quality(estimate, failures),
        },
        *_correction_lines(result, options.target),
        *_quality_lines(estimate),
    )
    return VERDICT_EXIT_CODES[result.verdict.value]


def _correction_lines(result: Correction, target: str) -> tuple[str, ...]:
    return (
        result.altitude_words,
        result.azimuth_words,
        f"  off by {result.total_error_arcmin:.2f} arcmin "
        f"(+- {result.total_error_sigma_arcmin:.2f}) from the {target} pole: "
        f"{result.verdict.value.replace('_', ' ')}",
    )


def _quality(estimate: AxisEstimate, failures: list[str]) -> dict[str, Any]:
    return {
        "sigma_arcsec": estimate.sigma_rad / ARCSEC_RAD,
        "chi2": estimate.chi2,
        "degrees_of_freedom": estimate.degrees_of_freedom,
        "consistent": estimate.consistent,
        "frames": list(estimate.labels),
        "rejected": list(estimate.rejected),
        "unsolved": failures,
        "turns_deg": [math.degrees(turn) for turn in estimate.turn_angles_rad],
        "residuals_arcsec": estimate.residuals_arcsec.tolist(),
    }


def _quality_lines(estimate: AxisEstimate) -> tuple[str, ...]:
    lines = [f"  chi-square {estimate.chi2:.1f} with {estimate.degrees_of_freedom} dof"]
    rows = zip(estimate.labels, estimate.turn_angles_rad, estimate.residuals_arcsec, strict=True)
    for label, turn, (roll, y, z) in rows:
        lines.append(
            f"  {label}: turned {math.degrees(turn):+.3f} deg, residual roll {roll:+.1f}, "
            f"columns {y:+.1f}, rows {z:+.1f} arcsec"
        )
    lines += [f"  left out, does not fit: {label}" for label in estimate.rejected]
    return tuple(lines)


def _figures(solved: _Solved) -> dict[str, Any]:
    attitude = solved.attitude
    right_ascension, declination = spherical_from_vector(attitude.boresight_icrs)
    sigma = np.sqrt(np.diag(attitude.covariance_camera_rad2)) / ARCSEC_RAD
    return {
        "file": str(solved.path),
        "right_ascension_deg": math.degrees(right_ascension),
        "declination_deg": math.degrees(declination),
        "camera_from_icrs": attitude.camera_from_icrs.tolist(),
        "scale_arcsec_px": attitude.scale_arcsec_px,
        "field_deg": attitude.scale_arcsec_px * attitude.width_px / 3600.0,
        "mirrored": attitude.mirrored,
        "matched": attitude.matched,
        "rms_arcsec": attitude.rms_arcsec,
        "roll_sigma_arcsec": float(sigma[0]),
        "direction_sigma_arcsec": float(math.hypot(sigma[1], sigma[2])),
        "mid_exposure": attitude.mid_exposure.isoformat() if attitude.mid_exposure else None,
        "solver": attitude.solver,
    }


def _solve_file(
    path: Path, options: argparse.Namespace, output: Output, solver: BothSolvers
) -> _Solved:
    try:
        data = path.read_bytes()
    except OSError as trouble:
        raise UsageError(
            f"{path} cannot be read: {trouble.strerror}",
            remedy="Name an existing picture file.",
            code="cannot_read",
        ) from None
    frame = decode_picture(data, name=path.name)
    field_deg = options.fov
    scale = None
    if field_deg is not None and not 0.01 <= field_deg <= 60.0:
        raise UsageError(
            f"--fov {field_deg} is outside 0.01 to 60 deg", remedy="Give the field's width in deg."
        )
    focal_length = options.focal_length or frame.focal_length_mm
    pixel_size = options.pixel_size or frame.pixel_size_um
    if field_deg is None and focal_length and pixel_size:
        scale = scale_arcsec_px(focal_length, pixel_size)
    if field_deg is None and scale is None:
        raise UsageError(
            f"{path.name} does not say its scale",
            remedy="Give --fov, or --focal-length and --pixel-size.",
            code="no_scale",
        )
    attitude = solver.solve_now(frame, SolveHint(scale_arcsec_px=scale), field_deg=field_deg)
    return _Solved(path, attitude)


def _place(options: argparse.Namespace) -> Place | None:
    if (options.latitude is None) != (options.longitude is None):
        raise UsageError(
            "--latitude and --longitude belong together", remedy="Give both, or neither."
        )
    if options.latitude is not None:
        try:
            return Place(
                latitude_deg=options.latitude,
                longitude_deg=options.longitude,
                elevation_m=options.elevation,
            )
        except ValueError as trouble:
            raise UsageError(str(trouble), remedy="Give the site in degrees.") from None
    return load_settings(find_settings_file(options.config)).site.place()
