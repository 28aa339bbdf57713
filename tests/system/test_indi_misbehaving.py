"""Devices that misbehave in ways that no stock simulator offers, over real TCP."""

import asyncio
import gzip
import io
import time
import zlib
from datetime import UTC, datetime, timedelta
from xml.etree.ElementTree import Element

import numpy as np
import pytest
from astropy.io import fits

from polewright.adapters.indi.camera import IndiCamera, decode_picture
from polewright.adapters.indi.connection import PING_TIMEOUT_S, QUIET_S, IndiConnection
from polewright.adapters.indi.snapshot import PropertySnapshot
from polewright.core.errors import DeviceError, LinkError
from polewright.core.imaging.frame import Frame
from tests.system.fake_indi_server import (
    CAMERA_NAME,
    FakeIndiServer,
    React,
    blob,
    camera_definitions,
    define,
    exposure_state,
    fake_server,
)


def picture(*, seed: int = 1, cards: dict[str, object] | None = None) -> bytes:
    """Return the bytes of a small FITS picture; without cards its header is of no use."""
    pixels = np.random.default_rng(seed).integers(0, 4000, (48, 64), dtype=np.uint16)
    stream = io.BytesIO()
    fits.PrimaryHDU(pixels, fits.Header(cards or {})).writeto(stream)
    return stream.getvalue()


def on_exposure(*replies: str) -> React:
    """Return a camera's reaction: send these when an exposure is asked for, Idle on abort."""

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            for reply in replies:
                await server.send(reply)
        elif element.get("name") == "CCD_ABORT_EXPOSURE":
            await server.send(exposure_state("Idle"))

    return react


async def exposed(react: React, *, margin_s: float = 5.0) -> tuple[object, FakeIndiServer]:
    """Take one frame from a fake camera; return it, or the error, and the server."""
    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME, delivery_margin_s=margin_s)
        try:
            return await camera.expose(0.01), server
        except DeviceError as error:
            return error, server


def code(outcome: object) -> str:
    assert isinstance(outcome, DeviceError), outcome
    assert "\n" not in str(outcome)
    assert outcome.remedy
    return outcome.code


async def test_a_camera_that_never_delivers_is_given_up_and_told_to_abort() -> None:
    outcome, server = await exposed(on_exposure(exposure_state("Busy", 0.01)), margin_s=0.3)
    assert code(outcome) == "no_frame"
    assert server.commands("CCD_ABORT_EXPOSURE") == [{"ABORT": "On"}]


async def test_a_camera_that_ends_without_a_frame_is_given_up() -> None:
    """A driver that restarted may report Ok without any exposure."""
    replies = exposure_state("Busy", 0.01), exposure_state("Ok")
    outcome, _ = await exposed(on_exposure(*replies), margin_s=0.3)
    assert code(outcome) == "no_frame"


async def test_a_camera_that_fails_is_quoted() -> None:
    words = f"<message device='{CAMERA_NAME}' message='[ERROR] The sensor is too warm.'/>"
    outcome, _ = await exposed(on_exposure(words, exposure_state("Alert")))
    assert code(outcome) == "device_refused"
    assert "The sensor is too warm" in str(outcome)


async def test_bytes_that_are_no_picture_are_named_so() -> None:
    replies = blob(CAMERA_NAME, b"<html>no such page</html>" * 40), exposure_state("Ok")
    outcome, _ = await exposed(on_exposure(*replies))
    assert code(outcome) == "not_a_picture"
    assert "FITS" in str(outcome)


async def test_a_frame_arrives_byte_for_byte() -> None:
    """The bytes that the decoder gets are those that were sent, without any behind them."""
    got: list[bytes] = []

    def decode(data: bytes, name: str) -> Frame:
        got.append(data)
        return Frame(pixels=np.zeros((16, 16), dtype=np.uint8), camera=name)

    react = on_exposure(blob(CAMERA_NAME, picture()), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await IndiCamera(connection, CAMERA_NAME, decode=decode).expose(0.01)
    assert got == [picture()]


async def test_an_empty_frame_is_named_so() -> None:
    """Also after a good one, which the library would show again."""
    frames = [blob(CAMERA_NAME, picture()), blob(CAMERA_NAME, b"")]

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            await server.send(frames.pop(0))
            await server.send(exposure_state("Ok"))

    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME)
        await camera.expose(0.01)
        with pytest.raises(DeviceError) as caught:
            await camera.expose(0.01)
    assert caught.value.code == "empty_frame"


