"""``./run faults``: the fault campaign, and kills in the middle of commits."""

import argparse
import json
import signal
import sys
from pathlib import Path

from tests.faults.campaign import SeedResult, lines_of, run_campaign, table
from tests.faults.schedule import KINDS, Kind


def main() -> int:
    """Run what is asked for; 1 where anything was violated."""
    parser = argparse.ArgumentParser(
        prog="./run faults",
        description="Breaks a running stack by a schedule that follows from each seed, and checks "
        "what must hold all through.  Everything runs on this machine's loopback and ends by "
        "itself.",
    )
    parser.add_argument("--seeds", type=int, default=0, metavar="N", help="run so many seeds")
    parser.add_argument("--from", type=int, default=0, dest="first", metavar="K", help="first seed")
    parser.add_argument("--jobs", type=int, default=1, metavar="J", help="so many at once")
    parser.add_argument("--kills", type=int, default=0, metavar="N", help="kill -9 in commits")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep what failed, for a look")
    parser.add_argument(
        "--only", choices=[kind.value for kind in KINDS], metavar="KIND",
        help="every fault of this kind: " + ", ".join(KINDS),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if not options.seeds and not options.kills:
        parser.error("give --seeds N or --kills N")
    told: dict[str, object] = {}
    violated = False
    if options.kills:
        from tests.faults.kills import run_kills

        report = run_kills(options.kills)
        violated |= bool(report["violations"])
        told["kills"] = report
        if not options.json:
            print(
                f"{report['kills']} kills, {report['surveys']} surveys committed and answered, "
                f"{len(report['violations'])} violations"
            )
    if options.seeds:
        seeds = range(options.first, options.first + options.seeds)
        only = Kind(options.only) if options.only else None
        results: list[SeedResult] = []

        def take(result: SeedResult) -> None:
            results.append(result)
            _tell(result)

        try:
            run_campaign(seeds, jobs=options.jobs, only=only, keep=options.keep, tell=take)
        except KeyboardInterrupt:
            sys.stderr.write("interrupted: what was run so far is told\n")
            told["interrupted"] = violated = True
        rows = table(results)
        results.sort(key=lambda one: one.seed)
        failed = [one for one in results if one.violations]
        violated |= bool(failed)
        told["seeds"] = len(results)
        told["table"] = rows
        told["violations"] = {one.seed: list(one.violations) for one in failed}
        told["good_enough_verdicts"] = sum(one.good_enough for one in results)
        told["surveys"] = sum(one.surveys for one in results)
        told["corrections"] = sum(one.corrections for one in results)
        if not options.json:
            print("\n".join(lines_of(rows)))
            print(
                f"{len(results)} seeds, {told['surveys']} surveys, {told['corrections']} "
                f"corrections, {told['good_enough_verdicts']} of them good_enough; "
                f"{len(failed)} seeds with violations"
            )
    if options.json:
        print(json.dumps(told))
    return 1 if violated else 0


def _tell(result: SeedResult) -> None:
    faults = ", ".join(
        f"{kind} {'never' if took is None else f'{took:.1f} s'}" for kind, took in result.faults
    )
    noted = f" ({'; '.join(result.noted)})" if result.noted else ""
    sys.stderr.write(f"seed {result.seed} ({result.took_s:.0f} s): {faults}{noted}\n")
    for text in result.violations:
        sys.stderr.write(f"  VIOLATED {text}\n")
    sys.stderr.flush()


if __name__ == "__main__":
    sys.exit(main())
