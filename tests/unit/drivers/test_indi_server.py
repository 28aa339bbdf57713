"""The drivers' own INDI server, over real sockets: clients that come, set something and leave."""

import asyncio
import socket
import struct
import xml.etree.ElementTree as ET
from contextlib import asynccontextmanager

import pytest

from polewright_drivers.indi.server import LoopbackServer

_TURN = (
    b'<newNumberVector device="Kudu Bolts" name="HANDS">'
    b'<oneNumber name="ALT_TURNS">-0.2</oneNumber></newNumberVector>'
)
_PROPERTIES = 200


class _Driver:
    """Defines many properties, with a pause after each, as a real one does."""

    def __init__(self) -> None:
        self.server = LoopbackServer(self)
        self.taken: list[str] = []
        self.heard = asyncio.Event()

    async def receive(self, element: ET.Element) -> None:
        if element.tag == "getProperties":
            for number in range(_PROPERTIES):
                message = ET.Element("defNumberVector", device="Kudu Bolts", name=f"P{number}")
                message.text = "x" * 500
                await self.server.run_tx(message)
                await asyncio.sleep(0)
            return
        self.taken.append(element.tag)
        self.heard.set()


@asynccontextmanager
async def _served():
    driver = _Driver()
    port = await driver.server.listen("127.0.0.1", 0)
    try:
        yield driver, port
    finally:
        driver.server.shutdown()
        await asyncio.sleep(0)


@pytest.mark.parametrize("reset", [True, False])
async def test_what_a_client_set_before_it_left_is_done_though_it_did_not_read_its_answers(reset):
    """``indi_setprop`` leaves with definitions unread, and that resets the connection."""
    async with _served() as (driver, port):
        for _ in range(10):
            driver.heard.clear()
            await asyncio.to_thread(_set_and_leave, port, reset=reset)
            await asyncio.wait_for(driver.heard.wait(), 5.0)
    assert driver.taken == ["newNumberVector"] * 10


async def test_a_client_that_shuts_its_own_side_is_still_told_everything():
    async with _served() as (_, port):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b'<getProperties version="1.7"/>')
        writer.write_eof()
        answer = await asyncio.wait_for(reader.read(-1), 10.0)
        writer.close()
    assert answer.count(b"</defNumberVector>") == _PROPERTIES


async def test_something_that_is_no_xml_ends_its_own_connection_and_no_other():
    async with _served() as (driver, port):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"<a></b>")
        assert await asyncio.wait_for(reader.read(-1), 5.0) == b""
        writer.close()
        await asyncio.to_thread(_set_and_leave, port, reset=False)
        await asyncio.wait_for(driver.heard.wait(), 5.0)


def _set_and_leave(port: int, *, reset: bool) -> None:
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.sendall(b'<getProperties version="1.7"/>')
        connection.recv(100)
        connection.sendall(_TURN)
        if reset:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
