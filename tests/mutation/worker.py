"""Runs chosen tests again and again in forks of one process, which has the libraries loaded.

Started by its path in the copied tree, so that everything else comes from there. Reads requests
and writes answers as lines of JSON.
"""

import contextlib
import importlib
import json
import os
import resource
import signal
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import coverage
import hypothesis
import pytest

_MEMORY_BYTES = 6 * 1024**3
# By the clock, for a test that waits and uses no time of the processor (s).
_WAITS_S = 300.0
_EXAMPLES = 25
_PYTEST = (
    "-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:cov",
    "-W", "ignore::pytest.PytestAssertRewriteWarning", "-m", "not slow",
)  # fmt: skip


class Watching:
    """Chooses and orders the tests, takes their time, and keeps the first that fails."""

    def __init__(self, order: list[str] | None, measured: coverage.Coverage | None) -> None:
        self.order = None if order is None else {name: at for at, name in enumerate(order)}
        self.measured = measured
        self.cpu_s: dict[str, float] = {}
        self.failed: list[str] = []

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if (order := self.order) is not None:
            items[:] = [one for one in items if one.nodeid in order]
            items.sort(key=lambda one: order[one.nodeid])

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        if self.measured is not None:
            self.measured.switch_context(item.nodeid)
        begun_s = time.process_time()
        answer = yield
        self.cpu_s[item.nodeid] = time.process_time() - begun_s
        if self.measured is not None:
            self.measured.switch_context("")
        return answer

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)


def in_a_fork(request: dict[str, Any]) -> dict[str, Any]:
    """Return what became of the tests of one request."""
    with tempfile.TemporaryDirectory() as folder:
        told, said = Path(folder, "answer.json"), Path(folder, "said.txt")
        child = os.fork()
        if child == 0:
            _be_the_child(request, told, said)
        status, late = _waited_for(child, request.get("cpu_s"))
        text = said.read_text("utf-8", "replace")[-3000:] if said.exists() else ""
        if late or (os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU):
            return {"end": "timed out", "said": text}
        if not told.exists():
            return {"end": "died", "status": status, "said": text}
        return {**json.loads(told.read_text("utf-8")), "said": text}


def _waited_for(child: int, cpu_s: float | None) -> tuple[int, bool]:
    until_s = time.monotonic() + (_WAITS_S + 20.0 * cpu_s if cpu_s else 1e9)
    late = False
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status, late
        if time.monotonic() > until_s and not late:
            late = True
            os.kill(child, signal.SIGKILL)
        time.sleep(0.02)


def _be_the_child(request: dict[str, Any], told: Path, said: Path) -> None:
    try:
        with said.open("w") as out:
            os.dup2(out.fileno(), 1)
            os.dup2(out.fileno(), 2)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        if request.get("cpu_s"):
            most_s = int(request["cpu_s"]) + 1
            resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s + 5))
            resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
        # The interpreter looks at seconds and size only: a mutant would be taken for the original.
        sys.dont_write_bytecode = request["do"] == "mutant"
        answer = _measured(request) if request["do"] == "measure" else _tried(request)
        told.write_text(json.dumps(answer), "utf-8")
    finally:
        os._exit(0)


def _tried(request: dict[str, Any]) -> dict[str, Any]:
    order = request["tests"]
    watching = Watching(order, None)
    files = list(dict.fromkeys(name.partition("::")[0] for name in order))
    code = int(pytest.main([*_PYTEST, *files], plugins=[watching]))
    # No test at all (5) has noticed nothing; whatever else is not 0 has.
    end = "survived" if code in {0, 5} else "killed"
    return {"end": end, "code": code, "by": watching.failed[:1]}


def _measured(request: dict[str, Any]) -> dict[str, Any]:
    """Run all the tests once and keep which of them ran which lines."""
    before = set(sys.modules)
    sources = Path(request["sources"]).resolve()
    measured = coverage.Coverage(data_file=None, config_file=False, source=[str(sources)])
    watching = Watching(None, measured)
    measured.start()
    options = [one for one in _PYTEST if one != "-x"]
    code = int(pytest.main([*options, *request["tests"]], plugins=[watching]))
    measured.stop()
    data = measured.get_data()
    lines: dict[str, dict[int, list[str]]] = defaultdict(dict)
    for name in data.measured_files():
        short = str(Path(name).relative_to(Path.cwd().resolve()))
        for line, contexts in data.contexts_by_lineno(name).items():
            lines[short][line] = [one for one in contexts if one]
    root = str(Path.cwd().resolve())
    loaded = [
        name
        for name, module in list(sys.modules.items())
        if name not in before
        and (origin := getattr(module, "__file__", None))
        and not str(Path(origin).resolve()).startswith(root)
    ]
    return {
        "end": "measured", "code": code, "failed": watching.failed, "cpu_s": watching.cpu_s,
        "lines": lines, "loaded": loaded,
    }  # fmt: skip


def main() -> None:
    """Answer requests until there are no more."""
    sys.path[0] = str(Path.cwd())
    sys.pycache_prefix = None
    # The same examples every time, and few: no luck in it, and no time for small counterexamples.
    hypothesis.settings.register_profile(
        "mutants", max_examples=_EXAMPLES, derandomize=True, deadline=None, database=None,
        phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate), report_multiple_bugs=False,
    )  # fmt: skip
    hypothesis.settings.load_profile("mutants")
    for line in sys.stdin:
        request = json.loads(line)
        answer = in_a_fork(request)
        for name in answer.pop("loaded", ()):
            if not name.startswith(("_pytest", "pytest")):
                with contextlib.suppress(Exception):
                    importlib.import_module(name)
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
