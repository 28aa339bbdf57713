"""Ratios: the figures by which a benchmark is compared with its own past.

Each is a ratio against a bound or a reference of the same run, so that it means the same on
another computer, and says by how much it may get worse before that counts (its margin covers the
scatter of a quick run).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from tests.bench import resources, solve

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
    return float(figures[resources.TRAINS[0].name]["live_mb"]) / float(figures["bare_mb"])


def _unsolved(figures: Figures) -> float:
    """The largest share of frames without a solution, over what is allowed at that width."""
    return max(
        (1.0 - float(row["rate"]))
        / (
            1.0
            - (solve.AIM_RATE if row["field_deg"] >= solve.AIM_FROM_DEG else solve.AIM_NARROW_RATE)
        )
        for row in figures["fields"]
    )


def _pictures(figures: Figures) -> float:
    return max(float(row["ratio"]) for name, row in figures.items() if name != "missed")


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
        bench="attitude", name="largest centre error over its bound",
        of=lambda f: max(row["centre_to_bound"] for row in f["fields"]), margin=0.05,
    ),
    Ratio(
        bench="attitude", name="largest roll error over its bound",
        of=lambda f: max(row["roll_to_bound"] for row in f["fields"]), margin=0.05,
    ),
    Ratio(
        bench="pictures", name="largest RMS over the predicted sigma", of=_pictures, margin=0.1,
    ),
    Ratio(
        bench="live", name="largest RMS over the Cramer-Rao bound",
        of=lambda f: max(f["worst_ratio"].values()), margin=0.02,
    ),
    Ratio(
        bench="solve", name="largest share unsolved over the allowed", of=_unsolved, margin=0.5,
    ),
    Ratio(
        bench="solve", name="time over solve-field's",
        of=lambda f: f["reference"]["median_time_ratio"], margin=0.5,
    ),
    Ratio(
        bench="latency", name="correction's time over solve-field's",
        of=lambda f: f["ratio_to_solve_field"], margin=0.5,
    ),
    Ratio(
        bench="resources", name="memory in live mode over bare imports", of=_memory, margin=0.1,
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
