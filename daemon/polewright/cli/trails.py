"""Trails in figures: how much longer than wide a frame's stars are, for programs."""

import math
from typing import Any

from polewright.core.imaging.stars import is_trailed


def trail_figures(elongation: float) -> dict[str, Any]:
    """Return the elongation and whether it is a trail; null where nobody measured it."""
    measured = math.isfinite(elongation)
    return {
        "elongation": elongation if measured else None,
        "trailed": is_trailed(elongation) if measured else None,
    }