async def test_a_frame_cut_short_is_named_so_and_does_not_end_the_process() -> None:
    """The library's own accessor would read beyond the end of what arrived."""
    short = blob(CAMERA_NAME, picture()[:4000], size=50_000_000)
    outcome, _ = await exposed(on_exposure(short, exposure_state("Ok")))
    assert code(outcome) == "frame_cut_short"


async def test_a_compressed_frame_with_stray_bytes_behind_it_is_read() -> None:
    packed = zlib.compress(picture()) + b"\0" * 17
    replies = (
        blob(CAMERA_NAME, packed, kind=".fits.z", size=len(picture())),
        exposure_state("Ok"),
    )
    frame, _ = await exposed(on_exposure(*replies))
    assert not isinstance(frame, DeviceError), frame
    assert frame.pixels.shape == (48, 64)  # type: ignore[attr-defined]


@pytest.mark.parametrize("kind", [".fits.gz", ".FITS.GZ"])
async def test_a_gzipped_frame_is_read_though_its_declared_size_is_that_of_the_picture(
    kind: str,
) -> None:
    packed = gzip.compress(picture())
    assert len(packed) < len(picture())
    replies = blob(CAMERA_NAME, packed, kind=kind, size=len(picture())), exposure_state("Ok")
    frame, _ = await exposed(on_exposure(*replies))
    assert not isinstance(frame, DeviceError), frame
    assert frame.pixels.shape == (48, 64)  # type: ignore[attr-defined]


async def test_a_gzipped_frame_that_ends_early_is_refused() -> None:
    half = gzip.compress(picture())[:-40]
    replies = blob(CAMERA_NAME, half, kind=".fits.gz", size=len(picture())), exposure_state("Ok")
    outcome, _ = await exposed(on_exposure(*replies))
    assert code(outcome) == "not_a_picture"


async def test_a_frame_whose_camera_stays_busy_for_ever_is_used() -> None:
    replies = exposure_state("Busy", 0.01), blob(CAMERA_NAME, picture())
    begun_s = time.monotonic()
    frame, _ = await exposed(on_exposure(*replies))
    assert frame.pixels.shape == (48, 64)  # type: ignore[attr-defined]
    assert time.monotonic() - begun_s < 4.0


async def test_a_frame_of_an_earlier_exposure_is_not_taken_for_the_one_asked_for() -> None:
    """A stop was said to be taken; the frame of before comes when the next is already asked for."""
    asked = asyncio.Event()

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_ABORT_EXPOSURE":
            await server.send(exposure_state("Idle"))
        if element.get("name") == "CCD_EXPOSURE":
            await server.send(exposure_state("Busy", 1.0))
            if not asked.is_set():
                asked.set()
                return
            await server.send(blob(CAMERA_NAME, picture(seed=1)) + exposure_state("Ok"))
            await asyncio.sleep(1.0)
            await server.send(blob(CAMERA_NAME, picture(seed=2)) + exposure_state("Ok"))

    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME)
        given_up = asyncio.create_task(camera.expose(1.0))
        await asked.wait()
        given_up.cancel()
        await asyncio.wait({given_up})
        frame = await camera.expose(1.0)
    asked_for = decode_picture(picture(seed=2), CAMERA_NAME)
    assert np.array_equal(frame.pixels, asked_for.pixels)


async def test_a_frame_after_its_property_was_withdrawn_does_not_stand_in_for_later_ones() -> None:
    """A camera that is disconnected while it reads out may deliver when its controls are gone."""
    picture_of_it = define("BLOB", CAMERA_NAME, "CCD1", {"CCD1": None})
    react = on_exposure(blob(CAMERA_NAME, picture(seed=2)), exposure_state("Ok"))
    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, CAMERA_NAME)
        await camera.info()
        await server.send(f"<delProperty device='{CAMERA_NAME}' name='CCD1'/>\n")
        await server.send(blob(CAMERA_NAME, picture(seed=1)))
        with connection.subscribe(CAMERA_NAME) as events:
            await server.send(picture_of_it)
            async for event in events:
                if isinstance(event, PropertySnapshot) and event.name == "CCD1":
                    break
        frame = await camera.expose(0.01)
    asked_for = decode_picture(picture(seed=2), CAMERA_NAME)
    assert np.array_equal(frame.pixels, asked_for.pixels)


