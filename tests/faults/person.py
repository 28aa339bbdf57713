"""The person: sees what displays see, asks for surveys and adjustments, and turns the bolts."""

import asyncio
import contextlib
import json
import time
import uuid
from collections.abc import Sequence
from typing import Any

import aiomqtt

from tests.faults.kept_sky import World
from tests.faults.record import Asked, Record
from tests.system.published_schemas import PublishedSchemas

_BASE = "polewright/kudu/"
# A service that has not said "accepted" by then has not heard the command (s).
_ACCEPTED_S = 3.0
# Longer than any survey here takes (s).
_ENDED_S = 40.0
_RETRY_S = 0.5
# So many corrections are looked at between two turns of the bolts.
_LOOKS = 4
# These run until they are stopped.
_LONG = ("adjust", "keep_watch")
_AGAIN = ("declination_moved", "no_survey", "axis_jumped")


class Person:
    """One connection to the real broker, whatever happens to the service's own.

    Parameters
    ----------
    record : Record
        Where everything is taken down.
    port : int
        The broker's.
    world : World
        Whose bolts are turned.
    hands_arcmin : sequence of (float, float)
        Where to, one after the other.
    """

    def __init__(
        self,
        record: Record,
        port: int,
        world: World,
        hands_arcmin: Sequence[tuple[float, float]],
    ) -> None:
        self._record = record
        self._port = port
        self._world = world
        self._hands = list(hands_arcmin)
        self._client: aiomqtt.Client | None = None
        self._replies: dict[str, asyncio.Queue[dict[str, Any]]] = {}
        self._schemas = PublishedSchemas()
        self._seen = 0
        self.connected = asyncio.Event()
        self.online = asyncio.Event()
        self.resting = False

    async def look(self) -> None:
        """Listen for ever, through restarts of the broker."""
        away_s = time.monotonic()
        while True:
            with contextlib.suppress(aiomqtt.MqttError, OSError):
                async with aiomqtt.Client("127.0.0.1", self._port, timeout=2.0) as client:
                    await client.subscribe(f"{_BASE}#", qos=1)
                    self._record.witness_away.append((away_s, time.monotonic()))
                    self.online.clear()
                    self._client = client
                    self.connected.set()
                    async for message in client.messages:
                        self._take(message)
            if self._client is not None:
                away_s, self._client = time.monotonic(), None
                self.connected.clear()
            await asyncio.sleep(0.05)

    def _take(self, message: aiomqtt.Message) -> None:
        topic = str(message.topic).removeprefix(_BASE)
        content = bytes(message.payload)
        if topic.startswith("command/") or not content:
            return
        self._schemas.judge(topic, content)
        self._record.problems[:] = self._schemas.problems
        text = content.decode(errors="replace")
        payload: Any = json.loads(text) if text.startswith("{") else text
        if topic.startswith("reply/"):
            queue = self._replies.get(topic.removeprefix("reply/"))
            if queue is not None:
                queue.put_nowait(payload)
            return
        self._record.tell(topic, payload, retained=bool(message.retain))
        if topic == "availability":
            self.online.set() if payload == "online" else self.online.clear()
        if topic == "correction" and not message.retain and payload.get("live"):
            self._seen += 1
            if self._seen % _LOOKS == 0 and not self.resting:
                self._turn()

    def _turn(self) -> None:
        if self._hands:
            self._world.turn(*self._hands.pop(0))

    async def work(self) -> None:
        """Survey until there is one, then adjust, and again after whatever goes wrong."""
        survey_next = True
        while True:
            await self.online.wait()
            if survey_next:
                await self.ask("confirm_clear")
                ended = await self.ask("survey")
                survey_next = ended.code != ""
            else:
                ended = await self.ask("adjust")
                survey_next = ended.code in _AGAIN
            await asyncio.sleep(_RETRY_S)

    async def say(self, topic: str, payload: dict[str, Any]) -> None:
        """Publish something below the mount's root, if the broker is there."""
        with contextlib.suppress(aiomqtt.MqttError):
            if self._client is not None:
                await self._client.publish(f"{_BASE}{topic}", json.dumps(payload), timeout=2.0)

    async def ask(self, verb: str, **arguments: Any) -> Asked:
        """Send one command and follow it to its end."""
        began_s = time.monotonic()
        number = len(self._record.asked)
        self._record.asked.append(Asked(s=began_s, verb=verb))
        accepted_s: float | None = None
        code, ended_s = "no_answer", None
        identifier = uuid.uuid4().hex
        queue = self._replies[identifier] = asyncio.Queue()
        client = self._client
        try:
            if client is None:
                raise TimeoutError
            await client.publish(
                f"{_BASE}command/{verb}", json.dumps(arguments | {"id": identifier}),
                qos=1, timeout=2.0,
            )  # fmt: skip
            end_s = began_s + _ACCEPTED_S
            while True:
                async with asyncio.timeout(max(0.05, end_s - time.monotonic())):
                    reply = await self._next(queue, client)
                if accepted_s is None:
                    accepted_s = time.monotonic()
                    end_s = accepted_s + _ENDED_S
                    self._record.asked[number] = Asked(s=began_s, verb=verb, accepted_s=accepted_s)
                if reply.get("status") == "done" or not reply.get("ok"):
                    ended_s = time.monotonic()
                    error = reply.get("error") or {}
                    code = "" if reply.get("ok") else str(error.get("code"))
                    break
                if verb in _LONG:
                    end_s = time.monotonic() + _ENDED_S
        except (TimeoutError, aiomqtt.MqttError):
            pass
        finally:
            del self._replies[identifier]
        asked = Asked(s=began_s, verb=verb, accepted_s=accepted_s, ended_s=ended_s, code=code)
        self._record.asked[number] = asked
        return asked

    async def _next(
        self, queue: "asyncio.Queue[dict[str, Any]]", client: aiomqtt.Client
    ) -> dict[str, Any]:
        """Return the next reply; TimeoutError where broker or service have gone meanwhile."""
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.2):
                    return await queue.get()
            if self._client is not client or self._record.last("availability") != "online":
                raise TimeoutError
