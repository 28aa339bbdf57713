"""Whether another service already speaks for the same mount."""

import asyncio
import json
import logging
import secrets
from typing import Any

import aiomqtt

from polewright.adapters.mqtt.connection import heeding_cancellation, open_client
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import LinkError
from polewright.settings.model import Settings

log = logging.getLogger(__name__)

# Retained messages follow the subscription at once, within milliseconds even on slow machines.
RETAINED_WAIT_S = 0.3

# A living service answers a ping from its event loop within tens of milliseconds.
PING_WAIT_S = 1.5


async def find_other_service(
    settings: Settings, *, port: int | None = None
) -> tuple[dict[str, Any] | None, aiomqtt.ProtocolVersion]:
    """Return what another service for this mount says of itself, and the version spoken.

    None instead of the first where there is no other service.

    Raises
    ------
    LinkError
        No broker answers.
    """
    topics = MountTopics.of(settings)
    identifier = f"probe-{secrets.token_hex(6)}"
    client_id = f"polewright-{topics.mount}-{identifier}"
    async with open_client(settings.mqtt, identifier=client_id, port=port) as (client, version):
        await heeding_cancellation(
            client.subscribe([(topics.availability, 1), (topics.reply(identifier), 1)])
        )
        if await _first(client, topics.availability, RETAINED_WAIT_S) != b"online":
            return None, version
        ping = json.dumps({"id": identifier})
        await heeding_cancellation(client.publish(topics.command("ping"), ping, qos=1))
        answer = await _first(client, topics.reply(identifier), PING_WAIT_S)
    if answer is None:
        return None, version
    try:
        result = json.loads(answer)["result"]
    except (ValueError, KeyError, TypeError):
        result = {}
    return (result if isinstance(result, dict) else {}), version


async def echo_comes_back(settings: Settings, *, port: int | None = None) -> bool:
    """Tell whether this user may write and read the mount's topics: a broker denies silently.

    Raises
    ------
    LinkError
        No broker answers.
    """
    topics = MountTopics.of(settings)
    identifier = f"echo-{secrets.token_hex(6)}"
    command = topics.command("ping")
    async with open_client(settings.mqtt, identifier=f"polewright-{identifier}", port=port) as (
        client,
        _,
    ):
        await heeding_cancellation(client.subscribe(command, qos=1))
        text = json.dumps({"id": identifier})
        await heeding_cancellation(client.publish(command, text, qos=1))
        return await _first(client, command, PING_WAIT_S) is not None


async def ensure_alone(settings: Settings, *, port: int | None = None) -> None:
    """Refuse to be the second service for one mount; no broker, nobody to meet.

    Raises
    ------
    LinkError
        ``already_running``.
    """
    if settings.mqtt.mode == "off":
        return
    try:
        other, _ = await find_other_service(settings, port=port)
    except LinkError as error:
        log.debug("Not known whether another service runs: %s", error)
        return
    if other is not None:
        raise already_running(settings, other)


def already_running(settings: Settings, other: dict[str, Any]) -> LinkError:
    """Return the error that names the other service."""
    place = f" on {other['host']} (process {other['pid']})" if {"host", "pid"} <= set(other) else ""
    return LinkError(
        f'A polewright service for the mount "{settings.mount.slug}" already runs{place}',
        remedy="Stop that one, or give this mount another [mount] slug.",
        code="already_running",
    )


async def _first(client: aiomqtt.Client, topic: str, wait_s: float) -> bytes | None:
    try:
        async with asyncio.timeout(wait_s):
            async for message in client.messages:
                if str(message.topic) == topic:
                    return bytes(message.payload)
    except TimeoutError:
        pass
    return None