async def test_an_instant_by_this_computers_clock_is_set_right_as_that_clock_is() -> None:
    """A driver beside the service writes by the clock that a receiver has found six hours late."""
    late = timedelta(hours=6)

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            cards = {"DATE-OBS": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%S.%f}", "EXPTIME": 0.01}
            await asyncio.sleep(0.01)  # no picture is there before its exposure's end
            await server.send(blob(CAMERA_NAME, picture(cards=cards)) + exposure_state("Ok"))

    async with (
        fake_server(camera_definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(
            connection,
            CAMERA_NAME,
            now=lambda: datetime.now(UTC) + late,
            uncorrected=lambda: datetime.now(UTC),
        )
        begun = datetime.now(UTC)
        frame = await camera.expose(0.01)
        ended = datetime.now(UTC)
    assert frame.mid_exposure is not None
    assert begun <= frame.mid_exposure - late <= ended


async def test_what_the_header_lacks_comes_from_the_devices() -> None:
    """3.75 um binned twice, behind 120 mm, as the fake camera says."""
    replies = blob(CAMERA_NAME, picture()), exposure_state("Ok")
    frame, _ = await exposed(on_exposure(*replies))
    assert frame.pixel_size_um == pytest.approx(7.5)  # type: ignore[attr-defined]
    assert frame.focal_length_mm == pytest.approx(120.0)  # type: ignore[attr-defined]
    assert frame.exposure_s == 0.01  # type: ignore[attr-defined]
    assert frame.mid_exposure is not None  # type: ignore[attr-defined]
    assert frame.mid_exposure_sigma_s == pytest.approx(0.3)  # type: ignore[attr-defined]


async def test_a_server_that_accepts_and_never_answers_is_told_from_a_good_one() -> None:
    async with fake_server(silent=True) as server:
        with pytest.raises(LinkError, match="did not answer") as caught:
            async with IndiConnection.open("127.0.0.1", server.port, handshake_timeout_s=0.5):
                pass
    assert caught.value.code == "server_silent"


async def test_something_else_that_closes_at_once_is_told_from_a_good_server() -> None:
    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    async with server:
        with pytest.raises(LinkError, match="not an INDI server"):
            async with IndiConnection.open("127.0.0.1", server.sockets[0].getsockname()[1]):
                pass


async def test_a_server_without_any_device_is_alive() -> None:
    async with (
        fake_server() as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        assert connection.devices == ()
        assert not connection.lost.is_set()


async def test_garbage_from_the_server_does_not_end_the_connection() -> None:
    async with (
        fake_server(camera_definitions()) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await connection.wait_for(CAMERA_NAME, "CCD_EXPOSURE", lambda _: True, 5.0)
        await server.send("<setNumberVector device='Nobody' name='X' state='Sideways'/>\n")
        await server.send(
            f"<setNumberVector device='{CAMERA_NAME}' name='CCD_EXPOSURE' state='Busy'>"
            "<oneNumber name='CCD_EXPOSURE_VALUE'>many</oneNumber></setNumberVector>\n"
        )
        await server.send(exposure_state("Ok", 2.5))
        answer = await connection.wait_for(
            CAMERA_NAME, "CCD_EXPOSURE", lambda p: p.numbers["CCD_EXPOSURE_VALUE"] == 2.5, 5.0
        )
    assert answer.state == "Ok"


@pytest.mark.slow
async def test_a_frame_that_trickles_in_is_not_taken_for_a_dead_server() -> None:
    """Longer than the bound on silence, while not even a ping is answered."""
    message = blob(CAMERA_NAME, picture()) + exposure_state("Ok")
    pieces = round(QUIET_S + PING_TIMEOUT_S + 3.0)
    size = len(message) // pieces + 1

    async def trickle(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CCD_EXPOSURE":
            for start in range(0, len(message), size):
                await server.send(message[start : start + size])
                await asyncio.sleep(1.0)

    begun_s = time.monotonic()
    frame, _ = await exposed(trickle, margin_s=30.0)
    assert time.monotonic() - begun_s > QUIET_S + PING_TIMEOUT_S
    assert frame.pixels.shape == (48, 64)  # type: ignore[attr-defined]
