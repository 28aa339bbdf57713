"""A socket that closes before the loop looks at it is not written to, nor is its successor."""

import asyncio
import socket

from polewright.adapters.mqtt.connection import LinkClient


class _Paho:
    def __init__(self) -> None:
        self.writes = 0

    def loop_write(self) -> None:
        self.writes += 1


async def _registered(*, closed_before: bool) -> tuple[int, list[dict[str, object]]]:
    """Return how often was written, and what the loop complained of."""
    loop = asyncio.get_running_loop()
    complaints: list[dict[str, object]] = []
    loop.set_exception_handler(lambda _loop, context: complaints.append(context))
    client, paho = LinkClient("127.0.0.1"), _Paho()
    ours, theirs = socket.socketpair()
    number = ours.fileno()
    client._on_socket_register_write(paho, None, ours)
    others: list[socket.socket] = []
    if closed_before:
        ours.close()
        others += socket.socketpair()
        assert others[0].fileno() == number, "the next connection has the old descriptor"
    for _ in range(5):
        await asyncio.sleep(0.01)
    loop.remove_writer(number)
    for one in (ours, theirs, *others):
        one.close()
    loop.set_exception_handler(None)
    return paho.writes, complaints


async def test_an_open_socket_is_written_to() -> None:
    writes, complaints = await _registered(closed_before=False)
    assert writes > 0
    assert complaints == []


async def test_a_socket_that_closed_meanwhile_is_left_alone_and_so_is_the_next_one() -> None:
    writes, complaints = await _registered(closed_before=True)
    assert writes == 0
    assert complaints == []


async def test_a_closed_descriptor_is_no_complaint_of_the_loop() -> None:
    loop = asyncio.get_running_loop()
    complaints: list[dict[str, object]] = []
    loop.set_exception_handler(lambda _loop, context: complaints.append(context))
    client = LinkClient("127.0.0.1")
    ours, theirs = socket.socketpair()
    client._on_socket_register_write(_Paho(), None, ours)
    ours.close()
    await asyncio.sleep(0.02)
    loop.set_exception_handler(None)
    theirs.close()
    assert complaints == []
