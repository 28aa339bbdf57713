"""The command line's commands that need no mount."""

import argparse
from pathlib import Path

from polewright.cli.verbs import Verbs
from polewright.program import program


def add_desk_verbs(verbs: Verbs) -> None:
    """Add them."""
    _tolerance(verbs)
    _plan(verbs)
    _sun(verbs)
    _pole(verbs)
    _axis(verbs)
    _solve(verbs)
    _history(verbs)


def _tolerance(verbs: Verbs) -> None:
    tolerance = verbs.add("tolerance", "say how good is good enough for what you plan to shoot")
    tolerance.add_argument("--focal-length", type=float, metavar="MM")
    tolerance.add_argument("--pixel-size", type=float, metavar="UM")
    tolerance.add_argument("--exposure", type=float, metavar="S")
    tolerance.add_argument("--declination", type=float, metavar="DEG", help="of the target")
    tolerance.add_argument("--guided", action="store_true", default=None)
    tolerance.add_argument("--farthest", type=float, metavar="MM", help="guide star to corner")
    tolerance.add_argument("--allowed", type=float, metavar="PX", help="smear that you accept")


def _plan(verbs: Verbs) -> None:
    plan = verbs.add(
        "plan", "say what you shoot tonight: how good the axis must be, and where it points",
        "show (where left out): the plan in force; set: another one, until it is cleared; clear:\n"
        "the settings' one holds again; find: look names up, without the service. What is left\n"
        "out comes from [plan].\n\n"
        f"  {program()} plan set 'M 83' --focal-length 400 --pixel-size 4 --exposure 120 --night\n"
        f"  {program()} plan set 'comet = 13:26:47 -47:28:46' --optics wide --from 21:30 --to "
        "02:00",
    )  # fmt: skip
    plan.add_argument("action", nargs="?", default="show", choices=["show", "set", "clear", "find"])
    plan.add_argument("targets", nargs="*", metavar="TARGET", help="a name, or a place, in quotes")
    plan.add_argument(
        "--optics", action="append", metavar="NAME", help="named in [plan] optics; may be repeated"
    )
    plan.add_argument("--focal-length", type=float, metavar="MM")
    plan.add_argument("--pixel-size", type=float, metavar="UM")
    plan.add_argument("--farthest", type=float, metavar="MM", help="guide star to corner")
    plan.add_argument("--diagonal", type=float, metavar="MM", help="of the sensor, instead")
    plan.add_argument("--allowed", type=float, metavar="PX", help="smear that you accept")
    plan.add_argument("--exposure", type=float, metavar="S", help="one exposure")
    plan.add_argument("--guided", action=argparse.BooleanOptionalAction, default=None)
    plan.add_argument("--from", dest="start", metavar="TIME", help="21:30, 19:30Z or ISO 8601")
    plan.add_argument("--to", dest="end", metavar="TIME", help="when it ends")
    plan.add_argument("--night", action="store_true", default=None, help="all the dark hours")
    plan.add_argument("--pole", choices=["refracted", "true", "tonight"], help="else what suits")
    plan.add_argument("--tolerance", type=float, metavar="ARCSEC", help="else what the plan needs")
    plan.add_argument(
        "--verify-before", type=float, metavar="MIN", help="verify so long before it begins"
    )


def _sun(verbs: Verbs) -> None:
    sun = verbs.add(
        "sun", "true north from a shadow; Moon, Venus and Jupiter by day; twilights; compass"
    )
    _add_occasion(sun)
    sun.add_argument("--every", type=float, default=10.0, metavar="MIN", help="between rows")
    sun.add_argument("--hours", type=float, default=2.0, metavar="H", help="length of the table")
    sun.add_argument("--stick", type=float, default=1.0, metavar="M", help="length of the stick")


def _pole(verbs: Verbs) -> None:
    pole = verbs.add("pole", "where the pole's stars stand in a polar scope now")
    _add_occasion(pole)
    pole.add_argument(
        "--view", choices=["inverted", "upright", "mirrored", "mirrored-inverted"],
        default="inverted", help="what your polar scope does to the picture",
    )  # fmt: skip


