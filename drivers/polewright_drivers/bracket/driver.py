"""Driver: the program ``polewright-bracket``."""

import argparse
import asyncio
import logging
import os
import shlex
import sys

from polewright_drivers.bracket.device import Bracket
from polewright_drivers.bracket.readings import Arrangement, BadReadingError, axes_of
from polewright_drivers.bracket.sources import SourceError, source_of
from polewright_drivers.indi.driver import Driver, add_serving_options, serve

OPTIONS_VARIABLE = "POLEWRIGHT_BRACKET"
DEFAULT_SOURCE = "udp:7625"


def parser() -> argparse.ArgumentParser:
    """Return the command line's grammar."""
    out = argparse.ArgumentParser(
        prog="polewright-bracket",
        description="A phone or sensor that is clamped to the polar axis, as an INDI device that "
        "tells gravity and magnetic field.  Without --port it speaks INDI on its standard "
        "streams, as indiserver expects of a driver; indiserver gives a driver no options: put "
        f"them into the variable {OPTIONS_VARIABLE}.",
    )
    out.add_argument(
        "--source",
        default=DEFAULT_SOURCE,
        help="udp:PORT, udp:HOST:PORT, tcp:PORT, tcp:HOST:PORT, stdin (with --port), iio or "
        f"iio:PATH; {DEFAULT_SOURCE} where left out.  Without HOST only this machine is heard",
    )
    out.add_argument(
        "--axes",
        default="x,y,z",
        help="which axes of the source are the device's X, Y, Z, like x,-z,y (write --axes=-y,x,z)",
    )
    out.add_argument("--field-axes", help="the same for the magnetometer, where it lies otherwise")
    out.add_argument(
        "--gravity-down",
        action="store_true",
        help="the source's gravity points down; an accelerometer's at rest points up",
    )
    add_serving_options(out)
    return out


def main() -> None:
    """Run the driver."""
    grammar = parser()
    arguments = grammar.parse_args(shlex.split(os.environ.get(OPTIONS_VARIABLE, "")) + sys.argv[1:])
    logging.basicConfig(
        level=logging.INFO if arguments.verbose else logging.WARNING,
        format="%(name)s: %(message)s",
        stream=sys.stderr,
    )
    if arguments.source == "stdin" and (arguments.port is None or arguments.until_input_ends):
        grammar.error("--source stdin needs --port, and cannot go with --until-input-ends")
    try:
        source = source_of(arguments.source)
        axes = axes_of(arguments.axes)
        field_axes = axes if arguments.field_axes is None else axes_of(arguments.field_axes)
    except (SourceError, BadReadingError) as trouble:
        grammar.error(str(trouble))
    bracket = Bracket(
        source,
        Arrangement(axes=axes, field_axes=field_axes, gravity_down=arguments.gravity_down),
    )
    try:
        asyncio.run(
            serve(
                Driver([bracket]),
                host=arguments.host,
                port=arguments.port,
                until_input_ends=arguments.until_input_ends,
            )
        )
    except OSError as trouble:
        sys.stderr.write(f"polewright-bracket: {trouble}\n")
        raise SystemExit(3) from None


if __name__ == "__main__":
    main()
