"""How the command line reaches the service, and what it says where nobody is there."""

import contextlib
from collections.abc import AsyncGenerator, Mapping
from typing import Any, Protocol

from polewright.adapters.direct.stop_door import services_here
from polewright.adapters.mqtt.client import TopicUpdate, send_command, watch_topics
from polewright.core.errors import LinkError, PolewrightError
from polewright.settings.model import Settings

START = "Start it with `polewright run` in another terminal, and leave it running."


class Follower(Protocol):
    """Shows a person how a command goes on: a progress bar, for one."""

    def follow(self, message: Mapping[str, Any]) -> None:
        """Show one progress message."""

    def warn(self, event: Mapping[str, Any]) -> None:
        """Show one warning."""


_UNREACHED = ("no_broker", "no_service", "mqtt_off")


async def command(
    settings: Settings,
    verb: str,
    arguments: Mapping[str, Any] | None = None,
    shown: Follower | None = None,
) -> dict[str, Any]:
    """Send a command, follow it, and return its result; raises what :func:`explained` says.

    ``shown``: gets its steps, and what the service warns of meanwhile.
    """
    step, warning = (shown.follow, shown.warn) if shown else (None, None)
    try:
        return await send_command(settings, verb, arguments, step, on_warning=warning)
    except PolewrightError as trouble:
        raise await explained(settings, trouble) from None


async def topics(settings: Settings, *filters: str) -> AsyncGenerator[TopicUpdate, None]:
    """Yield the service's topics; raises what :func:`explained` says."""
    try:
        async with contextlib.aclosing(watch_topics(settings, *filters)) as updates:
            async for update in updates:
                yield update
    except PolewrightError as trouble:
        raise await explained(settings, trouble) from None


async def explained(settings: Settings, trouble: PolewrightError) -> PolewrightError:
    """Return what to say of a trouble: first whether the service runs, and only then the broker.

    Whatever has nothing to do with that is returned as it is.
    """
    if trouble.code not in _UNREACHED:
        return trouble
    here = await services_here(settings)
    if here:
        return _runs_unheard(trouble, here[0])
    slug, mqtt = settings.mount.slug, settings.mqtt
    if trouble.code == "mqtt_off":
        return LinkError(
            f'no polewright service for the mount "{slug}" runs on this machine',
            remedy=f'{START} With [mqtt] mode = "off" only the page and `polewright stop` '
            "reach it then.",
            code="no_service",
        )
    if mqtt.mode == "embedded":
        return LinkError(
            f'no polewright service for the mount "{slug}" runs on this machine',
            remedy=f"{START} If it runs, this command reads other settings than the service: "
            "name the service's with --config.",
            code="no_service",
        )
    broker = f"the MQTT broker at {mqtt.host}:{mqtt.port}"
    if trouble.code == "no_broker":
        return LinkError(
            f'no polewright service for the mount "{slug}" runs on this machine, and {broker}, by '
            "which one elsewhere would be reached, does not answer",
            remedy=f"{START} If it runs elsewhere, see that the broker runs, and correct host "
            "and port under [mqtt].",
            code="no_broker",
        )
    return LinkError(
        f'no polewright service for the mount "{slug}" runs on this machine, and none elsewhere '
        f"answers at {broker}",
        remedy=f"{START} If it runs elsewhere, correct [mount] slug and [mqtt] root.",
        code="no_service",
    )


def _runs_unheard(trouble: PolewrightError, process: int) -> PolewrightError:
    if trouble.code == "mqtt_off":
        return trouble
    if trouble.code == "no_broker":
        return LinkError(
            f"the polewright service runs on this machine (process {process}), but the MQTT "
            f"broker does not answer: {trouble.text}",
            remedy=f"{trouble.remedy} `polewright stop` and the page work without it.",
            code="no_broker",
        )
    return LinkError(
        f"the polewright service runs on this machine (process {process}), but does not answer "
        "at the MQTT broker",
        remedy="Wait a few seconds if it has just been started; else look at its log. "
        "`polewright stop` works all the same.",
        code="no_service",
    )
