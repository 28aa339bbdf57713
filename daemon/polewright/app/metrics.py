"""The metrics in the service: what is published is counted, where it is asked for."""

import logging
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager

from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.core.errors import LinkError
from polewright.settings.model import Settings

_log = logging.getLogger(__name__)


@asynccontextmanager
async def kept_metrics(settings: Settings, publisher: MqttPublisher) -> AsyncIterator[int | None]:
    """Serve metrics while the context is open, if they are wanted; yields the port.

    Trouble with them ends nothing else.
    """
    if settings.metrics.port is None:
        yield None
        return
    from polewright.adapters.metrics.endpoint import PATH, served_metrics
    from polewright.adapters.metrics.figures import Figures

    figures = Figures()
    async with AsyncExitStack() as stack:
        port: int | None = None
        try:
            port = await stack.enter_async_context(served_metrics(settings.metrics, figures.text))
        except LinkError as trouble:
            _log.warning("%s", trouble)
        else:
            publisher.tell_also(figures.hear)
            _log.info("Metrics are at http://%s:%d%s", settings.metrics.host, port, PATH)
        yield port
