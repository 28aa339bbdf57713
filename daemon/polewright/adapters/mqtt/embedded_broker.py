"""A broker inside polewright, for one machine: nothing to install, nobody else let in.

amqtt speaks MQTT 3.1.1 and asks nobody for a password, so it listens on loopback only.
"""

import asyncio
import logging
import time
from collections.abc import Iterator
from types import TracebackType
from typing import Any

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.errors import BrokerError

from polewright.core.errors import LinkError
from polewright.settings.displays import LOOPBACK_HOSTS

log = logging.getLogger(__name__)

# An orderly end takes milliseconds; amqtt 0.12 waits for ever for a connection that never said a
# word (on Python 3.12 and newer), so after the first bound such connections are cut.
ORDERLY_END_S = 1.0
FORCED_END_S = 2.0


# What one client may send, in the broker's own small reads (about five a packet) and in bytes per
# second, with as much again for a start: hundreds of packets per second.  The broker shares the
# measuring's event loop, and breaks at a few thousand.
_READS_PER_S = 2500.0
_BYTES_PER_S = 1_000_000.0


class _PacedReader(StreamReaderAdapter):  # type: ignore[misc]
    """Reads a client's bytes no faster than there is time for them; the rest waits with it."""

    def __init__(self, reader: asyncio.StreamReader) -> None:
        super().__init__(reader)
        self._left_s = 1.0
        self._filled_s = time.monotonic()

    async def read(self, n: int = -1) -> bytes:
        data: bytes = await super().read(n)
        now_s = time.monotonic()
        self._left_s = min(1.0, self._left_s + now_s - self._filled_s)
        self._filled_s = now_s
        self._left_s -= 1.0 / _READS_PER_S + len(data) / _BYTES_PER_S
        if self._left_s < 0.0:
            await asyncio.sleep(-self._left_s)
        return data


class Subscriptions(dict[str, Any]):
    """Who wants what; may change while amqtt goes through it and awaits in between.

    A plain dict raises there, and whoever connects while another one subscribes is thrown out.
    """

    def __iter__(self) -> Iterator[str]:
        """Go through the topics that are there now."""
        return iter(tuple(super().__iter__()))

    def items(self) -> Any:
        """Return topics and subscribers as they are now."""
        return tuple(super().items())


class _TrackingBroker(Broker):  # type: ignore[misc]
    """Knows its open connections, which amqtt leaves open when they are mute."""

    def __init__(self, config: dict[str, Any]) -> None:
        super().__init__(config)
        self._subscriptions = Subscriptions()
        self.writers: set[asyncio.StreamWriter] = set()

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        self.writers.add(writer)
        try:
            await self._client_connected(
                listener_name, _PacedReader(reader), StreamWriterAdapter(writer)
            )
        except (ConnectionError, asyncio.CancelledError):
            # asyncio would log a traceback for a connection that ended so.
            return
        finally:
            self.writers.discard(writer)
            writer.close()

    def cut_connections(self) -> None:
        for writer in list(self.writers):
            writer.transport.abort()


class EmbeddedBroker:
    """An MQTT broker in this process; an asynchronous context manager.

    Parameters
    ----------
    host : str
        A loopback address.
    port : int
        TCP port; 0: any free one, see :attr:`port` once started.
    """

    def __init__(self, *, host: str = "127.0.0.1", port: int = 0) -> None:
        if host not in LOOPBACK_HOSTS:
            raise ValueError(f"the embedded broker listens on loopback only, not on {host}")
        self.host = host
        self.port = port
        self._broker: Any = None

    async def __aenter__(self) -> "EmbeddedBroker":
        """Start; raise LinkError where the port is taken."""
        address = f"[{self.host}]" if ":" in self.host else self.host
        self._broker = _TrackingBroker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{address}:{self.port}"}},
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
                },
            }
        )
        try:
            await self._broker.start()
        except BrokerError as error:
            raise LinkError(
                f"The embedded MQTT broker cannot listen on {self.host}:{self.port} ({error})",
                remedy='If a broker runs there already, set [mqtt] mode = "external"; else choose '
                "another port.",
                code="broker_port_taken",
            ) from None
        listener = self._broker._servers["default"].instance
        self.port = int(listener.sockets[0].getsockname()[1])
        log.info("The embedded MQTT broker listens on %s:%d", self.host, self.port)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Stop, within a bound."""
        stopping = asyncio.ensure_future(self._broker.shutdown())
        done, _ = await asyncio.wait({stopping}, timeout=ORDERLY_END_S)
        self._broker.cut_connections()
        if not done:
            done, _ = await asyncio.wait({stopping}, timeout=FORCED_END_S)
        # Connections that were cut end in the next turns of the loop.
        await asyncio.sleep(0)
        if not done:
            stopping.cancel()
            log.warning("The embedded MQTT broker did not stop in time and is left behind")
        elif (failure := stopping.exception()) is not None:
            log.warning("The embedded MQTT broker did not stop in good order: %s", failure)
