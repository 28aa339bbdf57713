"""Frame paths: a frame through the library itself against the same frame through the relay.

Both clients read from the same server, in a process of its own, in turn, in the same run.
"""

import asyncio
import base64
import ctypes
import os
import statistics
import subprocess
import sys
import threading
import time
from typing import Any

import PyIndi

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.snapshot import BlobSnapshot
from tests.system.fake_indi_server import CAMERA_NAME, FakeIndiServer, camera_definitions

FRAMES = {"1.2 MP": 2 * 1_228_800, "24 MP": 2 * 24_000_000}
# Frames are compared that arrive within this (s).
LIMIT_S = 30.0
# The library's reading thread ends within milliseconds of its connection (s).
ENDS_S = 5.0
# The relay may cost this much of the direct way: it also decodes, which the library does there.
AIM_RATIO = 1.5


class Direct(PyIndi.BaseClient):  # type: ignore[misc]
    """The library without anything in between; copies each frame as every client must."""

    def __init__(self) -> None:
        super().__init__()
        self.got: list[bytes] = []
        self.ready = False
        self.reading_thread = 0

    def newProperty(self, prop: Any) -> None:  # noqa: N802
        self.ready = self.ready or prop.getName() == "CCD1"

    def updateProperty(self, prop: Any) -> None:  # noqa: N802
        if prop.getType() == PyIndi.INDI_BLOB:
            for element in PyIndi.PropertyBlob(prop):
                self.got.append(
                    ctypes.string_at(int(element.getBlob()), min(
                        element.getBlobLen(), element.getSize()))
                )  # fmt: skip

    def serverDisconnected(self, _exit_code: int) -> None:  # noqa: N802
        self.reading_thread = threading.get_native_id()


def serve(size: int) -> None:
    """Serve a frame of so many bytes at each exposure, until standard input ends."""
    data = os.urandom(size)
    encoded = base64.b64encode(data)
    wrapped = b"\n".join(encoded[i : i + 72] for i in range(0, len(encoded), 72))
    head = (
        f"<setBLOBVector device='{CAMERA_NAME}' name='CCD1' state='Ok'><oneBLOB name='CCD1'"
        f" size='{size}' enclen='{len(encoded)}' format='.fits'>\n"
    ).encode()
    message = head + wrapped + b"\n</oneBLOB></setBLOBVector>\n"

    async def react(server: FakeIndiServer, element: Any) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            for writer in list(server._writers):
                writer.write(message)
                await writer.drain()

    async def run() -> None:
        fake = FakeIndiServer(camera_definitions(), react, silent=False)
        server = await asyncio.start_server(fake.serve, "127.0.0.1", 0)
        print(server.sockets[0].getsockname()[1], flush=True)
        await asyncio.to_thread(sys.stdin.read)
        server.close()

    asyncio.run(run())


def direct_ms(port: int, count: int, size: int) -> list[float]:
    """Time frames through the library alone."""
    client = Direct()
    client.setServer("127.0.0.1", port)
    client.connectServer()
    deadline_s = time.monotonic() + LIMIT_S
    while not client.ready and time.monotonic() < deadline_s:
        time.sleep(0.01)
    client.setBLOBMode(PyIndi.B_ALSO, CAMERA_NAME, None)
    times = []
    for _ in range(count):
        client.got.clear()
        begun_s = time.perf_counter()
        wish = PyIndi.PropertyNumber(1)
        wish.setDeviceName(CAMERA_NAME)
        wish.setName("CCD_EXPOSURE")
        wish[0].setName("CCD_EXPOSURE_VALUE")
        client.sendNewNumber(wish)
        while not client.got:
            if time.perf_counter() - begun_s > LIMIT_S:
                raise TimeoutError("no frame through the library")
            time.sleep(0.0005)
        times.append(1e3 * (time.perf_counter() - begun_s))
        if len(client.got[0]) != size:
            raise ValueError(f"{len(client.got[0])} bytes of {size}")
    client.disconnectServer()
    # The library ends the process where a client is collected while its thread is on its way out.
    deadline_s = time.monotonic() + ENDS_S
    while time.monotonic() < deadline_s and (
        not client.reading_thread or os.path.exists(f"/proc/self/task/{client.reading_thread}")
    ):
        time.sleep(0.001)
    return times


async def relayed_ms(port: int, count: int, size: int) -> list[float]:
    """Time frames through the relay."""
    times = []
    async with IndiConnection.open("127.0.0.1", port) as connection:
        await connection.wait_for(CAMERA_NAME, "CCD1", lambda _: True, LIMIT_S)
        connection.enable_blobs(CAMERA_NAME)
        for _ in range(count):
            with connection.subscribe(CAMERA_NAME) as events:
                begun_s = time.perf_counter()
                connection.send_numbers(CAMERA_NAME, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 1.0})
                async with asyncio.timeout(LIMIT_S):
                    async for event in events:
                        if isinstance(event, BlobSnapshot):
                            came = len(event.data)
                            break
                times.append(1e3 * (time.perf_counter() - begun_s))
                if came != size:
                    raise ValueError(f"{came} bytes of {size}")
    return times


def compare(*, quick: bool) -> dict[str, Any]:
    """Measure both paths with each size of frame and return the figures."""
    figures: dict[str, Any] = {}
    for name, size in FRAMES.items():
        count = 4 if quick else 12
        code = f"from tests.bench.frame_paths import serve; serve({size})"
        with subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            assert process.stdin is not None
            port = int(process.stdout.readline())
            direct, relayed = [], []
            for _ in range(2):
                direct += direct_ms(port, count // 2, size)
                relayed += asyncio.run(relayed_ms(port, count // 2, size))
            process.stdin.close()
        one, other = statistics.median(direct), statistics.median(relayed)
        print(
            f"{name} frame: {one:.1f} ms through the library, {other:.1f} ms through the relay,"
            f" ratio {other / one:.2f} ({count} each)"
        )
        figures[name] = {"library_ms": one, "relay_ms": other, "ratio": other / one}
    return figures
