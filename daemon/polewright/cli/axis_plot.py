"""The picture of an axis measurement: residuals per frame, and the axis against its target."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from polewright.cli.plotting import DARK, FAINT, RED, opened_figure
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, sky_tangents
from polewright.core.geometry.rotations import Vector


def draw_axis(
    path: Path, estimate: AxisEstimate, target_enu: Vector | None, target_name: str
) -> None:
    """Draw and save as PNG, SVG or PDF by the file's ending.

    Raises
    ------
    UsageError
        matplotlib is not installed, or the file cannot be written.
    """
    with opened_figure(path, rows=1, columns=2, size=(10.0, 4.6)) as (_, (left, right)):
        _residuals(left, estimate.labels, estimate.residuals_arcsec)
        _axis(right, estimate, target_enu, target_name)


def _residuals(axes: Any, labels: Sequence[str], residuals_arcsec: np.ndarray) -> None:
    places = np.arange(len(labels))
    for column, (name, mark) in enumerate((("roll", "^"), ("columns", "o"), ("rows", "s"))):
        axes.plot(
            places, residuals_arcsec[:, column], mark, color=RED, label=name,
            fillstyle="none" if column == 0 else "full",
        )  # fmt: skip
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    axes.set_xticks(places, [str(place + 1) for place in places])
    axes.set(xlabel="frame", ylabel="residual (arcsec)", title="what is left of each frame")
    axes.legend(facecolor=DARK, edgecolor=FAINT, labelcolor=RED)


def _axis(axes: Any, estimate: AxisEstimate, target_enu: Vector | None, target_name: str) -> None:
    """Draw the axis with its 2-sigma ellipse, in arcminutes about the target (or itself)."""
    centre = estimate.axis_enu if target_enu is None else target_enu
    # Without a target the axis is set against the stars.
    names = ("right ascension", "declination") if target_enu is None else ("azimuth", "altitude")
    across, along = names
    east, up = sky_tangents(centre)
    offset = np.array([estimate.axis_enu @ east, estimate.axis_enu @ up]) / ARCMIN_RAD
    values, vectors = np.linalg.eigh(estimate.covariance_rad2)
    turn = np.linspace(0.0, 2.0 * math.pi, 100)
    round_trip = vectors @ (2.0 * np.sqrt(values)[:, None] * np.stack([np.cos(turn), np.sin(turn)]))
    outline = offset[:, None] + round_trip / ARCMIN_RAD
    axes.plot(outline[0], outline[1], color=RED, linewidth=1.0)
    axes.plot(*offset, "x", color=RED, label="axis, 2 sigma")
    if target_enu is not None:
        axes.plot(0.0, 0.0, "P", color=RED, label=target_name)
        axes.plot([0, offset[0]], [0, offset[1]], color=FAINT, lw=0.8)
    axes.set(
        xlabel=f"toward increasing {across} on the sky (arcmin)",
        ylabel=f"toward increasing {along} (arcmin)",
        title=f"sigma {estimate.sigma_rad / ARCSEC_RAD:.1f} arcsec",
    )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.25)
    axes.legend(facecolor=DARK, edgecolor=FAINT, labelcolor=RED)
