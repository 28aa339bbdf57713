"""Links that break, lag or flood: what the connection makes of each, over real sockets."""

import asyncio
import base64
import gc
import itertools
import os
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from xml.etree.ElementTree import Element

import numpy as np
import pytest

from polewright.adapters.indi.camera import IndiCamera
from polewright.adapters.indi.connection import PING_TIMEOUT_S, QUIET_S, IndiConnection
from polewright.adapters.indi.reconnect import Reconnector
from polewright.adapters.indi.snapshot import BlobSnapshot
from polewright.app.clock import HostClock
from polewright.core.errors import DeviceError, LinkError
from polewright.core.imaging.frame import Frame
from tests.system.fake_indi_server import (
    CAMERA_NAME,
    FakeIndiServer,
    React,
    blob,
    camera_definitions,
    change,
    exposure_state,
    fake_server,
)
from tests.system.indi_servers import free_port
from tests.system.slow_link import slow_link

# What is required of every fault that ends: working again within this (s).
RECOVERY_S = 10.0
TICK_S = 0.002
# 20 ms is the aim on a computer of its own; tests share theirs (s).
STALL_P99_S = 0.05


def has_ipv6() -> bool:
    try:
        with socket.create_server(("::1", 0), family=socket.AF_INET6):
            return True
    except OSError:
        return False


def plain(data: bytes, name: str) -> Frame:
    """Stand in for the decoder: the bytes as they came, as one square picture."""
    side = int(len(data) ** 0.5)
    pixels = np.frombuffer(data[: side * side], dtype=np.uint8).reshape(side, side)
    return Frame(pixels=pixels.copy(), camera=name)


def noise(size: int) -> bytes:
    return np.random.default_rng(5).integers(0, 256, size, dtype=np.uint8).tobytes()


def delivering(*messages: str) -> React:
    """Return a camera's reaction: these, whole, at each exposure."""

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            for message in messages:
                await server.send(message)

    return react


async def until(condition: Callable[[], bool]) -> None:
    """Look until it holds; for use within a bound."""
    for _ in itertools.count():
        if condition():
            return
        await asyncio.sleep(0.02)


# -- IPv6 -----------------------------------------------------------------------------------


@pytest.mark.skipif(not has_ipv6(), reason="this machine has no IPv6 loopback")
@pytest.mark.parametrize("host", ["::1", "[::1]"])
async def test_a_server_on_ipv6_is_reached_though_the_library_cannot(host: str) -> None:
    react = delivering(blob(CAMERA_NAME, noise(4096)), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react, host="::1") as server,
        IndiConnection.open(host, server.port) as connection,
    ):
        frame = await IndiCamera(connection, CAMERA_NAME, decode=plain).expose(0.01)
    assert frame.pixels.tobytes() == noise(4096)


# -- frames that would crash or deafen the library -------------------------------------------


async def test_an_empty_frame_that_declares_a_size_does_not_end_the_process() -> None:
    """The library alone reads that many bytes from nowhere."""
    empty = (
        f"<setBLOBVector device='{CAMERA_NAME}' name='CCD1' state='Ok'>"
        "<oneBLOB name='CCD1' size='2457600' format='.fits'></oneBLOB></setBLOBVector>\n"
    )
    frames = [empty, blob(CAMERA_NAME, noise(4096))]

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            await server.send(frames.pop(0))
            await server.send(exposure_state("Ok"))

    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain)
        with pytest.raises(DeviceError) as caught:
            await camera.expose(0.01)
        assert caught.value.code == "empty_frame"
        assert (await camera.expose(0.01)).pixels.shape == (64, 64)


async def test_a_frame_without_line_ends_arrives_and_so_does_what_follows() -> None:
    """The library alone is deaf to everything behind such a frame."""
    data = noise(300_000)
    encoded = base64.b64encode(data).decode()
    unwrapped = (
        f"<setBLOBVector device='{CAMERA_NAME}' name='CCD1' state='Ok'><oneBLOB name='CCD1'"
        f" size='{len(data)}' enclen='{len(encoded)}' format='.fits'>{encoded}</oneBLOB>"
        "</setBLOBVector>\n"
    )
    react = delivering(unwrapped, exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain)
        for _ in range(3):
            frame = await camera.expose(0.01)
            assert data.startswith(frame.pixels.tobytes())


