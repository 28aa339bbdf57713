"""A tiny INDI server whose devices misbehave as told; speaks the protocol's XML over TCP."""

import asyncio
import base64
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from xml.etree.ElementTree import Element, XMLPullParser
from xml.sax.saxutils import quoteattr

React = Callable[["FakeIndiServer", Element], Awaitable[None]]

CAMERA_NAME = "Hoopoe"
MOUNT_NAME = "Kudu"
ADJUSTER_NAME = "Bolts"


def define(
    kind: str,
    device: str,
    name: str,
    elements: dict[str, object],
    *,
    state: str = "Idle",
    limits: tuple[float, float] = (0.0, 0.0),
) -> str:
    """Return the definition of a property; ``kind`` is Number, Switch, Text or BLOB."""
    extra = ' rule="OneOfMany"' if kind == "Switch" else ""
    detail = (
        f' format="%g" min="{limits[0]}" max="{limits[1]}" step="0"' if kind == "Number" else ""
    )
    inner = "".join(
        f"<def{kind} name={quoteattr(key)} label=''{detail}>"
        f"{'' if value is None else value}</def{kind}>"
        for key, value in elements.items()
    )
    return (
        f"<def{kind}Vector device={quoteattr(device)} name={quoteattr(name)} label='' group='g'"
        f" state='{state}' perm='rw' timeout='5'{extra}>{inner}</def{kind}Vector>\n"
    )


def change(kind: str, device: str, name: str, elements: dict[str, object], *, state: str) -> str:
    """Return new values of a property."""
    inner = "".join(
        f"<one{kind} name={quoteattr(key)}>{value}</one{kind}>" for key, value in elements.items()
    )
    return (
        f"<set{kind}Vector device={quoteattr(device)} name={quoteattr(name)} state='{state}'>"
        f"{inner}</set{kind}Vector>\n"
    )


def blob(device: str, data: bytes, *, kind: str = ".fits", size: int | None = None) -> str:
    """Return a frame; ``size`` is what the driver claims where it differs."""
    encoded = base64.b64encode(data).decode()
    # Real drivers wrap at 72 characters and count without the line ends; the library's parser
    # relies on it where a frame arrives in pieces.
    wrapped = "\n".join(encoded[i : i + 72] for i in range(0, len(encoded), 72))
    return (
        f"<setBLOBVector device={quoteattr(device)} name='CCD1' state='Ok'>"
        f"<oneBLOB name='CCD1' size='{len(data) if size is None else size}'"
        f" enclen='{len(encoded)}' format={quoteattr(kind)}>\n{wrapped}\n</oneBLOB>"
        "</setBLOBVector>\n"
    )


def camera_definitions(*, width: int = 64, height: int = 48) -> str:
    """Return the definitions of a camera that is connected already."""
    return (
        define("Switch", CAMERA_NAME, "CONNECTION", {"CONNECT": "On", "DISCONNECT": "Off"})
        + define("Text", CAMERA_NAME, "DRIVER_INFO", {"DRIVER_EXEC": "x", "DRIVER_INTERFACE": 2})
        + define(
            "Number",
            CAMERA_NAME,
            "CCD_INFO",
            {
                "CCD_MAX_X": width,
                "CCD_MAX_Y": height,
                "CCD_PIXEL_SIZE": 3.75,
                "CCD_PIXEL_SIZE_X": 3.75,
                "CCD_PIXEL_SIZE_Y": 3.75,
                "CCD_BITSPERPIXEL": 16,
            },
        )
        + define("Number", CAMERA_NAME, "CCD_BINNING", {"HOR_BIN": 2, "VER_BIN": 2}, limits=(1, 4))
        + define("Number", CAMERA_NAME, "SCOPE_INFO", {"FOCAL_LENGTH": 120, "APERTURE": 30})
        + define("Switch", CAMERA_NAME, "CCD_ABORT_EXPOSURE", {"ABORT": "Off"})
        + define("BLOB", CAMERA_NAME, "CCD1", {"CCD1": None})
        + define(
            "Number", CAMERA_NAME, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 1}, limits=(0.001, 3600)
        )
    )


def exposure_state(state: str, left_s: float = 0.0) -> str:
    """Return a report about the exposure."""
    return change(
        "Number", CAMERA_NAME, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": left_s}, state=state
    )


class FakeIndiServer:
    """Serves definitions on request and hands every command to ``react``."""

    def __init__(self, definitions: str, react: React | None, *, silent: bool) -> None:
        self.definitions = definitions
        self.received: list[Element] = []
        self.port = 0
        self._react = react
        self._silent = silent
        self._writers: set[asyncio.StreamWriter] = set()
        self._reactions: set[asyncio.Task[None]] = set()

    def commands(self, name: str) -> list[dict[str, str]]:
        """Return the element values of every command to a property, in order."""
        return [
            {child.get("name", ""): (child.text or "").strip() for child in element}
            for element in self.received
            if element.get("name") == name and element.tag.startswith("new")
        ]

    async def send(self, text: str) -> None:
        """Send something to every client."""
        for writer in list(self._writers):
            writer.write(text.encode())
            await writer.drain()

    def cut_off(self) -> None:
        """Reset every connection, what is still to be sent included."""
        for writer in list(self._writers):
            writer.transport.abort()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Speak with one client until it goes."""
        self._writers.add(writer)
        parser = XMLPullParser(["start", "end"])
        parser.feed("<stream>")
        depth = 0
        try:
            while data := await reader.read(65536):
                parser.feed(data)
                for happened, element in parser.read_events():
                    depth += 1 if happened == "start" else -1
                    if happened == "end" and depth == 1 and not self._silent:
                        await self._take(element)
        except ConnectionError:
            pass
        finally:
            self._writers.discard(writer)
            writer.close()

    async def _take(self, element: Element) -> None:
        """Answer one message."""
        self.received.append(element)
        if element.tag == "getProperties":
            await self.send(self.definitions)
        elif element.tag == "pingRequest":
            await self.send(f"<pingReply uid={quoteattr(element.get('uid', ''))}/>\n")
        elif element.tag.startswith("new") and self._react is not None:
            # On its own, so that a long reaction does not keep the next command waiting.
            reaction = asyncio.create_task(self._react(self, element))
            self._reactions.add(reaction)
            reaction.add_done_callback(self._forget)

    def _forget(self, reaction: "asyncio.Task[None]") -> None:
        """Keep only reactions that are under way, and those that went wrong."""
        if reaction.cancelled() or reaction.exception() is None:
            self._reactions.discard(reaction)

    async def finish(self) -> None:
        """End the reactions that are left, and raise what went wrong in any."""
        for reaction in self._reactions:
            reaction.cancel()
        outcomes = await asyncio.gather(*self._reactions, return_exceptions=True)
        for outcome in outcomes:
            if isinstance(outcome, Exception) and not isinstance(outcome, ConnectionError):
                raise outcome


@asynccontextmanager
async def fake_server(
    definitions: str = "",
    react: React | None = None,
    *,
    silent: bool = False,
    host: str = "127.0.0.1",
    port: int = 0,
) -> AsyncIterator[FakeIndiServer]:
    """Run a fake server on a free loopback port."""
    fake = FakeIndiServer(definitions, react, silent=silent)
    server = await asyncio.start_server(fake.serve, host, port)
    fake.port = server.sockets[0].getsockname()[1]
    try:
        yield fake
    finally:
        server.close()
        for writer in list(fake._writers):
            writer.close()
        await server.wait_closed()
        await fake.finish()
