"""A link between two programs on this machine that can be cut, held still, or slowed down."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

_PIECE_BYTES = 8192


class Link:
    """Passes bytes between whoever connects and a port.

    Parameters
    ----------
    target_port : int
        Where to.
    """

    def __init__(self, target_port: int) -> None:
        self.port = 0
        self.bytes_per_s: float | None = None
        self.refuses = False
        self._flows = asyncio.Event()
        self._flows.set()
        self._target_port = target_port
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    def hold(self) -> None:
        """Pass nothing on from now on: a cable that was pulled says no goodbye."""
        self._flows.clear()

    def release(self) -> None:
        """Pass on what waits."""
        self._flows.set()

    def cut(self) -> None:
        """Reset every connection."""
        for writer in list(self._writers):
            writer.transport.abort()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Join one client to the target until either goes."""
        if self.refuses:
            writer.transport.abort()
            return
        try:
            there, back = await asyncio.open_connection("127.0.0.1", self._target_port)
        except OSError:
            writer.transport.abort()
            return
        self._writers |= {writer, back}
        both = [
            asyncio.create_task(self._pass_on(reader, back)),
            asyncio.create_task(self._pass_on(there, writer)),
        ]
        self._tasks.update(both)
        try:
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in both:
                task.cancel()
            await asyncio.gather(*both, return_exceptions=True)
            self._tasks.difference_update(both)
            for end in (writer, back):
                self._writers.discard(end)
                end.transport.abort()

    async def _pass_on(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(_PIECE_BYTES):
                await self._flows.wait()
                if self.bytes_per_s is not None:
                    await asyncio.sleep(len(data) / self.bytes_per_s)
                sink.write(data)
                await sink.drain()

    async def finish(self) -> None:
        """End what is under way."""
        self.cut()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@asynccontextmanager
async def link_to(target_port: int) -> AsyncIterator[Link]:
    """Run a link on a free loopback port."""
    link = Link(target_port)
    server = await asyncio.start_server(link.serve, "127.0.0.1", 0)
    link.port = int(server.sockets[0].getsockname()[1])
    try:
        yield link
    finally:
        server.close()
        await link.finish()