async def test_half_a_frame_and_then_other_messages_costs_one_exposure_only() -> None:
    whole = blob(CAMERA_NAME, noise(40_000))
    answers = [whole[: len(whole) // 2] + exposure_state("Ok"), whole + exposure_state("Ok")]

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            await server.send(answers.pop(0))

    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain)
        with pytest.raises(DeviceError) as caught:
            await camera.expose(0.01)
        assert caught.value.code == "frame_cut_short"
        assert (await camera.expose(0.01)).pixels.shape == (200, 200)


async def test_a_camera_pulled_out_in_an_exposure_is_named_and_works_when_it_is_back() -> None:
    """Its driver withdraws the device, announces it again, unconnected, and offers less."""
    pulled = [True]
    again = camera_definitions().replace(
        "<defSwitch name=\"CONNECT\" label=''>On", "<defSwitch name=\"CONNECT\" label=''>Off"
    )
    assert again != camera_definitions()

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CONNECTION":
            connected = {"CONNECT": "On", "DISCONNECT": "Off"}
            await server.send(change("Switch", CAMERA_NAME, "CONNECTION", connected, state="Ok"))
        elif element.get("name") == "CCD_EXPOSURE" and pulled.pop():
            pulled.append(False)
            await server.send(exposure_state("Busy", 0.01))
            await server.send(f"<delProperty device='{CAMERA_NAME}'/>\n")
            await server.send(again)
        elif element.get("name") == "CCD_EXPOSURE":
            pulled.append(False)
            await server.send(blob(CAMERA_NAME, noise(4096)) + exposure_state("Ok"))

    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain)
        with pytest.raises(DeviceError, match="vanished") as caught:
            await camera.expose(0.01)
        assert caught.value.code == "device_gone"
        begun_s = time.monotonic()
        assert (await camera.expose(0.01)).pixels.shape == (64, 64)
        assert time.monotonic() - begun_s < RECOVERY_S
        assert [wish["CONNECT"] for wish in server.commands("CONNECTION")] == ["On"]


