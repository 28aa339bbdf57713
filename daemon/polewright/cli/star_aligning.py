"""``polewright align-stars``: how good go-tos are, and what the mount is off by."""

import argparse
from collections.abc import Mapping
from typing import Any

from polewright.cli.moving import moved
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.session.pointing_message import angle_words, terms_words
from polewright.settings.load import find_settings_file, load_settings

_TOLD = {
    "each": "the mount was told where it points at each field",
    "once": "the mount was told once where it points",
    "never": "the mount was told nothing",
}


def align_stars(options: argparse.Namespace, output: Output) -> ExitCode:
    """Star-align the mount; ``--clear`` gives the person's word first; Ctrl-C stops the mount."""
    settings = load_settings(find_settings_file(options.config))
    asked = {"syncs": options.syncs, "goto_arcsec": options.wish}
    arguments: dict[str, Any] = {name: value for name, value in asked.items() if value is not None}
    if options.points_elsewhere:
        arguments["points_elsewhere"] = True
    result = moved(
        settings, "align_stars", arguments, output,
        clear=options.clear, again="align again when ready",
    )  # fmt: skip
    output.result(result, *alignment_lines(result))
    return VERDICT_EXIT_CODES[str(result["verdict"])]


def alignment_lines(result: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the verdict, what go-tos are expected to miss by, the check, the terms, what is next.

    Parameters
    ----------
    result : mapping
        The ``pointing`` payload.
    """
    good = result["verdict"] == "good_enough"
    verdict = "go-tos are good enough" if good else "go-tos are not good enough yet"
    lines = [f"{verdict} (wished: {angle_words(result['goto_wish_arcsec'])})"]
    ways = [
        ("by its own coordinates", result["goto_own_arcsec"]),
        ("through the model", result["goto_model_arcsec"]),
    ]
    if result["syncs"] == "never":
        ways.reverse()
    lines += [
        f"  sent {way} it misses by about {angle_words(expected)}"
        for way, expected in ways
        if expected is not None
    ]
    promised, met = result["check_promised_arcsec"], angle_words(result["check_met_arcsec"])
    if promised is None:
        lines.append(f"  on a field that was not used it missed by {met}; nothing was promised")
    else:
        lines.append(
            f"  on a field that was not used: {angle_words(promised)} promised, {met} seen"
        )
    told = _TOLD[str(result["syncs"])]
    counted = "1 field" if result["fields"] == 1 else f"{result['fields']} fields"
    left_out = result["rejected_fields"] + result["spoiled_fields"]
    others = f", {left_out} more of no use" if left_out else ""
    lines.append(f"  {counted}{others}; {told}")
    lines += [f"  {line}" for line in terms_words(result)]
    if not result["terms"]:
        lines.append("  the mount's own model hides what it is off by")
    if not good:
        lines.append(f"next: {_next(result)}")
    return tuple(lines)


def _next(result: Mapping[str, Any]) -> str:
    own, modelled = result["goto_own_arcsec"], result["goto_model_arcsec"]
    if own is None or modelled is None:
        return "align again with more fields; a mount that makes a model of its own needs them"
    if result["syncs"] != "never" and modelled <= result["goto_wish_arcsec"]:
        return (
            "what is left is in the mount: axis, cone or the air. Adjust the axis, square the "
            "telescope, or send the mount through the model"
        )
    return "survey first (its axis saves fields), or allow more: [star_alignment] most_fields"
