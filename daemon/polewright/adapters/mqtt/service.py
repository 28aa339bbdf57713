"""The service's side of MQTT: keeps a connection, publishes, and takes commands."""

import asyncio
import contextlib
import logging
import platform
import re
import secrets
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Literal

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from polewright.adapters.cancelling import heed_cancellation
from polewright.adapters.mqtt.backoff import Backoff
from polewright.adapters.mqtt.command_desk import CommandDesk, CommandHandler, Incoming
from polewright.adapters.mqtt.commands import COMMANDS, Command
from polewright.adapters.mqtt.connection import (
    V5,
    heeding_cancellation,
    open_client,
)
from polewright.adapters.mqtt.discovery import discovery_payload, discovery_topic
from polewright.adapters.mqtt.ear import RECEIVE_BUFFER_BYTES, paced_messages
from polewright.adapters.mqtt.instance import already_running, find_other_service
from polewright.adapters.mqtt.publisher import MqttPublisher, Outgoing
from polewright.adapters.mqtt.topics import SENSOR_INPUT, MountTopics
from polewright.core.errors import PolewrightError
from polewright.settings.model import Settings

log = logging.getLogger(__name__)

# A broker that lets one's own echo through does so within milliseconds.
ECHO_WAIT_S = 3.0

# Shutting down: the last words may take this long, no longer.
LAST_WORDS_S = 1.0

Echo = Literal["unknown", "passed", "failed"]


