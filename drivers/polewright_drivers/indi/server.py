"""Server: the driver's own small INDI server, for use without ``indiserver``.

Protocol: INDI 1.7 (J. Downey).  Every client gets what it asked for by ``getProperties``;
pictures only after ``enableBLOB``.

Plain sockets instead of asyncio's streams: a client that sets one property and leaves at once
(``indi_setprop``) resets the connection while it is still being written to, and a stream then
throws away what came in unread.  Here a failed writing ends the writing alone.
"""

import asyncio
import logging
import socket
import xml.etree.ElementTree as ET
from typing import Any

from polewright_drivers.indi.stream import ElementReader

logger = logging.getLogger(__name__)

_CHUNK_BYTES = 1 << 16
_BEHIND_BYTES = 512 << 20
"""A client this far behind is dropped, as indiserver does; its default of 128 MB is less than one
frame of 61 megapixels."""
_LAST_WORDS_S = 5.0  # to read the answers for a client that asks, and shuts its own side
_PAUSE_S = 0.1  # where no file descriptor is left, for example


class _Client:
    """One connection: what it wants and its socket."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._waiting = bytearray()
        self._sending_bytes = 0
        self._more = asyncio.Event()
        self._ending = False
        self._devices: set[str] = set()
        self._everything = False
        self._blobs: dict[tuple[str | None, str | None], str] = {}

    @property
    def behind_bytes(self) -> int:
        """How much it has not been sent yet."""
        return len(self._waiting) + self._sending_bytes

    def send(self, data: bytes) -> None:
        """Let data go out after what waits."""
        self._waiting += data
        self._more.set()

    def end(self) -> None:
        """Send what waits, and no more."""
        self._ending = True
        self._more.set()

    async def keep_sending(self) -> None:
        """Send what waits until it cannot be sent."""
        loop = asyncio.get_running_loop()
        try:
            while self._waiting or not self._ending:
                await self._more.wait()
                self._more.clear()
                data, self._waiting = self._waiting, bytearray()
                self._sending_bytes = len(data)
                await loop.sock_sendall(self._connection, data)
                self._sending_bytes = 0
        except OSError:
            logger.info("a client does not listen any more")

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
        self._clients: dict[_Client, asyncio.Task[None]] = {}
        self._listening: list[asyncio.Task[None]] = []

    async def listen(self, host: str, port: int) -> int:
        """Start to listen; return the port (a free one for 0)."""
        loop = asyncio.get_running_loop()
        places = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        for family, _, _, _, address in places:
            listener = socket.create_server((address[0], port), family=family, backlog=100)
            listener.setblocking(False)
            port = int(listener.getsockname()[1])
            self._listening.append(asyncio.create_task(self._accept(listener)))
        return port

    async def _accept(self, listener: socket.socket) -> None:
        """Take clients until the server ends."""
        loop = asyncio.get_running_loop()
        with listener:
            while True:
                try:
                    connection, _ = await loop.sock_accept(listener)
                except OSError as trouble:
                    logger.warning("a client could not be taken: %s", trouble)
                    await asyncio.sleep(_PAUSE_S)
                    continue
                client = _Client(connection)
                self._clients[client] = asyncio.create_task(self._serve(client, connection))

    async def run_rx(self) -> None:
        """Serve until the driver ends."""
        await self._driver.shutdownrequested.wait()

    async def _serve(self, client: _Client, connection: socket.socket) -> None:
        """Serve one client until it goes."""
        loop = asyncio.get_running_loop()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        elements = ElementReader()
        sending = asyncio.create_task(client.keep_sending())
        try:
            while data := await loop.sock_recv(connection, _CHUNK_BYTES):
                for element in elements.feed(data):
                    await self._element(client, element)
                await asyncio.sleep(0)  # data that is there already is read without a pause
            del self._clients[client]
            client.end()
            await asyncio.wait([sending], timeout=_LAST_WORDS_S)
        except ET.ParseError:
            logger.warning("a client sent something that is no XML: dropped")
        except OSError:
            logger.info("a client has gone")
        finally:
            self._clients.pop(client, None)
            sending.cancel()
            await asyncio.wait([sending])
            connection.close()

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
                client.send(ET.tostring(reply) + b"\n")
            case "newNumberVector" | "newSwitchVector" | "newTextVector" | "newBLOBVector":
                await self._driver.receive(element)

    async def run_tx(self, element: ET.Element) -> None:
        """Send one message to every client that wants it."""
        receivers = [client for client in self._clients if client.wants(element)]
        if not receivers:
            return
        data = ET.tostring(element) + b"\n"
        for client in receivers:
            if client.behind_bytes > _BEHIND_BYTES:
                logger.warning("a client does not read: dropped")
                self._clients.pop(client).cancel()
            else:
                client.send(data)

    def shutdown(self) -> None:
        """Close everything."""
        for task in (*self._listening, *self._clients.values()):
            task.cancel()
