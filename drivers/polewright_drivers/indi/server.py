"""Server: the driver's own small INDI server, for use without ``indiserver``.

Protocol: INDI 1.7 (J. Downey).  Every client gets what it asked for by ``getProperties``;
pictures only after ``enableBLOB``.
"""

import asyncio
import contextlib
import logging
import xml.etree.ElementTree as ET
from typing import Any

from polewright_drivers.indi.stream import ElementReader

logger = logging.getLogger(__name__)

_CHUNK_BYTES = 1 << 16
_BEHIND_BYTES = 512 << 20
"""A client this far behind is dropped, as indiserver does; its default of 128 MB is less than one
frame of 61 megapixels."""


class _Client:
    """One connection: what it wants and its stream."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        self._devices: set[str] = set()
        self._everything = False
        self._blobs: dict[tuple[str | None, str | None], str] = {}

    def ask(self, element: ET.Element) -> None:
        """Note a getProperties."""
        device = element.get("device")
        if device is None:
            self._everything = True
        else:
            self._devices.add(device)

    def enable_blob(self, element: ET.Element) -> None:
        """Note an enableBLOB."""
        mode = (element.text or "Never").strip()
        self._blobs[(element.get("device"), element.get("name"))] = mode

    def wants(self, element: ET.Element) -> bool:
        """Return whether a message is for this client."""
        device, name = element.get("device"), element.get("name")
        if device is not None and not (self._everything or device in self._devices):
            return False
        mode = self._blobs.get((device, name), self._blobs.get((device, None), "Never"))
        if element.tag == "setBLOBVector":
            return mode in ("Also", "Only")
        return not (mode == "Only" and element.tag.startswith("set"))


class LoopbackServer:
    """Serves INDI to any number of clients.

    Parameters
    ----------
    driver : IPyDriver
        Whose devices are served.
    """

    def __init__(self, driver: Any) -> None:
        self._driver = driver
        self._clients: set[_Client] = set()
        self._server: asyncio.Server | None = None

    async def listen(self, host: str, port: int) -> int:
        """Start to listen; return the port (a free one for 0)."""
        self._server = await asyncio.start_server(self._serve, host, port)
        return int(self._server.sockets[0].getsockname()[1])

    async def run_rx(self) -> None:
        """Serve until the driver ends."""
        await self._driver.shutdownrequested.wait()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one client until it goes."""
        client = _Client(writer)
        self._clients.add(client)
        elements = ElementReader()
        try:
            while data := await reader.read(_CHUNK_BYTES):
                for element in elements.feed(data):
                    await self._element(client, element)
        except ET.ParseError:
            logger.warning("a client sent something that is no XML: dropped")
        except OSError:
            logger.info("a client has gone")
        finally:
            self._drop(client)

    async def _element(self, client: _Client, element: ET.Element) -> None:
        """Act on one element from a client."""
        match element.tag:
            case "getProperties":
                client.ask(element)
                await self._driver.receive(element)
            case "enableBLOB":
                client.enable_blob(element)
            case "pingRequest":
                reply = ET.Element("pingReply", uid=element.get("uid", ""))
                client.writer.write(ET.tostring(reply) + b"\n")
            case "newNumberVector" | "newSwitchVector" | "newTextVector" | "newBLOBVector":
                await self._driver.receive(element)

    async def run_tx(self, element: ET.Element) -> None:
        """Send one message to every client that wants it."""
        receivers = [client for client in self._clients if client.wants(element)]
        if not receivers:
            return
        data = ET.tostring(element) + b"\n"
        for client in receivers:
            if client.writer.transport.get_write_buffer_size() > _BEHIND_BYTES:
                logger.warning("a client does not read: dropped")
                self._drop(client)
            else:
                client.writer.write(data)

    def _drop(self, client: _Client) -> None:
        self._clients.discard(client)
        with contextlib.suppress(OSError, RuntimeError):
            client.writer.close()

    def shutdown(self) -> None:
        """Close everything."""
        if self._server is not None:
            self._server.close()
        for client in list(self._clients):
            self._drop(client)
