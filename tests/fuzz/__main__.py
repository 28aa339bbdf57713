"""Fuzzing: ``./run fuzz [TARGET ...] [--inputs N | --seconds S] [--engine E]``.

Every target runs in processes of its own; findings are kept, and the end tells the counts.
"""

import argparse
import importlib.util
import json
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from tests.fuzz.law import HANGS_AFTER_S, ROOT, Breach
from tests.fuzz.state import State
from tests.fuzz.table import TARGETS

KEPT = ROOT / ".fuzz"
# A worker that has tried nothing new for so long hangs where no signal reaches (s).
_STUCK_S = 3.0 * HANGS_AFTER_S
# Importing under the engine's instruments takes seconds, on a machine under load a minute (s).
_STARTS_S = 300.0
_MOST_DEATHS = 8
_COVERAGE = re.compile(r"cov: (\d+) ft: (\d+) corp: (\d+)")
_MISSING = (
    "atheris, the coverage-guided engine, is not installed: hypothesis does all. It has wheels for "
    "x86-64 only; to have it: .venv/tools/bin/uv pip install --python .venv/bin/python "
    "--require-hashes -r configs/requirements-fuzz.txt"
)


@dataclass(slots=True)
class Outcome:
    """What one target under one engine came to."""

    target: str
    engine: str
    inputs: int = 0
    seconds: float = 0.0
    coverage: str = ""
    findings: tuple[str, ...] = ()


def run(name: str, engine: str, count: int, seconds: float, kept: Path, seed: int) -> Outcome:
    """Run one target under one engine; a worker that dies is a finding, and another goes on."""
    state, begun_s = State(kept / f"{name}.{engine}"), time.monotonic()
    started, outcome = state.seen, Outcome(target=name, engine=engine)
    for death in range(_MOST_DEATHS):
        left, left_s = count - (state.seen - started), seconds - (time.monotonic() - begun_s)
        if left <= 0 or left_s <= 0.0:
            break
        end, told = _worker(name, engine, left, left_s, state, seed + 1000 * death)
        if found := _COVERAGE.findall(told):
            outcome.coverage = "{} edges, {} features, corpus {}".format(*found[-1])
        if end == 0:
            break
        why = "stuck" if end is None else f"died with {end}"
        state.keep(Breach(key=f"the process {why}", story=told[-4000:]), state.at_hand)
    outcome.inputs = state.seen - started
    outcome.seconds = time.monotonic() - begun_s
    outcome.findings = tuple(f"{one['key']} ({one['times']} times)" for one in state.findings())
    return outcome


def _worker(
    name: str, engine: str, count: int, seconds: float, state: State, seed: int
) -> tuple[int | None, str]:
    """Run one process; return how it ended (None: it was stuck and was ended), and what it said."""
    arguments = [name, engine, str(count), str(seconds), str(state.folder), str(seed)]
    with tempfile.TemporaryFile("w+", errors="replace") as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.fuzz.worker", *arguments],
            cwd=ROOT, stdout=said, stderr=subprocess.STDOUT,
        )  # fmt: skip
        seen, since_s, first = state.seen, time.monotonic(), state.seen
        while process.poll() is None:
            time.sleep(0.2)
            if state.seen != seen:
                seen, since_s = state.seen, time.monotonic()
            if time.monotonic() - since_s > (_STARTS_S if seen == first else _STUCK_S):
                process.kill()
                process.wait()
                return None, _tail(said)
        return process.returncode, _tail(said)


def _tail(said: IO[str]) -> str:
    said.seek(0)
    return said.read()[-20_000:]


def plan(names: list[str], engines: list[str], inputs: int) -> list[tuple[str, str, int]]:
    """Share the inputs out by the targets' weights; where both engines run, each takes half."""
    shares = {name: TARGETS[name].share or 0.2 for name in names}
    total = sum(shares.values())
    made = []
    for name in names:
        able = [one for one in engines if one != "atheris" or TARGETS[name].guided]
        each = max(1, round(inputs * shares[name] / total / max(1, len(able))))
        made += [(name, engine, each) for engine in able or ["hypothesis"]]
    return made


def main() -> int:
    """Fuzz what is named; 1 where something was found."""
    parser = argparse.ArgumentParser(prog="./run fuzz", description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    bound = parser.add_mutually_exclusive_group()
    bound.add_argument("--inputs", type=int, metavar="N", help="in all (20000 left out)")
    bound.add_argument("--seconds", type=float, metavar="S", help="for each target and engine")
    parser.add_argument("--engine", choices=["hypothesis", "atheris", "both"], default="both")
    parser.add_argument("--seed", type=int, default=int(time.time()) % 100_000, metavar="N")
    parser.add_argument(
        "--keep", type=Path, default=KEPT, metavar="FOLDER", help="findings (.fuzz)"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the counts")
    options = parser.parse_args()
    if unknown := set(options.targets) - set(TARGETS):
        parser.error(f"no target {', '.join(sorted(unknown))}; there are {', '.join(TARGETS)}")
    engines = ["hypothesis", "atheris"] if options.engine == "both" else [options.engine]
    if "atheris" in engines and importlib.util.find_spec("atheris") is None:
        print(_MISSING, flush=True)
        engines = ["hypothesis"]
    names = options.targets or list(TARGETS)
    unbounded = options.seconds is not None
    shared = plan(names, engines, 10**12 if unbounded else options.inputs or 20_000)
    outcomes = []
    print(f"seed {options.seed}; findings are kept in {options.keep}", flush=True)
    print(f"{'target':16} {'engine':10} {'inputs':>9} {'s':>6}  coverage, findings", flush=True)
    for name, engine, count in shared:
        one = run(name, engine, count, options.seconds or 1e9, options.keep, options.seed)
        outcomes.append(one)
        print(
            f"{name:16} {engine:10} {one.inputs:9} {one.seconds:6.0f}  {one.coverage}", flush=True
        )
        for found in one.findings:
            print(f"    FOUND {found}", flush=True)
    for engine in engines:
        print(f"{'all':16} {engine:10} {sum(o.inputs for o in outcomes if o.engine == engine):9}")
    if options.json:
        rows = [{name: getattr(one, name) for name in Outcome.__slots__} for one in outcomes]
        options.json.write_text(json.dumps(rows, indent=1) + "\n", "utf-8")
    return 1 if any(one.findings for one in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
