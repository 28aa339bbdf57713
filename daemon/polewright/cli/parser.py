"""The whole command line's parser."""

import argparse
from pathlib import Path

from polewright import __version__
from polewright.cli.desk_verbs import add_desk_verbs
from polewright.cli.mount_verbs import add_mount_verbs
from polewright.cli.verbs import Verbs
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
    verbs = Verbs(top)
    verbs.add("run", "run the service (until Ctrl-C or SIGTERM)")
    _demo(verbs)
    add_mount_verbs(verbs)
    verbs.add("stop", "stop the mount and whatever runs")
    verbs.add("status", "say what the service knows now")
    _watch(verbs)
    _fleet(verbs)
    _doctor(verbs)
    _page(verbs)
    add_desk_verbs(verbs)
    _config(verbs)
    return top


def _demo(verbs: Verbs) -> None:
    demo = verbs.add("demo", "rehearse a whole alignment with a simulated sky, mount and hands")
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


def _watch(verbs: Verbs) -> None:
    watch = verbs.add("watch", "show the corrections in this terminal until Ctrl-C")
    watch.add_argument("--once", action="store_true", help="print the present state and end")


def _fleet(verbs: Verbs) -> None:
    fleet = verbs.add(
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


def _doctor(verbs: Verbs) -> None:
    doctor = verbs.add("doctor", "check clock, broker, devices and catalogue, and say what to do")
    doctor.add_argument(
        "--record", type=Path, metavar="FILE", help="write what the devices say into a new file"
    )
    doctor.add_argument(
        "--seconds", type=float, default=20.0, metavar="N", help="record so long after the checks"
    )
    doctor.add_argument(
        "--with-place", action="store_true", help="record the site as exactly as devices tell it"
    )


def _page(verbs: Verbs) -> None:
    page = verbs.add("page", "show the link to the page, with a code for a phone's camera")
    page.add_argument("--onlooker", action="store_true", help="the link that may only look")
    page.add_argument(
        "--make-certificate", action="store_true", help="make one for https, for phone sensors"
    )


def _config(verbs: Verbs) -> None:
    config = verbs.add("config", "write or check a settings file")
    config.add_argument("action", choices=["init", "check"])
    config.add_argument("file", nargs="?", type=Path, metavar="FILE")
