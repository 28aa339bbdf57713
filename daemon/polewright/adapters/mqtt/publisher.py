"""The publisher: takes messages at once, keeps the newest of each topic, and never blocks."""

import asyncio
import dataclasses
import json
import logging
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from typing import Any

from pydantic import ValidationError

from polewright.adapters.mqtt.payloads import CONTRACT_VERSION, check_payload, scalars_of
from polewright.adapters.mqtt.topics import CORRECTION, STATE, MountTopics

log = logging.getLogger(__name__)

# The contract: displays that cannot parse JSON are mostly slow, too.
SCALAR_PERIOD_S = 0.2

# Replies and events must all arrive, so they queue; this many while there is no broker.
MOST_QUEUED = 256

# A live correction that nobody renews is history; longer than the longest usual exposure.
STALE_AFTER_S = 30.0

Listener = Callable[[str, str, bool], None]
"""Called with the topic below the mount's root, the text on the wire, and whether it is kept."""

_LIVE_TOPICS = ("correction", "targets", "sensor")
# Of these what an earlier run left behind, unknown to this one, must not look like its own.
_NOBODY_ELSES = (CORRECTION, "survey", "pointing")
_ALL_MUST_ARRIVE = ("reply/", "event")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One message on its way: full topic, bytes, and how to send them."""

    topic: str
    payload: bytes
    retain: bool
    qos: int
    correlation: bytes | None = None
    queued: bool = False


class MqttPublisher:
    """Implements :class:`polewright.ports.Publisher` for MQTT.

    Call it from the event loop's thread.  Memory is bounded: the newest message of each topic,
    and at most ``MOST_QUEUED`` replies and events.

    Parameters
    ----------
    topics : MountTopics
        Where to publish.
    now : callable
        The aware UTC instant.
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(
        self,
        topics: MountTopics,
        *,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.topics = topics
        self._now = now
        self._monotonic = monotonic
        self._remembered: dict[str, Outgoing] = {}
        self._newest: OrderedDict[str, Outgoing] = OrderedDict()
        self._queue: deque[Outgoing] = deque(maxlen=MOST_QUEUED)
        self._held_scalars: dict[str, Outgoing] = {}
        self._next_scalars_s = 0.0
        self._live: dict[str, Any] | None = None
        self._live_until_s = 0.0
        self._something = asyncio.Event()
        self._listeners: list[Listener] = []
        self._newest_first = False
        self.dropped = 0
        self._hold_scalars(scalars_of(None))

    def tell_also(self, listener: Listener) -> None:
        """Tell a listener every message that fits the contract, the bare scalars left aside."""
        self._listeners.append(listener)

    def publish(self, topic: str, payload: object, *, retain: bool) -> None:
        """Queue one message below the mount's root; never blocks, never raises.

        A JSON object gets ``v`` and ``at`` where they are missing.  A message that breaks the
        contract is a bug: it is logged and dropped.  A ``correction`` brings its bare scalars.
        """
        self.send(topic, payload, retain=retain)

    def send(
        self, topic: str, payload: object, *, retain: bool, correlation: bytes | None = None
    ) -> bool:
        """Do as :meth:`publish`, with the correlation data of an MQTT 5 request.

        Returns
        -------
        bool
            False where the message breaks the contract and was dropped.
        """
        try:
            plain = _plain(payload)
            if isinstance(plain, dict):
                plain = {"v": CONTRACT_VERSION, "at": _text(self._now())} | plain
            text = _wire_text(plain)
            full = self.topics.full(topic)
            check_payload(topic, text)
            data = text.encode()
        except ValidationError as error:
            self._drop(topic, "; ".join(_one_line(problem) for problem in error.errors()))
            return False
        except (TypeError, ValueError, RecursionError) as error:
            self._drop(topic, str(error))
            return False
        outgoing = Outgoing(
            topic=full,
            payload=data,
            retain=retain,
            qos=0 if topic.startswith(_LIVE_TOPICS) else 1,
            correlation=correlation,
            queued=topic.startswith(_ALL_MUST_ARRIVE),
        )
        self._put(outgoing)
        for listener in self._listeners:
            listener(topic, text, retain)
        if topic == CORRECTION and isinstance(plain, dict):
            self._follow_correction(plain)
        elif topic == STATE and isinstance(plain, dict) and plain["state"] != "adjusting":
            self.end_live()
        return True

    def end_live(self) -> None:
        """Say that the last correction is not live any more; nothing where there is none."""
        if self._live is not None:
            self.send(CORRECTION, self._live | {"live": False, "at": self._now()}, retain=True)

    async def take(self) -> Outgoing:
        """Return the next message to send; wait for one."""
        while True:
            self._something.clear()
            now_s = self._monotonic()
            if self._live is not None and now_s >= self._live_until_s:
                log.info("The live correction was not renewed and is shown as stale")
                self.end_live()
            if self._held_scalars and now_s >= self._next_scalars_s:
                self._newest |= self._held_scalars
                self._held_scalars = {}
                self._next_scalars_s = now_s + SCALAR_PERIOD_S
            # In turns: a caller with many answers to get must not hold up the corrections.
            self._newest_first = not self._newest_first
            if self._queue and not (self._newest and self._newest_first):
                return self._queue.popleft()
            if self._newest:
                return self._newest.popitem(last=False)[1]
            await self._wait(now_s)

    def take_all(self) -> list[Outgoing]:
        """Return everything that is waiting, without waiting: the last words."""
        everything = [*self._queue, *(self._newest | self._held_scalars).values()]
        self._queue.clear()
        self._newest.clear()
        self._held_scalars.clear()
        return everything

    def put_back(self, outgoing: Outgoing) -> None:
        """Return a message that could not be sent, unless a newer one took its place."""
        if outgoing.queued:
            if len(self._queue) < MOST_QUEUED:
                self._queue.appendleft(outgoing)
        elif outgoing.topic not in self._newest and outgoing.topic not in self._held_scalars:
            self._newest[outgoing.topic] = outgoing
        self._something.set()

    def start_over(self) -> None:
        """Queue every retained message again, for a new connection."""
        passing = [topic for topic, outgoing in self._newest.items() if not outgoing.retain]
        for topic in passing:
            del self._newest[topic]
        for topic in map(self.topics.full, _NOBODY_ELSES):
            if topic not in self._remembered:
                self._newest[topic] = Outgoing(topic=topic, payload=b"", retain=True, qos=1)
        self._newest |= self._remembered
        self._held_scalars = {}
        self._something.set()

    async def _wait(self, now_s: float) -> None:
        due = [self._next_scalars_s] if self._held_scalars else []
        if self._live is not None:
            due.append(self._live_until_s)
        try:
            async with asyncio.timeout(max(min(due) - now_s, 0.001) if due else None):
                await self._something.wait()
        except TimeoutError:
            return

    def _put(self, outgoing: Outgoing) -> None:
        if outgoing.retain:
            self._remembered[outgoing.topic] = outgoing
        if outgoing.queued:
            self.dropped += len(self._queue) == MOST_QUEUED
            self._queue.append(outgoing)
        else:
            self._newest[outgoing.topic] = outgoing
        self._something.set()

    def _follow_correction(self, correction: dict[str, Any]) -> None:
        self._live = correction if correction["live"] else None
        valid_s = correction.get("valid_s") or STALE_AFTER_S
        self._live_until_s = self._monotonic() + max(
            valid_s - (correction.get("frame_age_s") or 0.0), 0.0
        )
        self._hold_scalars(scalars_of(correction))

    def _hold_scalars(self, scalars: Mapping[str, str]) -> None:
        for topic, text in scalars.items():
            outgoing = Outgoing(
                topic=self.topics.full(topic), payload=text.encode(), retain=True, qos=0
            )
            self._remembered[outgoing.topic] = outgoing
            self._held_scalars[outgoing.topic] = outgoing
            self._newest.pop(outgoing.topic, None)
        self._something.set()

    def _drop(self, topic: str, why: str) -> None:
        self.dropped += 1
        log.error("Bug: a message for %s breaks the contract and is not sent: %s", topic, why)


def _plain(value: object) -> Any:
    """Return what JSON can hold of a record: dataclasses, enumerations, instants, numpy scalars."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime):
        return _text(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if hasattr(value, "item") and getattr(value, "shape", None) == ():
        return value.item()
    raise TypeError(f"{type(value).__name__} has no place in a message")


def _text(instant: datetime) -> str:
    if instant.tzinfo is None:
        raise ValueError("an instant without a zone has no place in a message")
    return instant.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _wire_text(plain: object) -> str:
    if isinstance(plain, str):
        return plain
    if plain is None:
        raise TypeError("an empty message would delete what is retained")
    text = json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # Half a letter (a driver's odd bytes, a person's odd input) must not cost the whole message.
    return text.encode("utf-8", "replace").decode("utf-8")


def _one_line(problem: Any) -> str:
    return f"{'.'.join(str(part) for part in problem['loc'])}: {problem['msg']}"
