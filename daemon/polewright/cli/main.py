"""The parser, and the one place where errors become exit codes."""

import argparse
import logging
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from polewright import __version__
from polewright.cli.output import ExitCode, Output
from polewright.core.errors import PolewrightError
from polewright.program import program

_EPILOGUE = """\
exit codes: 0 good · 1 not good enough · 2 wrong usage or settings · 3 cannot tell, or a device
is in trouble.

Caution: a slewing mount pinches fingers and tears cables; the Sun through optics blinds and
burns. Commands that move the mount need your word that it is clear (--clear)."""


def parser() -> argparse.ArgumentParser:
    """Return the whole command line's parser."""
    top = argparse.ArgumentParser(
        prog=program(),
        description="Brings an equatorial mount's polar axis to the celestial pole.",
        epilog=_EPILOGUE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"polewright {__version__}")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--json", action="store_true", help="print one JSON object per result")
    common.add_argument("--config", type=Path, metavar="FILE", help="settings file (TOML)")
    common.add_argument("--verbose", action="store_true", help="log details")
    verbs = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def verb(name: str, text: str, epilogue: str = "") -> argparse.ArgumentParser:
        return verbs.add_parser(
            name, help=text, description=text, parents=[common], epilog=epilogue,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )  # fmt: skip

    verb("run", "run the service (until Ctrl-C or SIGTERM)")

    demo = verb("demo", "rehearse a whole alignment with a simulated sky, mount and hands")
    demo.add_argument("--seed", type=int, default=11, metavar="N", help="which made-up evening")
    demo.add_argument("--site", choices=["south", "north"], default="south")
    longer = demo.add_mutually_exclusive_group()
    longer.add_argument(
        "--day", action="store_true",
        help="a day: rough in by a sensor, refine by the Sun, then dusk and stars (some minutes)",
    )  # fmt: skip
    longer.add_argument(
        "--evening", action="store_true",
        help="that day, then star alignment, verification, and two hours under watch, faster",
    )  # fmt: skip
    demo.add_argument(
        "--stay", action="store_true", help="keep service and page until Ctrl-C, to try them"
    )
    demo.add_argument(
        "--report", type=Path, metavar="FILE",
        help="write the figures as JSON; of an evening also its page, FILE.html",
    )  # fmt: skip

    survey = verb(
        "survey", "measure where the polar axis points: the mount moves, unless --by-hand",
        "Ctrl-C stops the mount and ends the survey.",
    )  # fmt: skip
    survey.add_argument(
        "--clear", action="store_true", help="I looked: the mount is clear to move, fingers off"
    )
    survey.add_argument(
        "--by-hand", action="store_true", help="I turn the axis myself; no motor moves"
    )
    survey.add_argument(
        "--at-dusk", action="store_true", help="wait for the first stars; the mount moves THEN"
    )
    sight = verb(
        "sight", "by day: what the Sun, the Moon or a planet says of the axis; the mount moves",
        "DANGER: never look at the Sun; the filter in front of the objective, other tubes and "
        "finders capped.\nCtrl-C stops the mount.",
    )  # fmt: skip
    sight.add_argument("body", nargs="?", choices=["sun", "moon", "venus", "jupiter"])
    sight.add_argument(
        "--clear", action="store_true", help="I looked: the mount is clear to move, fingers off"
    )
    sight.add_argument(
        "--pointed", action="store_true", help="I brought it into the picture myself"
    )
    sight.add_argument(
        "--turned", action="store_true", help="I turned the bolts by what was told, since the last"
    )
    sight.add_argument("--anew", action="store_true", help="forget the sights before")
    align = verb(
        "align-stars", "find from a few star fields what the mount is off by: good go-tos",
        "It goes to a few fields, and to one more to check. A survey before saves fields.\n"
        "Ctrl-C stops the mount.",
    )  # fmt: skip
    align.add_argument(
        "--clear", action="store_true", help="I looked: the mount is clear to move, fingers off"
    )
    align.add_argument(
        "--sync", dest="syncs", choices=["each", "once", "never"],
        help="tell the mount where it points: at each field, once at the end, never",
    )  # fmt: skip
    align.add_argument(
        "--wish", type=float, metavar="ARCSEC", help="go-to error that is good enough"
    )
    align.add_argument(
        "--points-elsewhere", action="store_true",
        help="I looked: it is right that the telescope points over 3 deg from where the mount says",
    )  # fmt: skip
    adjust = verb(
        "adjust", "say live what to do with each bolt while you turn them",
        "Ctrl-C leaves this display only: the adjustment goes on until `stop`. With motors Ctrl-C "
        "stops them.\nAn adjustment that runs already is shown.",
    )  # fmt: skip
    adjust.add_argument("--until-good", action="store_true", help="end when good enough")
    adjust.add_argument(
        "--by", choices=["stars", "bodies", "sensor"], default=None,
        help="what the axis is followed by; sensor: a phone on the axis, rough, by day",
    )  # fmt: skip
    adjust.add_argument(
        "--motors",
        action=argparse.BooleanOptionalAction,
        default=None,
        help="let the adjuster's motors turn the bolts: the whole mount head moves",
    )
    adjust.add_argument(
        "--clear", action="store_true", help="I looked: the mount head is clear to move"
    )
    verify = verb(
        "verify", "before imaging: is the axis still good enough, and did anything move?",
        "A look at one to three frames turns nothing. Where that cannot tell, a survey follows if "
        "you say that\nthe mount is clear (--clear). Exit codes: 0 good enough; 1 not good enough, "
        "or a look saw it moved;\n3 cannot tell. Ctrl-C stops the mount.",
    )  # fmt: skip
    depth = verify.add_mutually_exclusive_group()
    depth.add_argument(
        "--quick", dest="depth", action="store_const", const="quick",
        help="look only: nothing turns, whatever comes out",
    )  # fmt: skip
    depth.add_argument(
        "--full", dest="depth", action="store_const", const="full",
        help="survey, and compare with the one before: the mount moves",
    )  # fmt: skip
    verify.add_argument(
        "--clear", action="store_true", help="I looked: the mount is clear to move, fingers off"
    )
    drift = verb(
        "drift", "check the axis by how a tracked target wanders off; nothing is slewed",
        "Tracking on, guiding off, hands off. One field of stars shows one component within "
        "minutes and the other\nlater; a go-to to another target meanwhile tells both sooner. "
        "Ctrl-C leaves this display only.",
    )  # fmt: skip
    drift.add_argument(
        "--by", choices=["stars", "bodies"], default=None,
        help="stars, or by day what was sighted last",
    )  # fmt: skip
    drift.add_argument(
        "--minutes", type=float, default=None, metavar="N", help="end after N minutes (20)"
    )
    keep = verb(
        "keep-watch", "watch over a night's imaging: say when the tripod or the axis moved",
        "The camera is left alone: frames that other programs write into [watch] folder are looked "
        "at, and\nwhat comes over MQTT. It goes on until --end or another command; `stop` would "
        "stop the mount too.",
    )  # fmt: skip
    keep.add_argument("--end", action="store_true", help="end it; the mount is left alone")
    keep.add_argument("--hours", type=float, default=None, metavar="N", help="end after N hours")
    turned = verb(
        "turned", "say how far a knob was turned, so that turns can be told from then on",
        "Count what you turned on this knob since you last said so, while `adjust` runs, and let "
        "go of it\nbefore you say it. Clockwise is as you look at the knob's head.\n\n"
        f"  {program()} turned altitude 0.25    a quarter turn clockwise\n"
        f"  {program()} turned azimuth -0.5     half a turn anticlockwise\n\n"
        "Play in the thread (slack) is learned by itself: the first part of a turn the other way "
        "does nothing.",
    )  # fmt: skip
    turned.add_argument("bolt", choices=["altitude", "azimuth"])
    turned.add_argument(
        "turns", type=float, metavar="TURNS",
        help="whole turns; clockwise is +, anticlockwise is -",
    )  # fmt: skip
    solar = verb("solar-filter", "DANGER: say that a solar filter sits in front of a camera's tube")
    solar.add_argument("camera", metavar="CAMERA", help="the camera behind it, as INDI names it")
    solar.add_argument(
        "--removed", action="store_true", help="it is off again: the Sun's cone holds"
    )
    on_sun = verb(
        "sensor-on-sun", "set a sensor's compass: say that a side of it is turned to the Sun",
        "Never look at the Sun. Turn the sensor until its own shadow lies straight behind that "
        "side, let\nit rest, then say so. The side need not point as high as the Sun.",
    )  # fmt: skip
    on_sun.add_argument(
        "--side", choices=["top", "screen"], default="top", help="its top edge (y), or screen (z)"
    )
    placement = verb(
        "placement", "say that the tripod's feet stand on marks, and hear how the axis will be",
        "Say it when the feet stand, before the first survey. What the first survey after each "
        "return finds,\nbefore a bolt is turned, teaches how the next one will begin. A name is "
        "yours to choose:\n\n"
        f"  {program()} placement terrace --marked    the marks were drawn just now\n"
        f"  {program()} placement terrace             the feet are back on them",
    )  # fmt: skip
    placement.add_argument("name", metavar="NAME", help="of the marks")
    placement.add_argument("--marked", action="store_true", help="they were drawn just now")
    placement.add_argument(
        "--bolts-turned", action="store_true",
        help="bolts were turned since the feet were put there, with nobody watching",
    )  # fmt: skip
    verb("stop", "stop the mount and whatever runs")
    verb("status", "say what the service knows now")
    watch = verb("watch", "show the corrections in this terminal until Ctrl-C")
    watch.add_argument("--once", action="store_true", help="print the present state and end")

    fleet = verb(
        "fleet", "every mount of the broker at once, the worst first",
        "It only looks, but for --stop. It needs a broker that the services share: "
        "[mqtt] mode = \"external\".\nA mount that goes quiet stays, with when it was last heard.",
    )  # fmt: skip
    instead = fleet.add_mutually_exclusive_group()
    instead.add_argument("--once", action="store_true", help="print the present state and end")
    instead.add_argument(
        "--serve", type=int, nargs="?", const=8473, metavar="PORT",
        help="serve it as a page (port 8473); [page] says who may look",
    )  # fmt: skip
    instead.add_argument("--stop", action="store_true", help="stop EVERY mount of the broker")
    fleet.add_argument("--yes", action="store_true", help="to --stop: I mean every mount")

    doctor = verb("doctor", "check clock, broker, devices and catalogue, and say what to do")
    doctor.add_argument(
        "--record", type=Path, metavar="FILE", help="write what the devices say into a new file"
    )
    doctor.add_argument(
        "--seconds", type=float, default=20.0, metavar="N", help="record so long after the checks"
    )
    doctor.add_argument(
        "--with-place", action="store_true", help="record the site as exactly as devices tell it"
    )

    page = verb("page", "show the link to the page, with a code for a phone's camera")
    page.add_argument("--onlooker", action="store_true", help="the link that may only look")
    page.add_argument(
        "--make-certificate", action="store_true", help="make one for https, for phone sensors"
    )

    tolerance = verb("tolerance", "say how good is good enough for what you plan to shoot")
    tolerance.add_argument("--focal-length", type=float, metavar="MM")
    tolerance.add_argument("--pixel-size", type=float, metavar="UM")
    tolerance.add_argument("--exposure", type=float, metavar="S")
    tolerance.add_argument("--declination", type=float, metavar="DEG", help="of the target")
    tolerance.add_argument("--guided", action="store_true", default=None)
    tolerance.add_argument("--farthest", type=float, metavar="MM", help="guide star to corner")
    tolerance.add_argument("--allowed", type=float, metavar="PX", help="smear that you accept")

    plan = verb(
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

    sun = verb(
        "sun", "true north from a shadow; Moon, Venus and Jupiter by day; twilights; compass"
    )
    _add_occasion(sun)
    sun.add_argument("--every", type=float, default=10.0, metavar="MIN", help="between rows")
    sun.add_argument("--hours", type=float, default=2.0, metavar="H", help="length of the table")
    sun.add_argument("--stick", type=float, default=1.0, metavar="M", help="length of the stick")

    pole = verb("pole", "where the pole's stars stand in a polar scope now")
    _add_occasion(pole)
    pole.add_argument(
        "--view", choices=["inverted", "upright", "mirrored", "mirrored-inverted"],
        default="inverted", help="what your polar scope does to the picture",
    )  # fmt: skip

    axis = verb(
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

    solve = verb("solve", "find where one picture was looking, offline")
    solve.add_argument("files", nargs=1, type=Path, metavar="FILE")
    _add_optics(solve)

    history = verb(
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

    config = verb("config", "write or check a settings file")
    config.add_argument("action", choices=["init", "check"])
    config.add_argument("file", nargs="?", type=Path, metavar="FILE")
    return top


def _add_optics(command: argparse.ArgumentParser) -> None:
    command.add_argument("--fov", type=float, metavar="DEG", help="width of the field")
    command.add_argument("--focal-length", type=float, metavar="MM")
    command.add_argument("--pixel-size", type=float, metavar="UM")


def _add_occasion(command: argparse.ArgumentParser) -> None:
    command.add_argument("--at", metavar="LAT,LON,ELEV", help="place (deg, deg, m); S, W negative")
    command.add_argument("--time", metavar="WHEN", help="10:30, 2026-11-25T10:30, or with a zone")
    command.add_argument("--zone", metavar="ZONE", help="tell times in it: +2, UTC, a zone's name")
    command.add_argument("--print", type=Path, metavar="FILE.html", help="write a sheet to print")


def joined_values(arguments: Sequence[str]) -> list[str]:
    """Return the arguments with ``--at -32.4,22.7`` as one: a minus sign looks like an option."""
    joined: list[str] = []
    for argument in arguments:
        negative = argument[:1] == "-" and argument[1:2] != "-"
        if negative and joined and joined[-1] in ("--at", "--zone"):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    options = parser().parse_args(joined_values(sys.argv[1:] if arguments is None else arguments))
    output = Output(as_json=options.json)
    try:
        return int(_dispatch(options, output))
    except PolewrightError as failure:
        output.error(failure)
        return failure.exit_code
    except BaseExceptionGroup as group:
        expected = only_expected(group)
        if expected is None:
            raise
        output.error(expected)
        return expected.exit_code
    except KeyboardInterrupt as left:
        output.note(str(left) or "ended")
        return 130
    except BrokenPipeError:
        # The reader of a pipe has gone: nothing more to say, and no traceback at exit either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def only_expected(group: BaseExceptionGroup[BaseException]) -> PolewrightError | None:
    """Return the first expected error of a group that holds nothing else; else None."""
    expected, rest = group.split(PolewrightError)
    if rest is not None or expected is None:
        return None
    first: BaseExceptionGroup[PolewrightError] | PolewrightError = expected
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    return first


def _dispatch(options: argparse.Namespace, output: Output) -> ExitCode:
    """Import a command only when it is asked for: ``stop`` must start fast."""
    if options.verbose:
        logging.getLogger("polewright").setLevel(logging.DEBUG)
    match options.command:
        case "run":
            from polewright.cli.service import run

            return run(options, output)
        case "sight":
            from polewright.cli.sighting import sight

            return sight(options, output)
        case "demo":
            from polewright.cli.rehearsal import demo

            return demo(options, output)
        case "page":
            from polewright.cli.page import page

            return page(options, output)
        case "axis":
            from polewright.cli.offline import axis

            return axis(options, output)
        case "solve":
            from polewright.cli.offline import solve

            return solve(options, output)
        case "history":
            from polewright.cli.history import history

            return history(options, output)
        case "doctor":
            from polewright.cli.doctor import doctor

            return doctor(options, output)
        case "tolerance":
            from polewright.cli.tolerance import tolerance

            return tolerance(options, output)
        case "plan":
            from polewright.cli.plan import plan

            return plan(options, output)
        case "sun":
            from polewright.cli.sun import sun

            return sun(options, output)
        case "pole":
            from polewright.cli.pole import pole

            return pole(options, output)
        case "config":
            from polewright.cli.settings import config

            return config(options, output)
        case "survey":
            from polewright.cli.surveying import survey

            return survey(options, output)
        case "align-stars":
            from polewright.cli.star_aligning import align_stars

            return align_stars(options, output)
        case "adjust":
            from polewright.cli.adjusting import adjust

            return adjust(options, output)
        case "verify":
            from polewright.cli.verifying import verify

            return verify(options, output)
        case "drift":
            from polewright.cli.drifting import drift

            return drift(options, output)
        case "keep-watch":
            from polewright.cli.watchkeeping import keep_watch

            return keep_watch(options, output)
        case "fleet":
            from polewright.cli.fleet import fleet

            return fleet(options, output)
        case "stop":
            from polewright.cli.stopping import stop

            return stop(options, output)
        case _:
            from polewright.cli import remote

            return remote.COMMANDS[options.command](options, output)
