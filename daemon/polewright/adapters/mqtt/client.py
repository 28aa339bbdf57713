"""The other side of MQTT: commands to a running service, and its topics as they come."""

import asyncio
import contextlib
import json
import math
import secrets
from collections.abc import AsyncGenerator, Callable, Mapping
from dataclasses import dataclass
from typing import Any

import aiomqtt

from polewright.adapters.mqtt.connection import heeding_cancellation, open_client
from polewright.adapters.mqtt.topics import EVENT, MountTopics
from polewright.core.errors import (
    DeviceError,
    LinkError,
    PolewrightError,
    SafetyError,
    UsageError,
)
from polewright.settings.model import Settings

# A living service accepts within tens of milliseconds; a busy small computer may take longer.
ACCEPT_TIMEOUT_S = 5.0

_USAGE_CODES = (
    "usage",
    "payload_too_large",
    "unknown_verb",
    "not_json",
    "invalid_arguments",
    "id_used",
    "retained_command",
    "expired",
    "too_many_commands",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicUpdate:
    """One message of a running service.

    Attributes
    ----------
    topic : str
        Below the mount's root.
    payload : object
        A dict from JSON, else the bare text; None: the topic was cleared.
    retained : bool
        True where it was kept by the broker from before.
    """

    topic: str
    payload: object
    retained: bool


async def send_command(
    settings: Settings,
    verb: str,
    arguments: Mapping[str, Any] | None = None,
    on_progress: Callable[[dict[str, Any]], None] | None = None,
    timeout_s: float | None = None,
    *,
    on_warning: Callable[[dict[str, Any]], None] | None = None,
    port: int | None = None,
) -> dict[str, Any]:
    """Send one command to the running service, follow it, and return its result.

    Parameters
    ----------
    settings : Settings
        Which broker, which mount.
    verb : str
        The command.
    arguments : mapping, optional
        Its arguments.
    on_progress : callable, optional
        Gets every progress result.
    timeout_s : float, optional
        Longest wait for the end (s); None: as long as the service is online.
    on_warning : callable, optional
        Gets every event that is more than information, told meanwhile.
    port : int, optional
        Where the embedded broker listens, if the settings leave it open.

    Raises
    ------
    UsageError
        The service refused the command as it stands; or MQTT is switched off.
    LinkError
        No broker; no service (``no_service``); it went away; no end within ``timeout_s``.
    PolewrightError
        What the service says went wrong.
    """
    refuse_when_off(settings)
    topics = MountTopics.of(settings)
    identifier = secrets.token_hex(8)
    # No expiry: clocks in the field differ, and the service's clean session queues nothing.
    payload = json.dumps(dict(arguments or {}) | {"id": identifier})
    async with open_client(
        settings.mqtt, identifier=f"polewright-command-{identifier}", port=port
    ) as (client, _):
        wanted = [topics.reply(identifier), topics.availability]
        wanted += [topics.full(EVENT)] if on_warning else []
        await heeding_cancellation(client.subscribe([(one, 1) for one in wanted]))
        await heeding_cancellation(client.publish(topics.command(verb), payload, qos=1))
        told = _Told(on_progress, on_warning)
        return await _follow(client, topics, identifier, verb, told, timeout_s)


async def watch_topics(
    settings: Settings, *filters: str, port: int | None = None
) -> AsyncGenerator[TopicUpdate, None]:
    """Yield what is retained and then what comes, for ever.

    Parameters
    ----------
    settings : Settings
        Which broker, which mount.
    *filters : str
        MQTT filters below the mount's root; everything but commands and replies where left out.
    port : int, optional
        Where the embedded broker listens, if the settings leave it open.

    Raises
    ------
    LinkError
        No broker, or the connection broke.
    """
    refuse_when_off(settings)
    topics = MountTopics.of(settings)
    wanted = [f"{topics.base}/{one}" for one in filters or ("#",)]
    async with open_client(
        settings.mqtt, identifier=f"polewright-watch-{secrets.token_hex(6)}", port=port
    ) as (client, _):
        await heeding_cancellation(client.subscribe([(one, 1) for one in wanted]))
        async for message in client.messages:
            relative = topics.relative(str(message.topic))
            # The embedded broker sends retained messages that nobody asked for.
            if relative is None or not any(message.topic.matches(one) for one in wanted):
                continue
            if not filters and relative.startswith(("command/", "reply/")):
                continue
            yield TopicUpdate(
                topic=relative,
                payload=read_payload(bytes(message.payload)),
                retained=bool(message.retain),
            )


def refuse_when_off(settings: Settings) -> None:
    """Raise UsageError (``mqtt_off``) where the settings name no broker."""
    if settings.mqtt.mode == "off":
        raise UsageError(
            'MQTT is switched off, [mqtt] mode = "off", so the service cannot be reached that way',
            remedy='Set mode = "embedded" or "external" and start the service again.',
            code="mqtt_off",
        )


@dataclass(frozen=True, slots=True)
class _Told:
    """Who hears what is told before the end."""

    on_progress: Callable[[dict[str, Any]], None] | None
    on_warning: Callable[[dict[str, Any]], None] | None

    def progress(self, step: dict[str, Any]) -> None:
        if self.on_progress is not None:
            self.on_progress(step)

    def event(self, event: dict[str, Any]) -> None:
        if self.on_warning is not None and event.get("level") != "info":
            self.on_warning(event)


async def _follow(
    client: aiomqtt.Client,
    topics: MountTopics,
    identifier: str,
    verb: str,
    told: "_Told",
    timeout_s: float | None,
) -> dict[str, Any]:
    loop = asyncio.get_running_loop()
    end_s = None if timeout_s is None else loop.time() + timeout_s
    accept_s: float | None = loop.time() + ACCEPT_TIMEOUT_S
    while True:
        limits = [limit for limit in (end_s, accept_s) if limit is not None]
        try:
            async with asyncio.timeout_at(min(limits) if limits else None):
                message = await anext(client.messages)
        except TimeoutError:
            raise _nobody(topics, verb, accepted=accept_s is None) from None
        topic = str(message.topic)
        if topic == topics.availability and accept_s is None and message.payload == b"offline":
            raise LinkError(
                f"The service went away while it obeyed {verb}",
                remedy="Look at its log; start it again with `polewright run`.",
                code="service_lost",
            )
        reply = read_payload(bytes(message.payload))
        if not isinstance(reply, dict):
            continue
        if topic == topics.full(EVENT):
            told.event(reply)
        if topic != topics.reply(identifier):
            continue
        accept_s = None
        result = reply.get("result") or {}
        if reply.get("status") == "done":
            return dict(result)
        if not reply.get("ok"):
            raise _refusal(reply.get("error") or {}, verb)
        if reply.get("status") == "progress":
            told.progress(dict(result))


def _nobody(topics: MountTopics, verb: str, *, accepted: bool) -> LinkError:
    if accepted:
        return LinkError(
            f"The service accepted {verb} but did not finish it in the time given",
            remedy="See `polewright status`; send `polewright stop` to end it.",
            code="no_end",
        )
    return LinkError(
        f'No polewright service for the mount "{topics.mount}" answers at this broker',
        remedy="Start it with `polewright run`, or correct [mount] slug and [mqtt] root.",
        code="no_service",
    )


def _refusal(error: Mapping[str, Any], verb: str) -> PolewrightError:
    code = str(error.get("code") or "failed")
    text = str(error.get("text") or f"The service says that {verb} failed")
    remedy = str(error.get("remedy") or "")
    kind: type[PolewrightError] = DeviceError
    if code in _USAGE_CODES:
        kind = UsageError
    elif code == SafetyError.default_code:
        kind = SafetyError
    return kind(text, remedy=remedy, code=code)


def read_payload(payload: bytes) -> object:
    """Return a dict from JSON, else the bare text; None: the topic was cleared."""
    if not payload:
        return None
    text = payload.decode("utf-8", "replace")
    if text.startswith("{"):
        # Nested without end, or a number that is none: the bare text, which nobody reads.
        with contextlib.suppress(ValueError, RecursionError):
            return json.loads(text, parse_float=_finite, parse_constant=_finite)
    return text


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is no number of JSON")
    return value
