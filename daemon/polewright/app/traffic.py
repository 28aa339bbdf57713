"""Traffic: writes what the devices say into a file, so that an odd one can be played again."""

import asyncio
import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from polewright import __version__
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.discovery import list_devices
from polewright.adapters.indi.recording import Recorder
from polewright.adapters.indi.relay import observed_by
from polewright.core.errors import UsageError
from polewright.settings.model import Settings


@contextmanager
def traffic_written(path: Path, *, with_place: bool) -> Iterator[Recorder]:
    """Write the traffic of every connection that is opened within the block.

    Parameters
    ----------
    path : Path
        A new file.
    with_place : bool
        Whether the site is written as exactly as devices tell it.

    Raises
    ------
    UsageError
        The file exists or cannot be written.
    """
    try:
        file = path.open("x", encoding="utf-8")
    except FileExistsError:
        raise UsageError(
            f"{path} exists already", remedy="Name another file.", code="file_exists"
        ) from None
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written ({error.strerror})",
            remedy="Name a file in a folder that you can write.",
            code="not_writable",
        ) from None
    place = "as the devices tell it" if with_place else "rounded to a degree"
    heading = (
        f"made {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC by polewright {__version__}",
        f"the site is {place}; frames are left out; see docs/recording.md",
    )
    with file:
        recorder = Recorder(file, with_place=with_place, heading=heading)
        with observed_by(recorder):
            yield recorder


async def listen(settings: Settings, duration_s: float) -> None:
    """Stay connected for a while; ends early where the connection does.

    Raises
    ------
    LinkError
        No server answers.
    """
    async with IndiConnection.open(settings.indi.host, settings.indi.port) as connection:
        await list_devices(connection)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(connection.lost.wait(), duration_s)
