"""Ratios: the figures by which a benchmark is compared with its own past.

Each is a ratio against a bound or a reference of the same run, so that it means the same on
another computer, and says by how much it may get worse before that counts (its margin covers the
scatter of a quick run).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from tests.bench import resources

Figures = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """One figure of a benchmark; ``margin``: the part by which it may get worse."""

    bench: str
    name: str
    of: Callable[[Figures], float]
    margin: float
    more_is_better: bool = False

    @property
    def key(self) -> str:
        """Name in the history."""
        return f"{self.bench}: {self.name}"

    def worse(self, now: float, before: float) -> bool:
        """Return whether it got worse by more than its margin."""
        if self.more_is_better:
            return now < before * (1.0 - self.margin)
        return now > before * (1.0 + self.margin)


def _memory(figures: Figures) -> float:
    train = resources.TRAINS[0]
    return float(figures[train.name]["live_mb"]) / float(train.aim_mb or 1.0)


RATIOS = (
    Ratio(
        bench="accuracy", name="largest RMS over the Cramer-Rao bound",
        of=lambda f: f["largest_rms_over_bound"], margin=0.02,
    ),
    Ratio(
        bench="accuracy", name="plain circle's error over the survey's",
        of=lambda f: f["circle_over_survey"], margin=0.05, more_is_better=True,
    ),
    Ratio(
        bench="latency", name="correction's time over solve-field's",
        of=lambda f: f["ratio_to_solve_field"], margin=0.5,
    ),
    Ratio(
        bench="resources", name="memory in live mode over its aim", of=_memory, margin=0.05,
    ),
    Ratio(
        bench="startup", name="ready over bare imports", of=lambda f: f["ratio"], margin=0.5,
    ),
    Ratio(
        bench="fleet", name="delivery of 200 mounts over bare clients'",
        of=lambda f: f["p99_over_bare"], margin=1.0,
    ),
)  # fmt: skip


def ratios_of(results: Mapping[str, Figures]) -> dict[str, float]:
    """Return the ratios of the benchmarks that ran, by key."""
    return {
        ratio.key: round(float(ratio.of(results[ratio.bench])), 4)
        for ratio in RATIOS
        if ratio.bench in results
    }


def got_worse(now: Mapping[str, float], before: Mapping[str, float]) -> list[str]:
    """Return what got worse by more than its margin, in words."""
    return [
        f"{ratio.key}: {now[ratio.key]:.3g}, it was {before[ratio.key]:.3g} "
        f"(margin {100.0 * ratio.margin:.0f} %)"
        for ratio in RATIOS
        if ratio.key in now
        and ratio.key in before
        and ratio.worse(now[ratio.key], before[ratio.key])
    ]
