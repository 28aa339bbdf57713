"""A mutation score: ``./run mutants [MODULE ...] [--sample N] [--seed K]``.

Makes small mistakes in a copy of core/axis, one at a time, and runs the tests that reach them.
What no test notices is printed with its place and the change.
"""

import argparse
import json
import math
import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.mutation.mutating import Mutant
from tests.mutation.trying import BUDGET_CPU_S, Ground, Verdict, copied, try_all

ROOT = Path(__file__).resolve().parents[2]
SOURCES = "daemon/polewright/core/axis"
TESTS = ("tests/unit/core/axis",)


def interval(hits: int, of: int, sigmas: float = 1.959964) -> tuple[float, float]:
    """Return the bounds of a share by Wilson's score interval (95 % left out).

    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
    """
    share, z2 = hits / of, sigmas**2
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = sigmas / (1 + z2 / of) * math.sqrt(share * (1 - share) / of + z2 / (4 * of**2))
    return max(0.0, middle - half), min(1.0, middle + half)


def chosen(ground: Ground, names: list[str], count: int, seed: int) -> tuple[list[Mutant], int]:
    """Draw mutants, each as likely as any other: a module counts by what can go wrong in it."""
    paths = ground.modules()
    if names:
        paths = [one for one in paths if Path(one).stem in names]
    pool = [mutant for path in paths for mutant in ground.mutants(path)]
    return random.Random(seed).sample(pool, min(count, len(pool))), len(pool)


def again(ground: Ground, report: Path) -> list[Mutant]:
    """Return the survivors of an earlier report, where their modules are what they were."""
    told = json.loads(report.read_text("utf-8"))
    keys = {
        (one["path"], one["start"], one["after"])
        for one in told["mutants"]
        if one["end"] == "survived"
    }
    paths = sorted({path for path, _, _ in keys})
    pool = [mutant for path in paths for mutant in ground.mutants(path)]
    return [one for one in pool if (one.path, one.start, one.after) in keys]


def summed_up(verdicts: list[Verdict]) -> dict[str, float | int]:
    """Return the counts and the score with its 95 % bounds."""
    ends = Counter(one.end for one in verdicts)
    noticed = ends["killed"] + ends["timed out"]
    low, high = interval(noticed, len(verdicts))
    return {
        "mutants": len(verdicts), "killed": ends["killed"], "timed_out": ends["timed out"],
        "survived": ends["survived"], "score_percent": 100.0 * noticed / len(verdicts),
        "score_low_percent": 100.0 * low, "score_high_percent": 100.0 * high,
    }  # fmt: skip


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="./run mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="as knobs; all left out")
    parser.add_argument("--sample", type=int, default=50, metavar="N", help="how many (50)")
    parser.add_argument("--seed", type=int, default=1, metavar="K", help="which (1)")
    parser.add_argument(
        "--skip", type=int, default=0, metavar="N", help="leave out the sample's first N (0)"
    )
    parser.add_argument("--minutes", type=float, default=1e6, metavar="M", help="end by then")
    parser.add_argument(
        "--tests", nargs="+", default=TESTS, metavar="PATH", help=f"{' '.join(TESTS)} left out"
    )
    parser.add_argument(
        "--budget", type=float, default=BUDGET_CPU_S, metavar="S",
        help="so long the tests of one mutant may take, s of the processor (%(default)s)",
    )  # fmt: skip
    parser.add_argument("--again", type=Path, metavar="FILE", help="only that report's survivors")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write a report, as it goes")
    options = parser.parse_args()
    known = {one.stem for one in (ROOT / SOURCES).rglob("*.py")}
    if unknown := set(options.modules) - known:
        parser.error(f"no module {', '.join(sorted(unknown))} in {SOURCES}")
    return options


def main() -> int:
    """Try a sample and tell what survived."""
    options = _options()
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        print("running the tests once without a mistake, to see what they reach", flush=True)
        ground = Ground(copied(ROOT, Path(folder)), SOURCES, options.tests, options.budget)
        for name in ground.failed:
            print(f"fails without any mistake, and is left out: {name}", flush=True)
        mutants, pool = (
            ([], 0)
            if options.again
            else chosen(ground, options.modules, options.sample, options.seed)
        )
        mutants = mutants[options.skip :]
        if options.again:
            mutants = again(ground, options.again)
            pool = len(mutants)
        total_s = sum(ground.cpu_s.values())
        print(f"{len(ground.cpu_s)} tests, {total_s:.0f} s", flush=True)
        print(f"{len(mutants)} of {pool} mutants", flush=True)
        told: list[Verdict] = []

        def tell(one: Verdict) -> None:
            _told(one)
            told.append(one)
            if options.json:
                _written(options, pool, told)

        try:
            verdicts = try_all(ground, mutants, 60.0 * options.minutes, tell)
        finally:
            ground.close()
    if not verdicts:
        print("no mutants")
        return 1
    print(
        "{mutants} mutants: {killed} killed, {timed_out} timed out, {survived} survived; "
        "score {score_percent:.1f} % (95 %: {score_low_percent:.1f} to "
        "{score_high_percent:.1f} %)".format(**summed_up(verdicts))
    )
    return 0


def _written(options: argparse.Namespace, pool: int, verdicts: list[Verdict]) -> None:
    """Write the report so far: a run that is ended early leaves what it has found."""
    report = {
        "seed": options.seed, "skipped": options.skip, "pool": pool, "sums": summed_up(verdicts),
        "mutants": [one.as_json() for one in verdicts],
    }  # fmt: skip
    options.json.write_text(json.dumps(report, indent=1) + "\n", "utf-8")


def _told(one: Verdict) -> None:
    if one.end == "survived":
        notes = f"{one.tests} tests" + (f", {one.left_out} left out" if one.left_out else "")
        print(f"survived ({notes}): {one.mutant}", flush=True)
    elif one.end == "timed out":
        print(f"timed out: {one.mutant}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
