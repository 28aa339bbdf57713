"""The picture of an axis measurement: residuals per frame, and the axis against its target."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from polewright.core.axis.estimate import AxisEstimate
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, sky_tangents
from polewright.core.geometry.rotations import Vector

_DARK, _RED, _FAINT = "#000000", "#ff5040", "#8a2a20"


def draw_axis(
    path: Path, estimate: AxisEstimate, target_enu: Vector | None, target_name: str
) -> None:
    """Draw and save as PNG, SVG or PDF by the file's ending.

    Raises
    ------
    UsageError
        matplotlib is not installed, or the file cannot be written.
    """
    try:
        import matplotlib as mpl

        mpl.use("Agg")
        from matplotlib import pyplot
    except ImportError:
        raise UsageError(
            "plots need matplotlib, which is not installed",
            remedy="Install polewright with its extra 'plots', or leave --plot out.",
            code="no_matplotlib",
        ) from None
    style = {
        "axes.facecolor": _DARK, "figure.facecolor": _DARK, "savefig.facecolor": _DARK,
        "text.color": _RED, "axes.labelcolor": _RED, "axes.edgecolor": _FAINT,
        "xtick.color": _RED, "ytick.color": _RED, "axes.titlecolor": _RED,
    }  # fmt: skip
    with pyplot.rc_context(style):
        figure, (left, right) = pyplot.subplots(1, 2, figsize=(10, 4.6), constrained_layout=True)
        _residuals(left, estimate.labels, estimate.residuals_arcsec)
        _axis(right, estimate, target_enu, target_name)
        try:
            figure.savefig(path, dpi=120)
        except (OSError, ValueError) as trouble:
            raise UsageError(
                f"the plot {path} cannot be written: {trouble}",
                remedy="Name a .png, .svg or .pdf file in a folder that you may write to.",
                code="cannot_write",
            ) from None
        finally:
            pyplot.close(figure)


def _residuals(axes: Any, labels: Sequence[str], residuals_arcsec: np.ndarray) -> None:
    places = np.arange(len(labels))
    for column, (name, mark) in enumerate((("roll", "^"), ("columns", "o"), ("rows", "s"))):
        axes.plot(
            places, residuals_arcsec[:, column], mark, color=_RED, label=name,
            fillstyle="none" if column == 0 else "full",
        )  # fmt: skip
    axes.axhline(0.0, color=_FAINT, linewidth=0.8)
    axes.set_xticks(places, [str(place + 1) for place in places])
    axes.set(xlabel="frame", ylabel="residual (arcsec)", title="what is left of each frame")
    axes.legend(facecolor=_DARK, edgecolor=_FAINT, labelcolor=_RED)


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
    axes.plot(outline[0], outline[1], color=_RED, linewidth=1.0)
    axes.plot(*offset, "x", color=_RED, label="axis, 2 sigma")
    if target_enu is not None:
        axes.plot(0.0, 0.0, "P", color=_RED, label=target_name)
        axes.plot([0, offset[0]], [0, offset[1]], color=_FAINT, lw=0.8)
    axes.set(
        xlabel=f"toward increasing {across} on the sky (arcmin)",
        ylabel=f"toward increasing {along} (arcmin)",
        title=f"sigma {estimate.sigma_rad / ARCSEC_RAD:.1f} arcsec",
    )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.25)
    axes.legend(facecolor=_DARK, edgecolor=_FAINT, labelcolor=_RED)