@pytest.mark.parametrize(("width", "hinted"), [(9576, True), (1280, False)])
async def test_a_server_that_drops_its_client_over_a_large_frame_is_explained(
    width: int, hinted: bool
) -> None:
    """Stock servers do, at 128 MB: 61 megapixels of 16 bits are 163 MB in base64."""
    start = blob(CAMERA_NAME, noise(40_000))[:20_000]

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            await server.send(start)
            server.cut_off()

    async with (
        fake_server(camera_definitions(width=width, height=6388), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(LinkError) as caught:
            await IndiCamera(connection, CAMERA_NAME, decode=plain).expose(0.01)
    assert ("indiserver -m" in caught.value.remedy) is hinted


# -- slow links ------------------------------------------------------------------------------


async def test_a_frame_over_a_slow_link_is_waited_for_as_long_as_it_comes() -> None:
    """400 kB at 100 kB/s: over 5 s, with a patience of 1 s for a link that stands still."""
    data = noise(400_000)
    react = delivering(blob(CAMERA_NAME, data), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react) as server,
        slow_link(server.port, bytes_per_s=100_000.0) as link,
        IndiConnection.open("127.0.0.1", link.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain, delivery_margin_s=1.0)
        begun_s = time.monotonic()
        frame = await camera.expose(0.01)
        assert time.monotonic() - begun_s > 4.0
    assert data.startswith(frame.pixels.tobytes())


@pytest.mark.slow
async def test_a_frame_of_a_real_size_comes_over_a_weak_wifi() -> None:
    """1.2 million pixels of 16 bits at 200 kB/s and 50 ms."""
    data = noise(2 * 1280 * 960)
    react = delivering(blob(CAMERA_NAME, data), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(width=1280, height=960), react) as server,
        slow_link(server.port, bytes_per_s=200_000.0) as link,
        IndiConnection.open("127.0.0.1", link.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain, delivery_margin_s=3.0)
        frame = await camera.expose(0.01)
        assert not connection.lost.is_set()
    assert data.startswith(frame.pixels.tobytes())


async def test_half_a_frame_on_a_link_that_then_stands_still_is_given_up() -> None:
    """What has arrived buys time by its size, not for ever; the dead link is then noticed."""
    data = noise(60_000)
    react = delivering(blob(CAMERA_NAME, data), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react) as server,
        slow_link(server.port, bytes_per_s=40_000.0) as link,
        IndiConnection.open("127.0.0.1", link.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain, delivery_margin_s=60.0)
        exposure = asyncio.create_task(camera.expose(0.01))
        async with asyncio.timeout(RECOVERY_S):
            await until(lambda: connection.frame_bytes > 20_000)
        link.flowing.clear()
        still_s = time.monotonic()
        with pytest.raises(LinkError, match="stopped answering"):
            await exposure
        assert time.monotonic() - still_s < QUIET_S + PING_TIMEOUT_S + 4.0


async def test_a_frame_that_stops_half_way_is_no_frame_at_the_end_of_patience() -> None:
    """The server lives and talks, only the frame does not go on."""
    half = blob(CAMERA_NAME, noise(40_000))
    async with (
        fake_server(camera_definitions(), delivering(half[:20_000])) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain, delivery_margin_s=0.5)
        begun_s = time.monotonic()
        with pytest.raises(DeviceError) as caught:
            await camera.expose(0.01)
        assert caught.value.code == "no_frame"
        # 20 kB buy 2 s; the abort, to which nothing can be answered, takes 5 s.
        assert 2.0 < time.monotonic() - begun_s < 11.0


# -- floods ----------------------------------------------------------------------------------


async def lateness_s(late_s: list[float]) -> None:
    """Note for ever by how much the loop runs a task later than asked for."""
    loop = asyncio.get_running_loop()
    while True:
        due_s = loop.time() + TICK_S
        await asyncio.sleep(TICK_S)
        late_s.append(loop.time() - due_s)


@asynccontextmanager
async def rain(server: FakeIndiServer) -> AsyncIterator[list[int]]:
    """Send thousands of messages a second that change something; yields how many, in a list."""
    drops = [
        change("Number", CAMERA_NAME, "CCD_BINNING", {"HOR_BIN": n, "VER_BIN": n}, state="Ok")
        for n in (1, 2)
    ]
    sent = [0]

    async def pour() -> None:
        while True:
            await server.send("".join(drops) * 25)
            sent[0] += 50
            await asyncio.sleep(0.015)

    pouring = asyncio.create_task(pour())
    try:
        yield sent
    finally:
        pouring.cancel()
        await asyncio.gather(pouring, return_exceptions=True)


@pytest.mark.alone
async def test_thousands_of_messages_a_second_delay_neither_the_loop_nor_a_frame() -> None:
    """The loop's own lateness, the sender's work on the same loop included."""
    react = delivering(blob(CAMERA_NAME, noise(4096)), exposure_state("Ok"))
    late_s: list[float] = []
    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain)
        await camera.info()
        async with rain(server) as sent:
            ticking = asyncio.create_task(lateness_s(late_s))
            before, begun_s = connection.serial, time.monotonic()
            async with asyncio.timeout(RECOVERY_S):
                for _ in range(5):
                    await camera.expose(0.01)
                await asyncio.sleep(max(0.0, begun_s + 3.0 - time.monotonic()))
            ticking.cancel()
            rate = sent[0] / (time.monotonic() - begun_s)
            handled, sent_in_all = connection.serial - before, sent[0]
        assert not connection.lost.is_set()
    assert rate > 1000.0
    assert handled > 0.8 * sent_in_all
    assert len(late_s) > 100
    assert float(np.percentile(late_s, 99.0)) < STALL_P99_S, np.percentile(late_s, [50, 99, 100])


@pytest.mark.alone
@pytest.mark.slow
async def test_a_storm_of_messages_leaves_no_memory_behind() -> None:
    """Over 10 s with frames in them, after 3 s in which the caches fill: under 50 bytes each.

    Messages that were kept, or queued for a reader that is too slow, would be 1,600 bytes each.
    """
    samples: list[tuple[int, int]] = []
    react = delivering(blob(CAMERA_NAME, noise(4096)), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
        rain(server) as sent,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, decode=plain)
        begun_s = time.monotonic()
        while time.monotonic() - begun_s < 13.0:
            await camera.expose(0.01)
            await asyncio.sleep(0.2)
            gc.collect()
            if time.monotonic() - begun_s > 3.0:
                samples.append((sent[0], resources()[2]))
        assert not connection.lost.is_set()
    messages, memory = zip(*samples, strict=True)
    assert messages[-1] - messages[0] > 9_000
    bytes_per_message = float(np.polyfit(messages, memory, 1)[0])
    assert bytes_per_message < 50.0, samples


# -- ends and new beginnings -----------------------------------------------------------------


async def test_a_server_that_is_mute_at_first_is_in_use_soon_after_it_speaks() -> None:
    """Accepts and never answers; another takes over its port 8 s later."""
    port = free_port()
    ready = asyncio.Event()
    troubles: list[LinkError] = []

    async def work(connection: IndiConnection) -> None:
        await connection.wait_for(CAMERA_NAME, "CCD_EXPOSURE", lambda _: True, 5.0)
        ready.set()

    reconnector = Reconnector(HostClock(), on_lost=lambda trouble, _: troubles.append(trouble))
    async with fake_server(silent=True, port=port):
        running = asyncio.create_task(
            reconnector.run(lambda: IndiConnection.open("127.0.0.1", port), work)
        )
        await asyncio.sleep(8.0)
        assert not ready.is_set()
    async with fake_server(camera_definitions(), port=port), asyncio.timeout(RECOVERY_S):
        await ready.wait()
        await running
    assert troubles[0].code == "server_silent"
    assert troubles[0].remedy


def resources() -> tuple[int, int, int]:
    """Return threads, descriptors, and resident memory (bytes) of this process."""
    with open("/proc/self/statm", encoding="ascii") as file:
        pages = int(file.read().split()[1])
    return (
        len(os.listdir("/proc/self/task")),
        len(os.listdir("/proc/self/fd")),
        pages * os.sysconf("SC_PAGE_SIZE"),
    )


async def frame_from(connection: IndiConnection) -> bytes:
    """Ask for a frame and return it, without a camera's other precautions."""
    with connection.subscribe(CAMERA_NAME) as events:
        connection.send_numbers(CAMERA_NAME, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 0.01})
        async with asyncio.timeout(RECOVERY_S):
            async for event in events:
                if isinstance(event, BlobSnapshot):
                    return event.data
    raise AssertionError("events end with an error only")


