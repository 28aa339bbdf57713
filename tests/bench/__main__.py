"""Benchmarks: ``./run bench [NAME ...] [--quick] [--json FILE] [--keep] [--check]``.

Every figure is a ratio against a bound or a reference measured in the same run.
"""

import argparse
import importlib
import json
import sys
from pathlib import Path

from tests.bench import history
from tests.bench.ratios import ratios_of

BENCHES = {
    "accuracy": "survey by Monte Carlo against the Cramer-Rao bound and the plain circle",
    "pictures": "surveys through rendered frames against the simulator's truth",
    "corrupted": "spoiled surveys: no false 'good enough'",
    "live": "live adjustment by Monte Carlo against its bound; stillness and lag",
    "motors": "adjusting by motors: steps needed and what is left, 2 deg off",
    "pointing": "star alignment: fields needed, and go-tos to unseen targets against the promise",
    "daylight": "sights of Sun, Moon, planets: promised sigmas and whether they hold; discs",
    "drift": "the drift check by stars and by the Sun: error, honest sigmas, time to an arcmin",
    "watch": "the watch over imaging: false alarms in quiet nights, bumps noticed, creep",
    "verify": "quick verification: needless alarms, the smallest move that is found",
    "attitude": "centre and roll of rendered frames against the bound that the photons set",
    "solve": "solve rate by width of field, wrong answers, time, against solve-field",
    "resources": "memory, idle CPU, event-loop stalls of the service; frames through the relay",
    "startup": "from the start until the devices are in use, against bare imports",
    "fleet": "two hundred mounts on one mosquitto, against bare clients in the same run",
    "latency": "frame in memory to correction ready, against solve-field on the same frame",
}


def main() -> int:
    """Run the named benchmarks; 1 where a target is missed."""
    parser = argparse.ArgumentParser(prog="./run bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BENCHES))
    parser.add_argument("--quick", action="store_true", help="fewer trials")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures")
    parser.add_argument("--keep", action="store_true", help="add the ratios to the history")
    parser.add_argument(
        "--check", action="store_true", help="fail where a ratio is worse than the history's newest"
    )
    options = parser.parse_args()
    unknown = set(options.names) - set(BENCHES)
    if unknown:
        parser.error(f"no benchmark {', '.join(sorted(unknown))}; there are {', '.join(BENCHES)}")
    figures = {}
    missed = []
    for name in options.names or BENCHES:
        print(f"== {name}: {BENCHES[name]}", flush=True)
        result = importlib.import_module(f"tests.bench.{name}").run(quick=options.quick)
        figures[name] = result
        missed += [f"{name}: {text}" for text in result.get("missed", [])]
    if options.json:
        options.json.write_text(json.dumps(figures, indent=1) + "\n", "utf-8")
    ratios = ratios_of(figures)
    if options.check:
        missed += [f"worse: {text}" for text in history.check(ratios, quick=options.quick)]
    if options.keep:
        history.keep(ratios, quick=options.quick)
        history.draw()
    for text in missed:
        print(f"MISSED {text}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
