"""The command desk: every command is checked, answered, and handed on at most once."""

import asyncio
import logging
import os
import platform
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from polewright.adapters.mqtt.allowance import Allowance, Kind
from polewright.adapters.mqtt.commands import COMMANDS, Command, identifier_in, read_command
from polewright.adapters.mqtt.ledger import Entry, Ledger, digest_of
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.topics import is_identifier
from polewright.core.errors import PolewrightError, UsageError
from polewright.logs import cycle

log = logging.getLogger(__name__)

Reply = Callable[[dict[str, Any]], None]
CommandHandler = Callable[[str, dict[str, Any], Reply], Awaitable[dict[str, Any]]]
"""``await handle(verb, arguments, reply)``: obeys; ``reply`` tells progress; returns the result."""

# More at once means that a script repeats itself with new ids.
MOST_AT_ONCE = 8

# Where answers go that cannot name a command.
NO_IDENTIFIER = "invalid"

# Stops that come faster than they are answered one by one are obeyed together, this late (s): as
# often as the allowance would let single ones through, and far below what a hand notices.
TOGETHER_WAIT_S = 0.05
# So many of them get an answer; the rest is obeyed all the same.
MOST_ANSWERED_TOGETHER = 20

_ALWAYS_ADMITTED = ("ping",)
_KINDS: Mapping[str, Kind] = {"ping": "ping"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """One command as it arrived.

    ``response_topic`` is relative to the mount's root and below ``reply/``, or None.
    """

    verb: str
    payload: bytes
    retained: bool
    response_topic: str | None = None
    correlation: bytes | None = None


class CommandDesk:
    """Takes commands, answers them through the publisher, and runs the handler.

    Parameters
    ----------
    publisher : MqttPublisher
        Where the answers go.
    handler : CommandHandler
        Who obeys; its expected errors become error replies.
    instance : str
        What a ping answers, to tell one run of the service from another.
    commands : mapping
        The verbs and their models.
    now : callable
        The aware UTC instant.
    ledger : Ledger, optional
        Remembers what was done.
    allowance : Allowance, optional
        Bounds how much is answered.
    """

    def __init__(
        self,
        publisher: MqttPublisher,
        handler: CommandHandler,
        *,
        instance: str,
        commands: Mapping[str, type[Command]] = COMMANDS,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        ledger: Ledger | None = None,
        allowance: Allowance | None = None,
    ) -> None:
        self._publisher = publisher
        self._handler = handler
        self._instance = instance
        self._commands = commands
        self._now = now
        self._ledger = ledger or Ledger()
        self._allowance = allowance or Allowance()
        self._running = 0
        self._waiting_stops: list[tuple[Entry, Reply]] | None = None

    @property
    def dropped(self) -> int:
        """How many commands came too fast to be answered one by one."""
        return self._allowance.dropped

    def receive(self, incoming: Incoming, tasks: asyncio.TaskGroup) -> None:
        """Answer one command at once, and let the handler obey it in a task of its own."""
        identifier = identifier_in(incoming.payload)
        answered_id = str(identifier) if is_identifier(identifier) else NO_IDENTIFIER

        def answer(body: dict[str, Any]) -> None:
            topic = incoming.response_topic or f"reply/{answered_id}"
            full = {"id": answered_id} | body
            if not self._publisher.send(
                topic, full, retain=False, correlation=incoming.correlation
            ):
                # The caller must not wait for ever for an answer that cannot be written.
                instead = {"id": answered_id} | _failed(_bug(incoming.verb))
                self._publisher.send(topic, instead, retain=False, correlation=incoming.correlation)

        if incoming.verb == "stop" and not incoming.retained:
            self._receive_stop(incoming, answered_id, answer, tasks)
            return
        if not incoming.payload:
            # Somebody clears a retained command.
            return
        try:
            command = self._admit(incoming)
            if not self._allowance.spend(_KINDS.get(incoming.verb, "command"), incoming.verb):
                return
            arguments = command.arguments()
            digest = digest_of(incoming.verb, arguments)
            if (entry := self._ledger.find(command.id)) is not None:
                if entry.digest != digest:
                    raise UsageError(
                        f"The id {command.id} was used for another command",
                        remedy="Give every command an id of its own.",
                        code="id_used",
                    )
                answer(entry.answer)
                return
            self._make_room(incoming.verb)
        except UsageError as error:
            if not self._allowance.spend("refusal", incoming.verb):
                return
            log.warning("The command %.40r was refused: %s", incoming.verb, error)
            answer(_failed(error))
            return
        entry = self._ledger.enter(command.id, digest)
        if incoming.verb == "ping":
            entry.answer = {"ok": True, "status": "done", "result": self._identity()}
            answer(entry.answer)
            return
        entry.answer = {"ok": True, "status": "accepted"}
        answer(entry.answer)
        self._running += 1
        tasks.create_task(self._obey(incoming.verb, command.id, arguments, entry, answer))

    def _receive_stop(
        self, incoming: Incoming, identifier: str, answer: Reply, tasks: asyncio.TaskGroup
    ) -> None:
        """Obey a stop whatever it says, and every time: a person wants the mount to stand.

        Without an id, with one that was used, late by a clock that is wrong, or no JSON at all: to
        stop once too often hurts nobody.
        """
        entry = Entry(digest="", at_s=0.0, answer={"ok": True, "status": "accepted"})
        if not self._allowance.spend("stop", incoming.verb):
            self._obey_soon(entry, answer, tasks)
            return
        try:
            self._admit(incoming)
        except UsageError as error:
            log.warning("A stop is obeyed all the same: %s", error)
        answer(entry.answer)
        self._running += 1
        tasks.create_task(self._obey(incoming.verb, identifier, {}, entry, answer))

    def _admit(self, incoming: Incoming) -> Command:
        if incoming.retained:
            raise UsageError(
                f"The command {incoming.verb!r} is retained: it would be obeyed again at every "
                "connection, so nothing was done",
                remedy="Clear it by an empty retained message, and send it without retain.",
                code="retained_command",
            )
        command = read_command(incoming.verb, incoming.payload, self._commands)
        if command.expires is not None and command.expires < self._now():
            raise UsageError(
                f"The command {incoming.verb!r} expired at {command.expires.isoformat()}",
                remedy="Send it again if it is still wanted; compare the clocks if it was new.",
                code="expired",
            )
        return command

    def _make_room(self, verb: str) -> None:
        if self._running >= MOST_AT_ONCE and verb not in _ALWAYS_ADMITTED:
            raise UsageError(
                f"{self._running} commands are being obeyed already",
                remedy="Wait for them, or send stop.",
                code="too_many_commands",
            )

    def _obey_soon(self, entry: Entry, answer: Reply, tasks: asyncio.TaskGroup) -> None:
        """Let a stop that came too fast be obeyed with others; it must never get lost."""
        if self._waiting_stops is None:
            self._waiting_stops = []
            tasks.create_task(self._obey_together(self._waiting_stops))
        if len(self._waiting_stops) < MOST_ANSWERED_TOGETHER:
            self._waiting_stops.append((entry, answer))

    async def _obey_together(self, stops: list[tuple[Entry, Reply]]) -> None:
        await asyncio.sleep(TOGETHER_WAIT_S)
        # What comes from here on may come after something has begun anew: the next stop's.
        self._waiting_stops = None
        told: dict[str, Any] = {}

        def keep(body: dict[str, Any]) -> None:
            told.update(body)

        self._running += 1
        await self._obey("stop", "many stops", {}, Entry(digest="", at_s=0.0), keep)
        for entry, answer in stops:
            entry.answer = told
            answer(told)

    async def _obey(
        self,
        verb: str,
        identifier: str,
        arguments: dict[str, Any],
        entry: Entry,
        answer: Reply,
    ) -> None:
        def progress(result: dict[str, Any]) -> None:
            answer({"ok": True, "status": "progress", "result": result})

        try:
            with cycle(identifier):
                log.info("Command %s %s", verb, arguments or "")
                result = await self._handler(verb, arguments, progress)
            entry.answer = {"ok": True, "status": "done", "result": result}
        except PolewrightError as error:
            log.warning("The command %s failed: %s", verb, error)
            entry.answer = _failed(error)
        except Exception:
            log.exception("Bug in the command %s", verb)
            entry.answer = _failed(_bug(verb))
        finally:
            self._running -= 1
        answer(entry.answer)

    def _identity(self) -> dict[str, Any]:
        return {"instance": self._instance, "host": platform.node(), "pid": os.getpid()}


def _bug(verb: str) -> PolewrightError:
    return PolewrightError(
        f"polewright itself failed in {verb}",
        remedy="See its log, and report it with the log.",
        code="bug",
    )


def _failed(error: PolewrightError) -> dict[str, Any]:
    body = {"code": error.code, "text": error.text[:1000], "remedy": error.remedy[:1000]}
    return {"ok": False, "status": "failed", "error": body}
