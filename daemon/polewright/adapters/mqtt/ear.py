"""The ear: takes messages from a connection no faster than there is time for them.

A flood is left in the socket, where it costs nothing; the broker keeps or drops the rest.
"""

import asyncio
from collections.abc import AsyncIterator

import aiomqtt

# So many are read before the reading pauses; people and scripts never send as many at once.
MOST_WAITING = 64

# How long the loop is left to others after each such heap: about a thousand commands a second.
PAUSE_S = 0.05

# What the system itself may hold of a flood; a backlog there delays what comes after it.
RECEIVE_BUFFER_BYTES = 32 * 1024


async def paced_messages(client: aiomqtt.Client) -> AsyncIterator[aiomqtt.Message]:
    """Yield a connection's messages; where they come too fast, stop reading for a while.

    Raises
    ------
    MqttError
        The connection broke.
    """
    paused = False
    async for message in client.messages:
        yield message
        waiting = len(client.messages)
        if not paused and waiting >= MOST_WAITING:
            paused = _stop_reading(client)
        elif paused and waiting == 0:
            await asyncio.sleep(PAUSE_S)
            _read_on(client)
            paused = False


def _stop_reading(client: aiomqtt.Client) -> bool:
    """Leave what comes in the socket; return whether there is one."""
    descriptor = _descriptor(client)
    return descriptor is not None and asyncio.get_running_loop().remove_reader(descriptor)


def _read_on(client: aiomqtt.Client) -> None:
    """Read again, as the client itself does (aiomqtt 2.5 has no way to pause)."""
    paho = client._client

    def read() -> None:
        try:
            paho.loop_read()
            # A TLS socket may hold decoded bytes that no selector sees.
            while (pending := getattr(paho.socket(), "pending", None)) and pending() > 0:
                paho.loop_read()
        except Exception as error:
            if not client._disconnected.done():
                client._disconnected.set_exception(error)

    if (descriptor := _descriptor(client)) is not None:
        asyncio.get_running_loop().add_reader(descriptor, read)


def _descriptor(client: aiomqtt.Client) -> int | None:
    open_socket = client._client.socket()
    if open_socket is None or open_socket.fileno() < 0:
        return None
    return int(open_socket.fileno())