class MqttService:
    """One mount's presence on a broker; run :meth:`run` in the application's task group.

    ``desk`` takes commands that come another way, too.

    Parameters
    ----------
    settings : Settings
        Which broker, which mount.
    publisher : MqttPublisher
        What is to be published.
    handler : CommandHandler
        Who obeys commands.
    port : int, optional
        Where the embedded broker listens, if the settings leave it open.
    commands : mapping
        The verbs and their models.
    now : callable
        The aware UTC instant.
    sensor_input : callable, optional
        Takes what comes at ``sensor/input``, and whether it was retained; left out: nobody
        listens there.
    watch_inputs : mapping, optional
        Takes likewise what comes at each of these topics below the mount's root.
    """

    def __init__(
        self,
        settings: Settings,
        publisher: MqttPublisher,
        handler: CommandHandler,
        *,
        port: int | None = None,
        commands: Mapping[str, type[Command]] = COMMANDS,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        sensor_input: Callable[[bytes, bool], None] | None = None,
        watch_inputs: Mapping[str, Callable[[bytes, bool], None]] | None = None,
    ) -> None:
        self._settings = settings
        # One connection for each; what comes there goes to whoever takes it.
        self._inputs: dict[str, Mapping[str, Callable[[bytes, bool], None]]] = {}
        if sensor_input is not None:
            self._inputs["sensor"] = {SENSOR_INPUT: sensor_input}
        if watch_inputs:
            self._inputs["watch"] = watch_inputs
        self._publisher = publisher
        self._topics = MountTopics.of(settings)
        self._discovery_topic = discovery_topic(settings.mqtt, self._topics)
        self._port = port
        self.instance = secrets.token_hex(6)
        self.desk = CommandDesk(
            publisher, handler, instance=self.instance, commands=commands, now=now
        )
        self._connected = asyncio.Event()
        self._connections = 0
        self._connected_s: float | None = None
        self._version: aiomqtt.ProtocolVersion | None = None
        self._problem: PolewrightError | None = None
        self._echo: Echo = "unknown"
        self._echo_id = ""
        self._stop_ear: aiomqtt.Client | None = None
        self._input_ears: list[aiomqtt.Client] = []
        self._echoed = asyncio.Event()

    async def run(self) -> None:
        """Stay connected until cancelled; a missing broker is told once and tried for ever."""
        backoff = Backoff()
        async with asyncio.TaskGroup() as command_tasks:
            while True:
                self._connected_s = None
                # In a task of its own: what its task groups do to the count of cancellations of
                # theirs (Python 3.11) must not look like one of this.
                connection = asyncio.create_task(self._connect_once(command_tasks))
                try:
                    await connection
                except PolewrightError as error:
                    self._tell(error)
                except Exception:
                    # A fault here must not end the measuring; displays come back by themselves.
                    log.exception("Bug in the MQTT connection; it is opened again")
                finally:
                    self._connected.clear()
                heed_cancellation()
                since = self._connected_s
                lasted_s = 0.0 if since is None else time.monotonic() - since
                await asyncio.sleep(backoff.next_wait_s(lasted_s))

    async def wait_connected(self, timeout_s: float) -> bool:
        """Return True once connected and announced; False after ``timeout_s``."""
        try:
            async with asyncio.timeout(timeout_s):
                await self._connected.wait()
        except TimeoutError:
            return False
        return True

    def health(self) -> dict[str, Any]:
        """Return the state of the link, for the health message and the doctor."""
        return {
            "connected": self._connected.is_set(),
            "connections": self._connections,
            "protocol": self._version_name(),
            "echo": self._echo,
            "dropped_messages": self._publisher.dropped,
            "dropped_commands": self.desk.dropped,
            "problem": str(self._problem) if self._problem is not None else None,
        }

    async def _connect_once(self, command_tasks: asyncio.TaskGroup) -> None:
        other, version = await find_other_service(self._settings, port=self._port)
        if other is not None and other.get("instance") != self.instance:
            raise already_running(self._settings, other)
        will = aiomqtt.Will(self._topics.availability, b"offline", qos=1, retain=True)
        # Connections of their own: what is said must not wait behind a flood of commands or of a
        # sensor's readings, and neither must stop.
        async with contextlib.AsyncExitStack() as stack:
            ears = [
                await stack.enter_async_context(self._open(version, f"-{name}"))
                for name in ("commands", "stop")
            ]
            self._input_ears = []
            for name, topics in self._inputs.items():
                ear = await stack.enter_async_context(self._open(version, f"-{name}"))
                for one in topics:
                    await heeding_cancellation(ear.subscribe(self._topics.full(one), qos=0))
                self._input_ears.append(ear)
                ears.append(ear)
            voice = await stack.enter_async_context(self._open(version, "", will))
            self._version = version
            await self._subscribe(ears[0], ears[1], version)
            self._connected_s = time.monotonic()
            try:
                await self._converse(voice, ears, command_tasks)
            except asyncio.CancelledError:
                await self._last_words(voice)
                raise

    @contextlib.asynccontextmanager
    async def _open(
        self, version: aiomqtt.ProtocolVersion, suffix: str, will: aiomqtt.Will | None = None
    ) -> AsyncIterator[aiomqtt.Client]:
        async with open_client(
            self._settings.mqtt,
            identifier=self._client_id() + suffix,
            will=will,
            port=self._port,
            version=version,
            receive_buffer_bytes=RECEIVE_BUFFER_BYTES,
        ) as (client, _):
            yield client

    async def _converse(
        self,
        client: aiomqtt.Client,
        ears: Sequence[aiomqtt.Client],
        command_tasks: asyncio.TaskGroup,
    ) -> None:
        await heeding_cancellation(
            client.publish(self._topics.availability, b"online", qos=1, retain=True)
        )
        self._publisher.start_over()
        self._announce()
        if self._settings.mqtt.discovery:
            await heeding_cancellation(
                client.publish(
                    self._discovery_topic, discovery_payload(self._topics), qos=1, retain=True
                )
            )
        try:
            async with asyncio.TaskGroup() as tasks:
                for ear in ears:
                    tasks.create_task(self._receive(ear, client, command_tasks))
                tasks.create_task(self._send(client))
                tasks.create_task(self._check_echo())
        except* aiomqtt.MqttError as group:
            raise _first_of(group) from None

    def _announce(self) -> None:
        mqtt = self._settings.mqtt
        where = f"{mqtt.host}:{self._port or mqtt.port}"
        log.info("Connected to the MQTT broker at %s (MQTT %s)", where, self._version_name())
        self._connections += 1
        self._problem = None
        self._connected.set()

    def _version_name(self) -> str | None:
        return None if self._version is None else "5" if self._version is V5 else "3.1.1"

    def _tell(self, error: PolewrightError) -> None:
        """Log the first of equal failures, keep the rest quiet."""
        known = self._problem is not None and self._problem.code == error.code
        log.log(logging.DEBUG if known else logging.WARNING, "%s", error)
        self._problem = error

    def _client_id(self) -> str:
        host = re.sub(r"[^A-Za-z0-9\-]", "", platform.node())[:32] or "host"
        return f"polewright-{self._topics.mount}-{host}"

    async def _subscribe(
        self,
        commands: aiomqtt.Client,
        stop: aiomqtt.Client,
        version: aiomqtt.ProtocolVersion,
    ) -> None:
        self._echo_id = f"echo-{self.instance}-{secrets.token_hex(3)}"
        self._echo = "unknown"
        self._echoed.clear()
        filters = [
            (stop, self._topics.command("stop")),
            (stop, self._topics.fleet_stop),
            (commands, self._topics.command_filter),
            (commands, self._topics.reply(self._echo_id)),
        ]
        if not self._settings.mqtt.discovery:
            # What an earlier run left there is taken away.
            filters.append((commands, self._discovery_topic))
        for client, topic_filter in filters:
            if version is V5:
                # Shows the retain flag of commands that arrive live, too.  A stop that lies there
                # from another day does not come at all: one that comes is meant now.
                stored = (
                    SubscribeOptions.RETAIN_DO_NOT_SEND
                    if client is stop
                    else SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE
                )
                options = SubscribeOptions(qos=1, retainAsPublished=True, retainHandling=stored)
                await heeding_cancellation(client.subscribe(topic_filter, options=options))
            else:
                await heeding_cancellation(client.subscribe(topic_filter, qos=1))
        self._stop_ear = stop

    async def _receive(
        self, ear: aiomqtt.Client, voice: aiomqtt.Client, command_tasks: asyncio.TaskGroup
    ) -> None:
        async for message in paced_messages(ear):
            topic = str(message.topic)
            if topic == self._topics.reply(self._echo_id):
                self._echoed.set()
            elif topic == self._discovery_topic:
                await self._forget_discovery(voice, message)
            elif ear in self._input_ears:
                self._take_input(self._topics.relative(topic), message)
            elif (verb := self._topics.verb(topic)) is not None:
                # The filter of all commands brings stop as well; its own ear has heard it.
                if (verb == "stop") is not (ear is self._stop_ear):
                    continue
                try:
                    self.desk.receive(self._incoming(verb, message), command_tasks)
                except Exception:
                    log.exception("Bug: the command %r could not be answered", verb)

    def _take_input(self, relative: str | None, message: aiomqtt.Message) -> None:
        for topics in self._inputs.values():
            if relative is not None and (take := topics.get(relative)) is not None:
                take(bytes(message.payload), bool(message.retain))

    async def _forget_discovery(self, voice: aiomqtt.Client, message: aiomqtt.Message) -> None:
        """Take away what an earlier run told; the embedded broker shows it to everybody."""
        if message.retain and message.payload and not self._settings.mqtt.discovery:
            await heeding_cancellation(
                voice.publish(self._discovery_topic, b"", qos=1, retain=True)
            )

    def _incoming(self, verb: str, message: aiomqtt.Message) -> Incoming:
        response = getattr(message.properties, "ResponseTopic", None)
        relative = self._topics.relative(response) if isinstance(response, str) else None
        # Anywhere else the service might be allowed to write where the caller is not.
        below_reply = relative is not None and relative.startswith("reply/")
        return Incoming(
            verb=verb,
            payload=bytes(message.payload),
            retained=bool(message.retain) and not (verb == "stop" and self._version is V5),
            response_topic=relative if below_reply else None,
            correlation=getattr(message.properties, "CorrelationData", None),
        )

    async def _send(self, client: aiomqtt.Client) -> None:
        while True:
            outgoing = await self._publisher.take()
            try:
                await self._publish(client, outgoing)
            except BaseException:
                self._publisher.put_back(outgoing)
                raise

    async def _publish(self, client: aiomqtt.Client, outgoing: Outgoing) -> None:
        await heeding_cancellation(
            client.publish(
                outgoing.topic,
                outgoing.payload,
                qos=outgoing.qos,
                retain=outgoing.retain,
                properties=self._properties(outgoing),
            )
        )

    def _properties(self, outgoing: Outgoing) -> Properties | None:
        if self._version is not V5 or outgoing.correlation is None:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.CorrelationData = outgoing.correlation
        return properties

    async def _check_echo(self) -> None:
        """Send oneself a ping: a broker's access list denies without a word."""
        self._publisher.send("command/ping", {"id": self._echo_id}, retain=False)
        try:
            async with asyncio.timeout(ECHO_WAIT_S):
                await self._echoed.wait()
        except TimeoutError:
            self._echo = "failed"
            log.warning(
                "The broker does not bring this service's own command back: its access list may "
                "forbid topics below %s/ silently. Allow this user to read and write them.",
                self._topics.base,
            )
            return
        self._echo = "passed"

    async def _last_words(self, client: aiomqtt.Client) -> None:
        """Leave nothing that looks live, and say offline, if the connection still carries it."""
        self._publisher.end_live()
        try:
            async with asyncio.timeout(LAST_WORDS_S):
                for outgoing in self._publisher.take_all():
                    await self._publish(client, outgoing)
                await client.publish(self._topics.availability, b"offline", qos=1, retain=True)
        except (aiomqtt.MqttError, TimeoutError) as error:
            log.debug("No last words: %s", error)


def _first_of(group: BaseExceptionGroup[aiomqtt.MqttError]) -> aiomqtt.MqttError:
    for error in group.exceptions:
        if isinstance(error, aiomqtt.MqttError):
            return error
    return aiomqtt.MqttError(str(group))
