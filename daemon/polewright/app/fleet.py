"""Many mounts followed by their broker alone: what every display of them is fed from."""

import asyncio
import contextlib
import math

from polewright.adapters.mqtt.fleet import watch_fleet
from polewright.core.errors import LinkError
from polewright.session.fleet import TOPICS, FleetView
from polewright.settings.model import Settings

# What hundreds of mounts have retained comes in a burst: done once it is still for so long (s).
_STILL_S = 0.6
_LONGEST_BURST_S = 5.0
_RETRY_S = 2.0


def broker_words(settings: Settings) -> str:
    """Return which broker and which root are meant."""
    mqtt = settings.mqtt
    return f"{mqtt.host}:{mqtt.port}, {mqtt.root}/"


def shared_broker_missing(settings: Settings, trouble: LinkError) -> LinkError:
    """Return what to say of a broker that does not answer: the embedded one is no shared one."""
    if trouble.code != "no_broker" or settings.mqtt.mode != "embedded":
        return trouble
    return LinkError(
        f"{trouble.text}; these settings name the broker inside one service, on its own machine",
        remedy='Many mounts share one broker: set [mqtt] mode = "external" and its host, here and '
        "for every service.",
        code="no_broker",
    )


async def follow_fleet(settings: Settings, view: FleetView) -> None:
    """Keep a view up to date for ever, through a broker that comes and goes.

    Raises
    ------
    UsageError
        The settings name no broker, or one that cannot be used.
    """
    while True:
        try:
            async with contextlib.aclosing(watch_fleet(settings, TOPICS)) as updates:
                async for update in updates:
                    view.find()
                    view.take(update.mount, update.topic, update.payload, retained=update.retained)
        except LinkError as trouble:
            view.lose(str(shared_broker_missing(settings, trouble)))
        await asyncio.sleep(_RETRY_S)


async def fleet_now(settings: Settings) -> FleetView:
    """Return what the broker has retained now.

    Raises
    ------
    LinkError
        No broker, or the connection broke.
    UsageError
        The settings name none.
    """
    view = FleetView()
    loop = asyncio.get_running_loop()
    # Until everything is subscribed to, connecting has its own bounds.
    end_s = still_s = math.inf

    def begin() -> None:
        nonlocal end_s, still_s
        end_s, still_s = loop.time() + _LONGEST_BURST_S, loop.time() + _STILL_S

    following = watch_fleet(settings, TOPICS, on_ready=begin)
    async with contextlib.aclosing(following) as updates:
        coming = asyncio.ensure_future(anext(updates))
        try:
            while loop.time() < min(end_s, still_s):
                await asyncio.wait({coming}, timeout=_STILL_S / 4.0)
                if not coming.done():
                    continue
                update = coming.result()
                view.take(update.mount, update.topic, update.payload, retained=update.retained)
                if update.retained:
                    still_s = loop.time() + _STILL_S
                coming = asyncio.ensure_future(anext(updates))
        finally:
            coming.cancel()
            await asyncio.gather(coming, return_exceptions=True)
    return view
