"""The child process of the narrow solver: asks the astrometry package, one line a question.

A process of its own, because the search cannot be interrupted from within: the parent ends it
when its time is up.  Questions and answers are JSON lines on standard input and output; it ends
with its input.
"""

import json
import sys
from pathlib import Path
from typing import Any, TextIO

_MOST_PROPOSALS = 12
_CERTAIN_LOG_ODDS = 100.0


def main(arguments: list[str]) -> int:
    """Answer until the input ends; the arguments are the index files."""
    import astrometry

    with astrometry.Solver([Path(name) for name in arguments]) as solver:
        _say(sys.stdout, {"ready": True})
        for line in sys.stdin:
            _say(sys.stdout, {"proposals": _search(astrometry, solver, json.loads(line))})
    return 0


def _search(astrometry: Any, solver: Any, question: dict[str, Any]) -> list[dict[str, Any]]:
    low, high = question["scale_arcsec_px"]
    position = question["position_deg"]

    def enough(log_odds: list[float]) -> Any:
        done = len(log_odds) >= _MOST_PROPOSALS or max(log_odds) > _CERTAIN_LOG_ODDS
        return astrometry.Action.STOP if done else astrometry.Action.CONTINUE

    answer = solver.solve(
        stars=question["stars_px"],
        size_hint=astrometry.SizeHint(low, high),
        position_hint=astrometry.PositionHint(*position) if position else None,
        solution_parameters=astrometry.SolutionParameters(
            parity=astrometry.Parity[question["parity"]],
            output_logodds_threshold=question["log_odds"],
            sip_order=1,
            logodds_callback=enough,
        ),
    )
    return [_proposal(match.wcs_fields) for match in answer.matches]


def _proposal(fields: dict[str, Any]) -> dict[str, Any]:
    """Return the linear part of a world coordinate system."""
    return {
        "reference_deg": [fields["CRVAL1"][0], fields["CRVAL2"][0]],
        "reference_px": [fields["CRPIX1"][0], fields["CRPIX2"][0]],
        "deg_per_px": [
            [fields["CD1_1"][0], fields["CD1_2"][0]],
            [fields["CD2_1"][0], fields["CD2_2"][0]],
        ],
    }


def _say(stream: TextIO, answer: dict[str, Any]) -> None:
    stream.write(json.dumps(answer) + "\n")
    stream.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
