"""A slow link: a byte-level proxy with a limited rate and a delay, as a weak Wi-Fi has."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

_PIECE_BYTES = 4096


class SlowLink:
    """Passes bytes on at its rate; can be held still."""

    def __init__(self, target_port: int, *, bytes_per_s: float, delay_s: float) -> None:
        self.port = 0
        self.flowing = asyncio.Event()
        self.flowing.set()
        self._target_port = target_port
        self._bytes_per_s = bytes_per_s
        self._delay_s = delay_s
        self._tasks: set[asyncio.Task[None]] = set()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Join one client to the target until either goes."""
        there, back = await asyncio.open_connection("127.0.0.1", self._target_port)
        both = [
            asyncio.create_task(self._pass_on(reader, back, limited=False)),
            asyncio.create_task(self._pass_on(there, writer, limited=True)),
        ]
        self._tasks.update(both)
        await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        for task in both:
            task.cancel()
        for end in (writer, back):
            end.close()

    async def finish(self) -> None:
        """End what is under way."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _pass_on(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, limited: bool
    ) -> None:
        loop = asyncio.get_running_loop()
        free_s = 0.0
        while data := await source.read(_PIECE_BYTES):
            await self.flowing.wait()
            free_s = max(free_s, loop.time())
            if limited:
                free_s += len(data) / self._bytes_per_s
            loop.call_at(free_s + self._delay_s, sink.write, data)
            await asyncio.sleep(free_s - loop.time())


@asynccontextmanager
async def slow_link(
    target_port: int, *, bytes_per_s: float, delay_s: float = 0.05
) -> AsyncIterator[SlowLink]:
    """Run a slow link to a loopback port, on a free one of its own."""
    link = SlowLink(target_port, bytes_per_s=bytes_per_s, delay_s=delay_s)
    server = await asyncio.start_server(link.serve, "127.0.0.1", 0)
    link.port = server.sockets[0].getsockname()[1]
    try:
        yield link
    finally:
        server.close()
        await link.finish()
        await server.wait_closed()
