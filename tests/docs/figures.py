"""Figures: red on black, so that the pages can be read at the mount."""

import math
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from polewright.core.axis.correction import correct
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, enu_from_altaz
from tests.docs.blocks import PAGES
from tests.docs.bounds import CENTRE_ARCSEC, DECLINATIONS_DEG, FRAMES, ROLL_ARCSEC
from tests.docs.bounds import axis_bound_arcsec as bound

IMAGES = PAGES / "images"

_RED, _BRIGHT, _DARK = "#d04030", "#ff5040", "#702018"
_STYLE = {
    "figure.facecolor": "black",
    "savefig.facecolor": "black",
    "axes.facecolor": "black",
    "axes.edgecolor": _DARK,
    "axes.labelcolor": _RED,
    "axes.titlecolor": _RED,
    "text.color": _RED,
    "xtick.color": _RED,
    "ytick.color": _RED,
    "grid.color": "#381008",
    "legend.facecolor": "black",
    "legend.edgecolor": _DARK,
    "font.size": 10,
    # The same drawing gives the same file.
    "svg.hashsalt": "polewright",
}


def draw_all() -> list[Path]:
    """Draw every figure and return the files."""
    IMAGES.mkdir(exist_ok=True)
    with mpl.rc_context(_STYLE):
        return [_save(_bound(), "axis-bound"), _save(_errors(), "two-errors")]


def _save(figure: Figure, name: str) -> Path:
    path = IMAGES / f"{name}.svg"
    figure.savefig(path, metadata={"Date": None, "Creator": "polewright"})
    return path


def _bound() -> Figure:
    """How well the axis is known against how far the mount was turned."""
    figure = Figure(figsize=(8.0, 6.2), layout="constrained")
    places = figure.subplots(2, 2, sharex=True, sharey=True)
    sweeps = np.arange(10.0, 121.0, 5.0)
    styles = dict(zip(FRAMES, (("#a03020", ":"), (_RED, "--"), (_BRIGHT, "-")), strict=True))
    for place, declination in zip(places.flat, DECLINATIONS_DEG, strict=True):
        for frames, (colour, line) in styles.items():
            place.plot(
                sweeps,
                [bound(declination, frames, sweep) for sweep in sweeps],
                color=colour,
                linestyle=line,
                linewidth=2.0,
                label=f"{frames} frames",
            )
        place.set_title(f"declination {declination:.0f} deg", fontsize=10)
        place.set_yscale("log")
        place.set_yticks([2, 5, 10, 20, 50, 100, 200], [*"25", "10", "20", "50", "100", "200"])
        place.minorticks_off()
        place.grid(visible=True)
    places[0, 0].legend()
    figure.supxlabel("turn in right ascension, first to last frame (deg)", fontsize=10)
    figure.supylabel("uncertainty of the axis (arcsec, one sigma)", fontsize=10)
    figure.suptitle(
        f"frames good to {CENTRE_ARCSEC:g} arcsec in direction and {ROLL_ARCSEC:g} arcsec in roll",
        fontsize=10,
    )
    return figure


def _errors() -> Figure:
    """One axis beside its pole in the south, and the words for the two bolts."""
    target = enu_from_altaz(math.radians(32.42), math.pi)
    axis = enu_from_altaz(math.radians(32.42) + 36.4 * ARCMIN_RAD, math.pi - 37.7 * ARCMIN_RAD)
    result = correct(axis, np.eye(2) * (5.0 * ARCSEC_RAD) ** 2, target, tolerance_rad=ARCMIN_RAD)
    right, up = result.azimuth_error_on_sky_arcmin, result.altitude_error_arcmin
    figure = Figure(figsize=(8.0, 5.4), layout="constrained")
    place = figure.add_subplot()
    place.annotate("", (right, 0.0), (right, up), arrowprops=_arrow(_BRIGHT))
    place.annotate("", (0.0, 0.0), (right, 0.0), arrowprops=_arrow(_BRIGHT))
    place.plot([right, 0.0], [up, 0.0], color=_DARK, linestyle=":")
    place.plot(0.0, 0.0, marker="+", markersize=22, markeredgewidth=2, color=_RED)
    place.plot(right, up, marker="o", markersize=9, color=_BRIGHT)
    place.text(right - 1.0, up + 2.0, "axis", ha="right", color=_BRIGHT)
    place.text(1.5, 1.5, "pole (target)")
    place.text(right - 1.5, 0.5 * up, result.altitude_words, ha="right", va="center")
    words = result.azimuth_words.replace(" (", "\n(")
    place.text(0.5 * right, -2.0, words, ha="center", va="top")
    place.text(0.5 * right + 2.0, 0.5 * up + 2.0, f"off by {result.total_error_arcmin:.1f} arcmin")
    place.set_xlim(-75.0, 30.0)
    place.set_ylim(-18.0, 48.0)
    place.set_aspect("equal")
    place.set_xlabel("on the sky, looking south: east - left, west - right (arcmin)")
    place.set_ylabel("higher (arcmin)")
    place.grid(visible=True)
    return figure


def _arrow(colour: str) -> dict[str, object]:
    return {"arrowstyle": "-|>", "color": colour, "linewidth": 2.0, "shrinkA": 6, "shrinkB": 8}
