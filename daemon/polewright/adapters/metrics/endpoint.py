"""Endpoint: serves the figures to whoever asks at ``/metrics``."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from aiohttp import web

from polewright.adapters.metrics.exposition import CONTENT_TYPE
from polewright.core.errors import LinkError
from polewright.settings.displays import MetricsSettings

PATH = "/metrics"
# A Prometheus server that is cut off must not hold up the end of the service (s).
_LAST_WORDS_S = 1.0


@asynccontextmanager
async def served_metrics(settings: MetricsSettings, text: Callable[[], str]) -> AsyncIterator[int]:
    """Serve while the context is open; yields the port.

    Parameters
    ----------
    settings : MetricsSettings
        Where to listen; its port is given.
    text : callable
        Returns the exposition.

    Raises
    ------
    LinkError
        ``metrics_port``: the address cannot be listened at.
    """

    async def answer(_request: web.Request) -> web.Response:
        return web.Response(body=text().encode(), headers={"Content-Type": CONTENT_TYPE})

    application = web.Application()
    application.router.add_get(PATH, answer)
    runner = web.AppRunner(application, access_log=None, shutdown_timeout=_LAST_WORDS_S)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, settings.host, settings.port).start()
        except OSError as trouble:
            raise LinkError(
                f"the metrics cannot be served at {settings.host}:{settings.port}: "
                f"{trouble.strerror or trouble}",
                remedy="Set another [metrics] port, or end what listens there.",
                code="metrics_port",
            ) from None
        yield runner.addresses[0][1]
    finally:
        await runner.cleanup()