def _axis(verbs: Verbs) -> None:
    axis = verbs.add(
        "axis", "find the rotation axis from pictures, offline",
        "Time and place come from the pictures where they tell them (FITS: DATE-OBS, OBSGEO-..., "
        "SITELAT and SITELONG);\noptions go before them, the settings come after. Times say when "
        "the shutter opened, with their zone:\n2026-11-25T20:00:00Z. Degrees north and east are "
        "positive.",
    )  # fmt: skip
    axis.add_argument("files", nargs="+", type=Path, metavar="FILE")
    _add_optics(axis)
    axis.add_argument("--latitude", type=float, metavar="DEG", help="site, north positive")
    axis.add_argument("--longitude", type=float, metavar="DEG", help="site, east positive")
    axis.add_argument("--elevation", type=float, metavar="M")
    axis.add_argument("--pressure", type=float, metavar="HPA", help="of the air, at the station")
    axis.add_argument("--temperature", type=float, metavar="C", help="of the air")
    axis.add_argument("--start", metavar="TIME", help="when the first picture began")
    axis.add_argument(
        "--every", type=float, metavar="S",
        help="seconds from the beginning of each picture to that of the next, in the order given",
    )  # fmt: skip
    axis.add_argument(
        "--times", type=Path, metavar="FILE", help="a list: name of the picture, when it began"
    )
    axis.add_argument(
        "--without-roll", action="store_true",
        help="the pictures do not turn with the axis (a rotator): directions alone decide",
    )  # fmt: skip
    axis.add_argument(
        "--floor", type=float, metavar="ARCSEC", help="how far the mount wanders between pictures"
    )
    axis.add_argument("--plot", type=Path, metavar="FILE", help="draw residuals and axis")
    axis.add_argument(
        "--target", choices=["refracted", "true", "tonight"],
        help="the pole to hold it against; else the settings' one",
    )  # fmt: skip


def _solve(verbs: Verbs) -> None:
    solve = verbs.add("solve", "find where one picture was looking, offline")
    solve.add_argument("files", nargs=1, type=Path, metavar="FILE")
    _add_optics(solve)


def _history(verbs: Verbs) -> None:
    history = verbs.add(
        "history", "what the journal keeps: surveys, evenings, adjustments, placements, lessons",
        "list (where left out), evenings, adjustments, placements: what is kept\n"
        "show N: everything of one survey; replay [N]: computes surveys again, to the digit\n"
        "learned: what is known of knobs, optics, mount and brackets\n"
        "export FILE.csv or FILE.ecsv: a table, with --of another one than the surveys",
    )  # fmt: skip
    history.add_argument(
        "action", nargs="?", default="list",
        choices=["list", "evenings", "adjustments", "placements", "show", "replay", "learned",
                 "export"],
    )  # fmt: skip
    history.add_argument(
        "what", nargs="?", metavar="N|FILE", help="a survey's number, or the table to write"
    )
    history.add_argument(
        "--of", default="surveys", metavar="WHAT",
        choices=["surveys", "adjustments", "evenings", "placements", "knobs", "brackets"],
        help="what is exported: surveys, adjustments, evenings, placements, knobs, brackets",
    )  # fmt: skip
    instead = history.add_mutually_exclusive_group()
    instead.add_argument(
        "--plot", type=Path, metavar="FILE", help="draw how the axis went over weeks, with its rate"
    )
    instead.add_argument(
        "--report", type=Path, metavar="FILE.html", help="write one evening as a page"
    )
    instead.add_argument(
        "--backup", type=Path, metavar="FILE", help="copy the journal, also while the service runs"
    )
    instead.add_argument(
        "--restore", type=Path, metavar="FILE",
        help="put a backup in the journal's place, which is set aside; not while the service runs",
    )  # fmt: skip
    history.add_argument("--evening", type=int, metavar="N", help="of the report; else the last")
    history.add_argument("--mount", metavar="NAME", help="of the plot; else the last surveyed")
    history.add_argument("--file", type=Path, metavar="FILE", help="another journal")


def _add_optics(command: argparse.ArgumentParser) -> None:
    command.add_argument("--fov", type=float, metavar="DEG", help="width of the field")
    command.add_argument("--focal-length", type=float, metavar="MM")
    command.add_argument("--pixel-size", type=float, metavar="UM")


def _add_occasion(command: argparse.ArgumentParser) -> None:
    command.add_argument("--at", metavar="LAT,LON,ELEV", help="place (deg, deg, m); S, W negative")
    command.add_argument("--time", metavar="WHEN", help="10:30, 2026-11-25T10:30, or with a zone")
    command.add_argument("--zone", metavar="ZONE", help="tell times in it: +2, UTC, a zone's name")
    command.add_argument("--print", type=Path, metavar="FILE.html", help="write a sheet to print")
