"""Many mounts on one broker: their topics as they come, and the one command to all of them."""

import asyncio
import json
import secrets
from collections.abc import AsyncGenerator, Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from polewright.adapters.mqtt.client import read_payload, refuse_when_off
from polewright.adapters.mqtt.connection import heeding_cancellation, open_client
from polewright.adapters.mqtt.topics import MountTopics
from polewright.session.mount_standing import plain_words
from polewright.settings.devices import RESERVED_SLUG
from polewright.settings.model import Settings

# What hundreds of mounts have retained comes all at once.
_MOST_WAITING = 50_000
# Retained messages arrive within milliseconds of subscribing; a busy broker takes longer (s).
_SETTLE_S = 1.0

Answer = Literal["stopped", "nothing_ran", "failed", "silent", "offline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetUpdate:
    """One message of one of the mounts.

    Attributes
    ----------
    mount, topic : str
        Whose, and its name below the mount's root.
    payload : object
        A dict from JSON, else the bare text; None: the topic was cleared.
    retained : bool
        True where it was kept by the broker from before.
    """

    mount: str
    topic: str
    payload: object
    retained: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StopAnswer:
    """What one mount's service said to the stop of all.

    ``silent``: it is online and said nothing; ``offline``: the broker says that it is not there.
    """

    mount: str
    answer: Answer
    text: str = ""
    remedy: str = ""


async def watch_fleet(
    settings: Settings,
    topics: Sequence[str],
    *,
    port: int | None = None,
    on_ready: Callable[[], None] = lambda: None,
) -> AsyncGenerator[FleetUpdate, None]:
    """Yield what every mount below the root has retained, and then what comes, for ever.

    Parameters
    ----------
    settings : Settings
        Which broker, which root; the mount's own name is not looked at.
    topics : sequence of str
        Names below each mount's root.
    port : int, optional
        Where the embedded broker listens, if the settings leave it open.
    on_ready : callable
        Told once everything is subscribed to.

    Raises
    ------
    LinkError
        No broker, or the connection broke.
    """
    refuse_when_off(settings)
    root = settings.mqtt.root
    async with open_client(
        settings.mqtt,
        identifier=f"polewright-fleet-{secrets.token_hex(6)}",
        port=port,
        most_waiting=_MOST_WAITING,
    ) as (client, _):
        for topic in topics:
            # One after the other, and without acknowledgements: brokers keep no more than some
            # hundred messages for one client, and drop what of many mounts goes beyond.
            await heeding_cancellation(client.subscribe(f"{root}/+/{topic}", 0))
        on_ready()
        async for message in client.messages:
            found = _mount_and_topic(root, str(message.topic))
            # The embedded broker sends retained messages that nobody asked for.
            if found is None or found[1] not in topics:
                continue
            yield FleetUpdate(
                mount=found[0],
                topic=found[1],
                payload=read_payload(bytes(message.payload)),
                retained=bool(message.retain),
            )


async def stop_fleet(
    settings: Settings, wait_s: float, *, port: int | None = None
) -> list[StopAnswer]:
    """Send the stop to all mounts of the broker and return what each answered, by name.

    Services that say nothing are ``silent`` or ``offline``, by their retained availability.

    Parameters
    ----------
    settings : Settings
        Which broker, which root.
    wait_s : float
        So long answers are waited for (s); less where everybody who is online has answered.
    port : int, optional
        Where the embedded broker listens, if the settings leave it open.

    Raises
    ------
    LinkError
        No broker, or the connection broke: nobody may have heard it.
    """
    refuse_when_off(settings)
    root = settings.mqtt.root
    identifier = secrets.token_hex(8)
    async with open_client(
        settings.mqtt,
        identifier=f"polewright-command-{identifier}",
        port=port,
        most_waiting=_MOST_WAITING,
    ) as (client, _):
        wanted = [(f"{root}/+/reply/{identifier}", 1), (f"{root}/+/availability", 1)]
        await heeding_cancellation(client.subscribe(wanted))
        payload = json.dumps({"id": identifier})
        stop = f"{root}/{RESERVED_SLUG}/command/stop"
        await heeding_cancellation(client.publish(stop, payload, qos=1))
        online: set[str] = set()
        known: set[str] = set()
        answers: dict[str, StopAnswer] = {}
        loop = asyncio.get_running_loop()
        end_s = loop.time() + wait_s
        # Who is online is known within a moment, and only then whether all have answered.
        settled_s = loop.time() + min(_SETTLE_S, wait_s)
        while True:
            settled = loop.time() >= settled_s
            if loop.time() >= end_s or (settled and online and online <= answers.keys()):
                break
            try:
                async with asyncio.timeout_at(end_s if settled else settled_s):
                    message = await anext(client.messages)
            except TimeoutError:
                continue
            found = _mount_and_topic(root, str(message.topic))
            if found is None:
                continue
            mount, topic = found
            told = read_payload(bytes(message.payload))
            if topic == "availability":
                known.add(mount)
                (online.add if told == "online" else online.discard)(mount)
            elif isinstance(told, dict) and (said := _answer(mount, told)) is not None:
                answers[mount] = said
    silent = {
        name: StopAnswer(mount=name, answer="silent" if name in online else "offline")
        for name in known - answers.keys()
    }
    return [one for _, one in sorted((answers | silent).items())]


def _answer(mount: str, told: dict[str, object]) -> StopAnswer | None:
    """Return what a reply means; None where it is not the last one."""
    if told.get("status") == "done":
        result = told.get("result")
        stopped = isinstance(result, dict) and bool(result.get("stopped"))
        return StopAnswer(mount=mount, answer="stopped" if stopped else "nothing_ran")
    if told.get("ok") is False:
        error = told.get("error")
        body = error if isinstance(error, dict) else {}
        return StopAnswer(
            mount=mount,
            answer="failed",
            text=plain_words(str(body.get("text") or "it says that the stop failed")),
            remedy=plain_words(str(body.get("remedy") or "")),
        )
    return None


def _mount_and_topic(root: str, full: str) -> tuple[str, str] | None:
    """Return whose topic this is and its name below; None where it is no mount's."""
    mount = full.removeprefix(f"{root}/").partition("/")[0]
    try:
        relative = MountTopics(root, mount).relative(full)
    except ValueError:
        return None
    return None if relative is None else (mount, relative)
