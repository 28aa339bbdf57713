"""The view through a polar scope, drawn: a square dial with the short hand of a clock.

The hand points from the pole through the pole star; the other stars stand where they are.
"""

import math

from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.sky.polar_scope import PlacedStar, PolarScope, View

# From the pole to the side of the drawing (rad): the outermost star of each pole, and some room.
_REACH_RAD = {False: math.radians(0.8), True: math.radians(4.7)}
# A character is about twice as high as wide: 17 columns and 8 rows to each side.
_COLUMNS, _ROWS = 17, 8
_SVG_HALF_MM = 34.0


def terminal_drawing(scope: PolarScope, view: View) -> list[str]:
    """Return the drawing in plain characters, 37 columns wide."""
    cells = [[" "] * (2 * _COLUMNS + 1) for _ in range(2 * _ROWS + 1)]
    right, up = _toward(scope.stars[0], view)
    steps = 4 * _COLUMNS
    for step in range(1, steps + 1):
        column, row = _cell(right * step / steps, up * step / steps)
        cells[row][column] = "."
    reach = _REACH_RAD[scope.south]
    for seen in reversed(scope.stars):
        across, along = seen.seen(view)
        column, row = _cell(across / reach, along / reach)
        cells[row][column] = seen.star.letter
    cells[_ROWS][_COLUMNS] = "+"
    edge = ["+", *"-" * (2 * _COLUMNS + 1), "+"]
    lines = [list(edge), *(["|", *row, "|"] for row in cells), list(edge)]
    for hour in range(1, 13):
        right, up = _on_square(math.radians(30.0 * hour))
        row = _ROWS + 1 - round((_ROWS + 1) * up)
        column = _COLUMNS + 1 + round((_COLUMNS + 1) * right)
        # Figures on the left side grow into the drawing, those on the others to the right.
        for place, figure in enumerate(str(hour)):
            lines[row][column + place] = figure
    return ["".join(line) for line in lines]


def svg_drawing(scope: PolarScope, view: View) -> str:
    """Return the drawing as SVG, black on white."""
    half = _SVG_HALF_MM
    mm = half / _REACH_RAD[scope.south]
    outer = half + 9.0
    shapes = [
        f'<path d="M{-half} {-half}H{half}V{half}H{-half}Z" fill="none" stroke="#000" '
        'stroke-width=".4"/>'
    ]
    for hour in range(1, 13):
        right, up = _on_square(math.radians(30.0 * hour))
        x, y = half * right, -half * up
        shapes.append(
            f'<path d="M{x:.1f} {y:.1f}L{x * 0.95:.1f} {y * 0.95:.1f}" stroke="#000" '
            f'stroke-width=".4"/><text x="{x * 1.09:.1f}" y="{y * 1.09 + 1.1:.1f}" '
            f'text-anchor="middle">{hour}</text>'
        )
    right, up = _toward(scope.stars[0], view)
    shapes.append(
        f'<path d="M0 0L{right * half:.1f} {-up * half:.1f}" stroke="#000" stroke-width=".25" '
        'stroke-dasharray="1.5 1"/><path d="M-2 0H2M0 -2V2" stroke="#000" stroke-width=".5"/>'
        f'<text x="{-6.0 * right:.1f}" y="{6.0 * up + 1.1:.1f}" text-anchor="middle">pole</text>'
    )
    corners = []
    for seen in scope.stars:
        across, along = seen.seen(view)
        x, y = across * mm, -along * mm
        corners.append(f"{x:.1f} {y:.1f}")
        shapes.append(
            f'<path d="M{x - 1:.1f} {y:.1f}h2m-1 -1v2m-.7 -1.7l1.4 1.4m0 -1.4l-1.4 1.4" '
            f'stroke="#000" stroke-width=".35"/><text x="{x + 1.8:.1f}" y="{y - 1.2:.1f}">'
            f"{seen.star.letter}</text>"
        )
    if len(corners) > 1:
        shapes.append(
            f'<path d="M{"L".join((corners[0], corners[1], corners[3], corners[2]))}Z" '
            'fill="none" stroke="#999" stroke-width=".2"/>'
        )
    size = 2.0 * outer
    return (
        f'<svg role="img" aria-label="The view through the polar scope" width="{size:.0f}mm" '
        f'height="{size:.0f}mm" viewBox="{-outer} {-outer} {size} {size}">{"".join(shapes)}</svg>'
    )


def reach_arcmin(scope: PolarScope) -> float:
    """Return how far the drawing goes from the pole to each side (arcmin)."""
    return _REACH_RAD[scope.south] / ARCMIN_RAD


def _toward(star: PlacedStar, view: View) -> tuple[float, float]:
    """Return where the hand ends on the side of the square, in halves of it."""
    return _on_square(star.clockwise_rad(view))


def _on_square(clockwise_rad: float) -> tuple[float, float]:
    right, up = math.sin(clockwise_rad), math.cos(clockwise_rad)
    longest = max(abs(right), abs(up))
    return right / longest, up / longest


def _cell(right: float, up: float) -> tuple[int, int]:
    """Return the column and row of a place in the square, in halves of it."""
    return _COLUMNS + round(_COLUMNS * right), _ROWS - round(_ROWS * up)
