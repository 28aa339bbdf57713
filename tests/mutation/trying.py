"""Makes mutants one at a time in a copied tree, and asks a worker what the tests say."""

import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.mutation.mutating import Mutant, mutants_of

_WORKER = Path(__file__).with_name("worker.py")
_COPIED = ("daemon", "drivers", "tests", "configs", "docs")
BUDGET_CPU_S = 10.0
# With it they may take three times as long, and some seconds for the imports.
_SLOWER, _IMPORTS_CPU_S = 3.0, 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What became of one mutant: ``killed``, ``timed out`` or ``survived``."""

    mutant: Mutant
    end: str
    by: str
    tests: int
    left_out: int

    def as_json(self) -> dict[str, Any]:
        """Return it for a file."""
        return {**asdict(self.mutant), "end": self.end, "by": self.by, "tests": self.tests,
                "left_out": self.left_out}  # fmt: skip


def _file_of(test: str) -> str:
    return test.partition("::")[0]


def copied(root: Path, folder: Path) -> Path:
    """Copy what the tests need, so that no mistake ever stands in the working folder."""
    tree = folder / "tree"
    tree.mkdir()
    ignore = shutil.ignore_patterns("__pycache__", ".*")
    for name in _COPIED:
        if (root / name).is_dir():
            shutil.copytree(root / name, tree / name, ignore=ignore)
    for one in root.iterdir():
        if one.is_file():
            shutil.copy2(one, tree / one.name)
    return tree


class Ground:
    """A copied tree, its tests' measured reach, and the worker that runs them.

    Parameters
    ----------
    tree : Path
        The copy.
    sources : str
        The package that is mutated, as a path in the tree.
    tests : sequence of str
        Test files and folders, as paths in the tree.
    budget_cpu_s : float
        So long the tests of one mutant may take, as measured without it (s of the processor).
    """

    def __init__(
        self, tree: Path, sources: str, tests: Iterable[str], budget_cpu_s: float = BUDGET_CPU_S
    ) -> None:
        self.tree, self.sources, self.budget_cpu_s = tree, sources, budget_cpu_s
        paths = [tree, tree / "daemon", tree / "drivers"]
        environment = os.environ | {
            "PYTHONPATH": os.pathsep.join(str(one) for one in paths),
            # One thread: a fork of several is not safe, and the machine may be shared.
            "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1",
        }  # fmt: skip
        for name in ("PYTHONPYCACHEPREFIX", "PYTHONDONTWRITEBYTECODE", "PYTEST_ADDOPTS"):
            environment.pop(name, None)
        self._worker = subprocess.Popen(
            [sys.executable, str(_WORKER)], cwd=tree, env=environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        reach = self._asked(do="measure", sources=sources, tests=list(tests))
        if reach["end"] != "measured" or not reach["cpu_s"]:
            raise RuntimeError(f"the tests cannot be measured: {reach}")
        self.failed: list[str] = reach["failed"]
        self.cpu_s: dict[str, float] = {
            name: cpu_s for name, cpu_s in reach["cpu_s"].items() if name not in set(self.failed)
        }
        self._lines: dict[str, dict[int, set[str]]] = {
            path: {int(line): set(names) & set(self.cpu_s) for line, names in lines.items()}
            for path, lines in reach["lines"].items()
        }

    def modules(self) -> list[str]:
        """Return the paths of the modules that can be mutated."""
        found = sorted((self.tree / self.sources).rglob("*.py"))
        return [str(one.relative_to(self.tree)) for one in found]

    def mutants(self, path: str) -> list[Mutant]:
        """Return all mutants of a module."""
        return mutants_of(path, (self.tree / path).read_bytes())

    def concerned(self, mutant: Mutant) -> tuple[list[str], int]:
        """Return the tests for a mutant in the order of running, and how many are left out.

        First come those that ran its lines. A line that runs at import (a constant, a default)
        concerns those that ran a line on which its name occurs. Then comes whatever ran anything
        of the module, for what one test has computed another may be the one to judge. All within
        the budget.
        """
        of_module = self._lines.get(mutant.path, {})
        near: set[str] = set()
        for line in range(mutant.line, mutant.end_line + 1):
            near |= of_module.get(line, set())
        if not near:
            near = self._who_uses(mutant)
        far = set().union(*of_module.values()) - near if of_module else set()
        chosen: list[str] = []
        spent_s = 0.0
        for group in (near, far):
            affordable: list[str] = []
            for name in sorted(group, key=self.cpu_s.__getitem__):
                if spent_s + self.cpu_s[name] <= self.budget_cpu_s or not (chosen or affordable):
                    affordable.append(name)
                    spent_s += self.cpu_s[name]
            # File by file, the cheapest file first: what a module makes is made once.
            costs_s: defaultdict[str, float] = defaultdict(float)
            for name in affordable:
                costs_s[_file_of(name)] += self.cpu_s[name]
            affordable.sort(
                key=lambda one: (costs_s[_file_of(one)], _file_of(one), self.cpu_s[one])
            )
            chosen += affordable
        return chosen, len(near | far) - len(chosen)

    def _who_uses(self, mutant: Mutant) -> set[str]:
        text = (self.tree / mutant.path).read_bytes()
        before = text[: mutant.start].splitlines()[-1:] or [b""]
        named = re.match(rb"\s*(\w+)\s*(:[^=]*)?=(?!=)", before[0])
        if named is None:
            return set()
        word = re.compile(rb"\b" + named[1] + rb"\b")
        found: set[str] = set()
        for path, lines in self._lines.items():
            for at, line in enumerate((self.tree / path).read_bytes().splitlines(), start=1):
                if word.search(line):
                    found |= lines.get(at, set())
        return found

    def tried(self, mutant: Mutant) -> Verdict:
        """Put the mistake in, run the tests, take it out."""
        tests, left_out = self.concerned(mutant)
        if not tests:
            return Verdict(mutant=mutant, end="survived", by="", tests=0, left_out=left_out)
        path = self.tree / mutant.path
        source = path.read_bytes()
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            stale.unlink()
        try:
            path.write_bytes(mutant.applied_to(source))
            cpu_s = _SLOWER * sum(self.cpu_s[one] for one in tests) + _IMPORTS_CPU_S
            answer = self._asked(do="mutant", tests=tests, cpu_s=cpu_s)
        finally:
            path.write_bytes(source)
        end = answer["end"]
        # A mutant that ends the interpreter has been noticed.
        end = "killed" if end == "died" else end
        if end not in {"killed", "survived", "timed out"}:
            raise RuntimeError(f"{mutant}: {answer}")
        by = answer.get("by") or [answer["said"][-200:] if answer["end"] == "died" else ""]
        return Verdict(mutant=mutant, end=end, by=by[0], tests=len(tests), left_out=left_out)

    def _asked(self, **request: Any) -> dict[str, Any]:
        if self._worker.stdin is None or self._worker.stdout is None:
            raise RuntimeError("the worker has no ears")
        self._worker.stdin.write(json.dumps(request) + "\n")
        self._worker.stdin.flush()
        line = self._worker.stdout.readline()
        if not line:
            raise RuntimeError(f"the worker ended with {self._worker.wait()}")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def close(self) -> None:
        """End the worker."""
        self._worker.communicate()


def try_all(
    ground: Ground, mutants: Iterable[Mutant], seconds: float, told: Callable[[Verdict], None]
) -> list[Verdict]:
    """Try mutants in their order until the time is up or somebody interrupts."""
    until_s = time.monotonic() + seconds
    verdicts: list[Verdict] = []
    for mutant in mutants:
        if time.monotonic() > until_s:
            break
        try:
            verdicts.append(ground.tried(mutant))
        except KeyboardInterrupt:
            break
        told(verdicts[-1])
    return verdicts
