"""Sources: where readings come from, by a short text.

``udp:7625`` and ``tcp:7625`` listen on this machine only; ``udp:0.0.0.0:7625`` lets anybody in
the network tell how the mount lies.  ``stdin`` reads the standard input.  ``iio`` reads the
sensors that Linux knows, ``iio:/path`` another tree of the same form.
"""

import asyncio
import logging
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from polewright_drivers.bracket.iio import IIO_ROOT, IioSensors
from polewright_drivers.bracket.readings import (
    LONGEST_LINE_BYTES,
    BadReadingError,
    Reading,
    lines_of,
    parse,
)

logger = logging.getLogger(__name__)

_LOCAL = "127.0.0.1"
_MOST_CLIENTS = 4
_IIO_PERIOD_S = 0.05

Take = Callable[[Reading], None]
Worth = Callable[[], bool]
"""Whether another line is worth parsing now."""


class SourceError(Exception):
    """A source cannot be used; the text says why and what to do."""


class Source(Protocol):
    """Where readings come from."""

    @property
    def name(self) -> str:
        """What it is."""
        ...

    async def open(self, take: Take, worth: Worth) -> None:
        """Begin; raise SourceError where it cannot."""
        ...

    async def close(self) -> None:
        """End."""
        ...


def source_of(text: str) -> Source:
    """Return the source that a text names.

    Raises
    ------
    SourceError
        It names none.
    """
    kind, _, rest = text.partition(":")
    match kind:
        case "iio":
            return IioSource(Path(rest) if rest else IIO_ROOT)
        case "stdin" if not rest:
            return InputSource()
        case "udp" | "tcp":
            host, _, port = rest.rpartition(":")
            if port.isdecimal() and int(port) < 65536:
                host = host.strip("[]") or _LOCAL
                return (UdpSource if kind == "udp" else TcpSource)(host, int(port))
    raise SourceError(
        f"{text!r} is none of udp:PORT, udp:HOST:PORT, tcp:PORT, stdin, iio, iio:PATH"
    )


class _Lines:
    """Parses lines and complains about the first bad one only."""

    def __init__(self, take: Take, worth: Worth) -> None:
        self._take = take
        self._worth = worth
        self._bad = 0

    def feed(self, line: bytes) -> None:
        if not self._worth():
            return
        try:
            reading = parse(line)
        except BadReadingError as trouble:
            self._bad += 1
            level = logging.WARNING if self._bad == 1 else logging.DEBUG
            logger.log(level, "%s: left out", trouble)
            return
        self._take(reading)


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self, lines: _Lines) -> None:
        self._lines = lines

    def datagram_received(self, data: bytes, addr: object) -> None:
        for line in lines_of(data):
            self._lines.feed(line)


class UdpSource:
    """Lines in datagrams."""

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self._transport: asyncio.DatagramTransport | None = None

    @property
    def name(self) -> str:
        """What it is."""
        return "udp {}:{}".format(*self._address)

    async def open(self, take: Take, worth: Worth) -> None:
        """Listen."""
        loop = asyncio.get_running_loop()
        lines = _Lines(take, worth)
        try:
            transport, _ = await loop.create_datagram_endpoint(
                lambda: _Datagrams(lines), local_addr=self._address
            )
        except OSError as trouble:
            raise SourceError(f"{self.name}: {trouble.strerror or trouble}") from None
        self._transport = transport
        self._address = transport.get_extra_info("sockname")[:2]

    async def close(self) -> None:
        """End."""
        if self._transport is not None:
            self._transport.close()
            self._transport = None


class TcpSource:
    """Lines over connections; the source listens."""

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    @property
    def name(self) -> str:
        """What it is."""
        return "tcp {}:{}".format(*self._address)

    async def open(self, take: Take, worth: Worth) -> None:
        """Listen."""
        lines = _Lines(take, worth)

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            if len(self._writers) >= _MOST_CLIENTS:
                writer.close()
                return
            self._writers.add(writer)
            try:
                await _read_lines(reader, lines)
            finally:
                self._writers.discard(writer)
                writer.close()

        try:
            self._server = await asyncio.start_server(
                serve, *self._address, limit=LONGEST_LINE_BYTES
            )
        except OSError as trouble:
            raise SourceError(f"{self.name}: {trouble.strerror or trouble}") from None
        self._address = self._server.sockets[0].getsockname()[:2]

    async def close(self) -> None:
        """End, with the connections."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for writer in list(self._writers):
            writer.close()


class InputSource:
    """Lines on the standard input, where INDI does not use it."""

    name = "standard input"

    def __init__(self) -> None:
        self._task: asyncio.Task[None] | None = None
        self._reader: asyncio.StreamReader | None = None

    async def open(self, take: Take, worth: Worth) -> None:
        """Read."""
        if self._reader is None:  # the pipe belongs to the first opening, and stays open
            self._reader = asyncio.StreamReader(limit=LONGEST_LINE_BYTES)
            protocol = asyncio.StreamReaderProtocol(self._reader)
            await asyncio.get_running_loop().connect_read_pipe(lambda: protocol, sys.stdin.buffer)
        self._task = asyncio.create_task(_read_lines(self._reader, _Lines(take, worth)))

    async def close(self) -> None:
        """Read no more."""
        if self._task is not None:
            self._task.cancel()
            self._task = None


class IioSource:
    """Linux's own sensors, looked at twenty times a second."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._task: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """What it is."""
        return f"iio {self._root}"

    async def open(self, take: Take, worth: Worth) -> None:
        """Find the sensors and look at them."""
        sensors = await asyncio.to_thread(IioSensors.found, self._root)
        if sensors is None:
            raise SourceError(
                f"no accelerometer under {self._root}: load its kernel driver, "
                "or use another source"
            )
        self._task = asyncio.create_task(self._look(sensors, take))

    async def _look(self, sensors: IioSensors, take: Take) -> None:
        failed = False
        while True:
            try:
                take(await asyncio.to_thread(sensors.read))
                failed = False
            except (OSError, ValueError) as trouble:
                level = logging.DEBUG if failed else logging.WARNING
                logger.log(level, "%s cannot be read: %s", self.name, trouble)
                failed = True
            await asyncio.sleep(_IIO_PERIOD_S)

    async def close(self) -> None:
        """Look no more."""
        if self._task is not None:
            self._task.cancel()
            self._task = None


async def _read_lines(reader: asyncio.StreamReader, lines: _Lines) -> None:
    """Read until the stream ends or sends a line without an end."""
    try:
        while line := await reader.readline():
            if line.strip():
                lines.feed(line)
    except ValueError:
        logger.warning("a line is longer than %d bytes: dropped", LONGEST_LINE_BYTES)
    except OSError:
        logger.info("a stream has broken")
