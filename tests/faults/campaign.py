"""The campaign: many seeds on a few workers, and the table that comes out."""

import asyncio
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from polewright.adapters.indi.quiet import divert_library_chatter
from tests.faults.evening import run_seed
from tests.faults.judging import violations
from tests.faults.nursery import nursery
from tests.faults.record import Record
from tests.faults.schedule import KINDS, Kind, Schedule, schedule
from tests.faults.stack import may_mount

_JOURNAL_MB = 4
_END_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SeedResult:
    """What one seed showed."""

    seed: int
    took_s: float
    faults: tuple[tuple[str, float | None], ...]
    noted: tuple[str, ...]
    violations: tuple[str, ...]
    good_enough: int
    surveys: int
    corrections: int
    kept_in: str | None


def run_campaign(
    seeds: Sequence[int],
    *,
    jobs: int,
    only: Kind | None = None,
    keep: Path | None = None,
    tell: Callable[[SeedResult], None] = lambda _result: None,
) -> list[SeedResult]:
    """Run seeds, several at once, each worker with processes and a file system of its own."""
    results: list[SeedResult] = []
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        left = list(reversed(seeds))
        names = [Path(folder) / f"worker-{number}" for number in range(min(jobs, len(seeds)))]

        def work(home: Path) -> None:
            with _worker(home, keep, only) as ask:
                while left:
                    try:
                        seed = left.pop()
                    except IndexError:
                        return
                    result = ask(seed)
                    results.append(result)
                    tell(result)

        with ThreadPoolExecutor(len(names)) as pool:
            try:
                for done in [pool.submit(work, name) for name in names]:
                    done.result()
            finally:
                left.clear()  # interrupted, or one worker failed: no further seed is begun
    return sorted(results, key=lambda one: one.seed)


@contextmanager
def _worker(
    home: Path, keep: Path | None, only: Kind | None
) -> Iterator[Callable[[int], SeedResult]]:
    """Run a worker process, in a mount namespace of its own where that is allowed."""
    home.mkdir()
    told = [str(home), str(keep or ""), only.value if only else ""]
    command = [sys.executable, "-m", "tests.faults.campaign", *told]
    if may_mount():
        journal = home / "journal"
        journal.mkdir()
        mount = f'mount -t tmpfs -o size={_JOURNAL_MB}m none "{journal}" && exec "$@"'
        command = ["unshare", "-rm", "sh", "-c", mount, "sh", *command]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        cwd=Path(__file__).parents[2],
    ) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        talk_in, talk_out = process.stdin, process.stdout

        def ask(seed: int) -> SeedResult:
            talk_in.write(f"{seed}\n")
            talk_in.flush()
            line = talk_out.readline()
            if not line:
                raise RuntimeError(f"the worker died in seed {seed}")
            told = json.loads(line)
            told["faults"] = tuple((kind, took) for kind, took in told["faults"])
            return SeedResult(**(told | {"violations": tuple(told["violations"])}))

        try:
            yield ask
        finally:
            process.stdin.close()
            process.wait(_END_S)


def _work(home: Path, keep: Path | None, only: Kind | None, seeds: Iterable[int]) -> None:
    """Be a worker: one line in is a seed, one line out is its result."""
    journal = home / "journal"
    journal.mkdir(exist_ok=True)
    with nursery(home) as door:
        for seed in seeds:
            folder = home / f"seed-{seed}"
            folder.mkdir()
            result = _one(schedule(seed, only), folder, door, journal, keep)
            sys.stdout.write(json.dumps(asdict(result)) + "\n")
            sys.stdout.flush()
            # A driver that was killed may still be putting its hardware aside here.
            shutil.rmtree(folder, ignore_errors=True)


def _one(plan: Schedule, folder: Path, door: Path, journal: Path, keep: Path | None) -> SeedResult:
    seed = plan.seed
    began_s = time.monotonic()
    record = Record()
    try:
        record = asyncio.run(run_seed(plan, folder, door, journal))
        found = violations(record)
    except Exception as broken:  # the campaign goes on, and the seed is told
        found = [f"the seed could not be run: {type(broken).__name__}: {broken}"]
    kept_in = None
    if keep is not None and found:
        target = keep / f"seed-{seed}"
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(folder, target, ignore=shutil.ignore_patterns("socket-*", "polewright"))
        (target / "record.json").write_text(json.dumps(asdict(record), indent=1, default=str))
        kept_in = str(target)
    corrections = [one for one in record.of("correction") if not one.retained]
    return SeedResult(
        seed=seed,
        took_s=round(time.monotonic() - began_s, 2),
        faults=tuple(
            (
                one.kind,
                None if one.recovered_s is None else round(one.recovered_s - one.ended_s, 2),
            )
            for one in record.faults
        ),
        noted=tuple(one.noted for one in record.faults if one.noted),
        violations=tuple(found),
        good_enough=sum(one.payload["verdict"] == "good_enough" for one in corrections),
        surveys=sum("age_s" not in one.payload for one in record.of("survey")),
        corrections=len(corrections),
        kept_in=kept_in,
    )


def table(results: Sequence[SeedResult]) -> list[dict[str, Any]]:
    """Return one row for each kind of fault; violations count for every kind of their seed."""
    rows = []
    for kind in KINDS:
        took = [
            (seconds, one) for one in results for name, seconds in one.faults if name == kind.value
        ]
        recovered = sorted(seconds for seconds, _ in took if seconds is not None)
        rows.append(
            {
                "kind": kind.value,
                "runs": len(took),
                "median_recovery_s": recovered[len(recovered) // 2] if recovered else None,
                "worst_recovery_s": recovered[-1] if recovered else None,
                "violations": sum(bool(one.violations) for _, one in took),
            }
        )
    return rows


def lines_of(rows: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Write the table for people."""
    yield f"{'fault':20} {'runs':>5} {'recovery median':>16} {'worst (s)':>10} {'violations':>11}"
    for row in (row for row in rows if row["runs"]):
        median, worst = row["median_recovery_s"], row["worst_recovery_s"]
        yield (
            f"{row['kind']:20} {row['runs']:5d} "
            f"{'-' if median is None else f'{median:.1f}':>16} "
            f"{'-' if worst is None else f'{worst:.1f}':>10} {row['violations']:11d}"
        )


if __name__ == "__main__":
    os.umask(0o077)
    # A worker that is told to end ends what it started first.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    divert_library_chatter()
    _work(
        Path(sys.argv[1]),
        Path(sys.argv[2]) if sys.argv[2] else None,
        Kind(sys.argv[3]) if sys.argv[3] else None,
        (int(line) for line in sys.stdin),
    )
