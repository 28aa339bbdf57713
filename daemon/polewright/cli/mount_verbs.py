"""The command line's commands that work at the mount."""

import argparse

from polewright.cli.verbs import CLEAR, Verbs
from polewright.program import program


def add_mount_verbs(verbs: Verbs) -> None:
    """Add them."""
    _survey(verbs)
    _sight(verbs)
    _align_stars(verbs)
    _adjust(verbs)
    _verify(verbs)
    _drift(verbs)
    _keep_watch(verbs)
    _turned(verbs)
    _solar_filter(verbs)
    _sensor_on_sun(verbs)
    _placement(verbs)


def _survey(verbs: Verbs) -> None:
    survey = verbs.add(
        "survey", "measure where the polar axis points: the mount moves, unless --by-hand",
        "Ctrl-C stops the mount and ends the survey.",
    )  # fmt: skip
    survey.add_argument("--clear", action="store_true", help=CLEAR)
    survey.add_argument(
        "--by-hand", action="store_true", help="I turn the axis myself; no motor moves"
    )
    survey.add_argument(
        "--at-dusk", action="store_true", help="wait for the first stars; the mount moves THEN"
    )


def _sight(verbs: Verbs) -> None:
    sight = verbs.add(
        "sight", "by day: what the Sun, the Moon or a planet says of the axis; the mount moves",
        "DANGER: never look at the Sun; the filter in front of the objective, other tubes and "
        "finders capped.\nCtrl-C stops the mount.",
    )  # fmt: skip
    sight.add_argument("body", nargs="?", choices=["sun", "moon", "venus", "jupiter"])
    sight.add_argument("--clear", action="store_true", help=CLEAR)
    sight.add_argument(
        "--pointed", action="store_true", help="I brought it into the picture myself"
    )
    sight.add_argument(
        "--turned", action="store_true", help="I turned the bolts by what was told, since the last"
    )
    sight.add_argument("--anew", action="store_true", help="forget the sights before")


def _align_stars(verbs: Verbs) -> None:
    align = verbs.add(
        "align-stars", "find from a few star fields what the mount is off by: good go-tos",
        "It goes to a few fields, and to one more to check. A survey before saves fields.\n"
        "Ctrl-C stops the mount.",
    )  # fmt: skip
    align.add_argument("--clear", action="store_true", help=CLEAR)
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


def _adjust(verbs: Verbs) -> None:
    adjust = verbs.add(
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


def _verify(verbs: Verbs) -> None:
    verify = verbs.add(
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
    verify.add_argument("--clear", action="store_true", help=CLEAR)


def _drift(verbs: Verbs) -> None:
    drift = verbs.add(
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


def _keep_watch(verbs: Verbs) -> None:
    keep = verbs.add(
        "keep-watch", "watch over a night's imaging: say when the tripod or the axis moved",
        "The camera is left alone: frames that other programs write into [watch] folder are looked "
        "at, and\nwhat comes over MQTT. It goes on until --end or another command; `stop` would "
        "stop the mount too.",
    )  # fmt: skip
    keep.add_argument("--end", action="store_true", help="end it; the mount is left alone")
    keep.add_argument("--hours", type=float, default=None, metavar="N", help="end after N hours")


def _turned(verbs: Verbs) -> None:
    turned = verbs.add(
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


def _solar_filter(verbs: Verbs) -> None:
    solar = verbs.add(
        "solar-filter", "DANGER: say that a solar filter sits in front of a camera's tube"
    )
    solar.add_argument("camera", metavar="CAMERA", help="the camera behind it, as INDI names it")
    solar.add_argument(
        "--removed", action="store_true", help="it is off again: the Sun's cone holds"
    )


def _sensor_on_sun(verbs: Verbs) -> None:
    on_sun = verbs.add(
        "sensor-on-sun", "set a sensor's compass: say that a side of it is turned to the Sun",
        "Never look at the Sun. Turn the sensor until its own shadow lies straight behind that "
        "side, let\nit rest, then say so. The side need not point as high as the Sun.",
    )  # fmt: skip
    on_sun.add_argument(
        "--side", choices=["top", "screen"], default="top", help="its top edge (y), or screen (z)"
    )


def _placement(verbs: Verbs) -> None:
    placement = verbs.add(
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