@pytest.mark.slow
@pytest.mark.timeout(300)
async def test_five_hundred_breaks_leave_no_thread_no_descriptor_and_no_memory_behind() -> None:
    """Each cycle connects, takes a frame, begins another, and is cut off amid it.

    The caches of the allocator fill up first; over the last 300 cycles 5 kB each would be a
    leak of one frame or thread in ten, at most.
    """
    data = noise(60_000)
    whole = blob(CAMERA_NAME, data)
    exposures = 0

    async def react(server: FakeIndiServer, element: Element) -> None:
        nonlocal exposures
        if element.get("name") == "CCD_EXPOSURE":
            exposures += 1
            await server.send(whole if exposures % 2 else whole[:30_000])
            if exposures % 2 == 0:
                server.cut_off()

    counts: list[tuple[int, int, int]] = []
    # The loop's pool makes its threads as it needs them: all of them, before any is counted.
    pool = [asyncio.to_thread(time.sleep, 0.1) for _ in range(min(32, (os.cpu_count() or 1) + 4))]
    await asyncio.gather(*pool)
    async with fake_server(camera_definitions(), react) as server:
        for cycle in range(500):
            server.received.clear()
            async with IndiConnection.open("127.0.0.1", server.port) as connection:
                await connection.wait_for(CAMERA_NAME, "CCD_EXPOSURE", lambda _: True, 5.0)
                connection.enable_blobs(CAMERA_NAME)
                assert await frame_from(connection) == data
                with pytest.raises(LinkError, match="is lost"):
                    await frame_from(connection)
            if cycle % 50 == 49:
                gc.collect()
                counts.append(resources())
    assert exposures == 1000
    threads, descriptors, memory = zip(*counts, strict=True)
    assert threads[-1] <= threads[1]
    assert descriptors[-1] <= descriptors[1]
    bytes_per_cycle = float(np.polyfit(np.arange(4, 10) * 50, memory[4:], 1)[0])
    assert bytes_per_cycle < 5_000, memory
