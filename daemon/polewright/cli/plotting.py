"""Plots: deep red on black, saved as PNG, SVG or PDF by the file's ending."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from polewright.core.errors import UsageError

DARK, RED, FAINT = "#000000", "#ff5040", "#8a2a20"

_STYLE = {
    "axes.facecolor": DARK, "figure.facecolor": DARK, "savefig.facecolor": DARK,
    "text.color": RED, "axes.labelcolor": RED, "axes.edgecolor": FAINT,
    "xtick.color": RED, "ytick.color": RED, "axes.titlecolor": RED,
}  # fmt: skip


@contextmanager
def opened_figure(
    path: Path, *, rows: int, columns: int, size: tuple[float, float]
) -> Iterator[tuple[Any, Any]]:
    """Yield a figure and its axes to draw on; it is saved when the context ends.

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
    with pyplot.rc_context(_STYLE):
        figure, axes = pyplot.subplots(rows, columns, figsize=size, constrained_layout=True)
        try:
            yield figure, axes
            figure.savefig(path, dpi=120)
        except (OSError, ValueError) as trouble:
            raise UsageError(
                f"the plot {path} cannot be written: {trouble}",
                remedy="Name a .png, .svg or .pdf file in a folder that you may write to.",
                code="cannot_write",
            ) from None
        finally:
            pyplot.close(figure)
