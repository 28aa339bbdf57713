"""One connection to the broker: MQTT 5, or 3.1.1 where the broker knows no better."""

import asyncio
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from typing import Any, TypeVar

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from polewright.core.errors import LinkError, UsageError
from polewright.settings.displays import MqttSettings

log = logging.getLogger(__name__)

# Bounds the CONNACK and each acknowledged publish; a healthy broker answers within milliseconds.
ANSWER_TIMEOUT_S = 5.0

# A frozen broker is noticed after twice this; shorter wakes sleeping radios too often.
KEEPALIVE_S = 10

# Commands are small; more than this waiting means that somebody floods.
MOST_WAITING_MESSAGES = 1000

# Nobody has a reason to send more; under version 5 the broker keeps longer packets to itself.
LARGEST_PACKET_BYTES = 64 * 1024

# Return codes for "I do not speak that version": MQTT 3.1.1 table 3.1, MQTT 5 section 3.2.2.2.
_WRONG_VERSION_CODES = (1, 132)
# "Bad user name or password" and "not authorised", in both numberings.
_REFUSED_CODES = (4, 5, 134, 135)

T = TypeVar("T")

V5 = aiomqtt.ProtocolVersion.V5
V311 = aiomqtt.ProtocolVersion.V311


class LinkClient(aiomqtt.Client):
    """A client that waits to write only on a socket that is still open.

    aiomqtt 2.5 lets the loop watch the descriptor in its next round: where the connection broke
    meanwhile, that one is closed, or another connection's already.
    """

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        del userdata

        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        def watch() -> None:
            if sock.fileno() > -1:
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(watch)


@asynccontextmanager
async def open_client(
    mqtt: MqttSettings,
    *,
    identifier: str,
    will: aiomqtt.Will | None = None,
    port: int | None = None,
    version: aiomqtt.ProtocolVersion | None = None,
    receive_buffer_bytes: int | None = None,
    most_waiting: int = MOST_WAITING_MESSAGES,
) -> AsyncIterator[tuple[aiomqtt.Client, aiomqtt.ProtocolVersion]]:
    """Connect, give the client and the version spoken, and disconnect.

    Parameters
    ----------
    mqtt : MqttSettings
        Which broker.
    identifier : str
        Client id: two connections with one id throw each other out for ever.
    will : aiomqtt.Will, optional
        What the broker publishes when this connection breaks.
    port : int, optional
        Where the embedded broker listens, if the settings leave it open.
    version : ProtocolVersion, optional
        The version that this broker is known to speak.  Needed with a will and for a bound on
        packets: a broker of the 3.1.1 age stumbles over what version 5 adds there, and keeps
        silent instead of refusing.
    receive_buffer_bytes : int, optional
        What the system may hold of what comes in; left out: as much as it likes.
    most_waiting : int
        So many messages that came in may wait to be taken; further ones are lost.

    Raises
    ------
    LinkError
        ``no_broker``: nobody answers; ``broker_refused``: it lets this user not in;
        ``broker_lost``: the connection broke.
    UsageError
        A certificate or password file cannot be used.
    """
    # The embedded broker is known to speak 3.1.1 only.
    versions: tuple[aiomqtt.ProtocolVersion, ...]
    versions = (V311,) if mqtt.mode == "embedded" else (V5, V311)
    if version is not None:
        versions = (version,)
    # Small messages must not wait for the answer to the one before.
    socket_options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    if receive_buffer_bytes is not None:
        socket_options.append((socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer_bytes))
    where = f"{mqtt.host}:{port or mqtt.port}"
    context = _tls_context(mqtt)
    password = mqtt.password() if mqtt.username is not None else None
    for spoken in versions:
        client = LinkClient(
            mqtt.host,
            port or mqtt.port,
            username=mqtt.username,
            password=password,
            identifier=identifier,
            protocol=spoken,
            will=will,
            timeout=ANSWER_TIMEOUT_S,
            keepalive=KEEPALIVE_S,
            clean_session=None if spoken is V5 else True,
            properties=_bounds() if version is V5 else None,
            max_queued_incoming_messages=most_waiting,
            tls_context=context,
            socket_options=socket_options,
        )
        try:
            await _enter(client)
        except aiomqtt.MqttError as error:
            # Brokers of the 3.1.1 age refuse version 5 by a code, by hanging up, or by silence.
            silent = _code(error) is None
            if spoken is not versions[-1] and (
                _code(error) in _WRONG_VERSION_CODES
                or (silent and await _listens(mqtt.host, port or mqtt.port))
            ):
                continue
            raise _refusal(error, where) from None
        try:
            yield client, spoken
        except aiomqtt.MqttError as error:
            raise LinkError(
                f"The connection to the MQTT broker at {where} broke ({_reason(error)})",
                remedy="It is tried again by itself; see that the broker runs.",
                code="broker_lost",
            ) from error
        finally:
            await _leave(client)
        return


async def heeding_cancellation(call: Awaitable[T]) -> T:
    """Await a call to the client, and be cancelled where that call swallows it.

    The client waits by ``asyncio.wait_for``, which before Python 3.12 returns the result when a
    cancellation arrives together with it; a loop around such a call would never end.
    """
    task = asyncio.current_task()
    before = task.cancelling() if task is not None else 0
    result = await call
    if task is not None and task.cancelling() > before:
        raise asyncio.CancelledError
    return result


async def _enter(client: aiomqtt.Client) -> None:
    """Connect, and leave nothing behind when that fails or is cancelled."""
    entering = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.shield(entering)
    except asyncio.CancelledError:
        # The connecting thread cannot be cancelled; it is bounded by the timeouts.
        await asyncio.wait([entering], timeout=2.0 * ANSWER_TIMEOUT_S)
        if entering.done() and entering.exception() is None:
            await _leave(client)
        raise
    except aiomqtt.MqttError as error:
        # The cause's frames keep the socket of a failed handshake open (paho 2.2).
        error.__context__ = None
        await _close_socket(client)
        raise


async def _leave(client: aiomqtt.Client) -> None:
    try:
        await heeding_cancellation(client.__aexit__(None, None, None))
    except aiomqtt.MqttError as error:
        log.debug("Disconnecting: %s", error)
        await _close_socket(client)


async def _close_socket(client: aiomqtt.Client) -> None:
    """Close what a failed connection leaves open (aiomqtt 2.5 keeps socket and timer alive)."""
    paho = client._client
    paho.disconnect()
    if (open_socket := paho.socket()) is not None:
        loop = asyncio.get_running_loop()
        if open_socket.fileno() > -1:
            loop.remove_reader(open_socket.fileno())
            loop.remove_writer(open_socket.fileno())
        open_socket.close()
    timer = client._misc_task
    if timer is not None and not timer.done():
        timer.cancel()
        await asyncio.wait([timer], timeout=1.0)


async def _listens(host: str, port: int) -> bool:
    """Tell whether anything accepts connections there, so that a second version is worth it."""
    try:
        async with asyncio.timeout(ANSWER_TIMEOUT_S):
            _, writer = await asyncio.open_connection(host, port)
    except (OSError, TimeoutError):
        return False
    writer.close()
    return True


def _bounds() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = LARGEST_PACKET_BYTES
    return properties


def _tls_context(mqtt: MqttSettings) -> ssl.SSLContext | None:
    if not mqtt.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=mqtt.ca_file)
    except OSError as error:
        raise _bad_file("ca_file", mqtt.ca_file, error) from None
    if mqtt.client_certificate_file is not None:
        try:
            context.load_cert_chain(mqtt.client_certificate_file, mqtt.client_key_file)
        except OSError as error:
            raise _bad_file(
                "client_certificate_file", mqtt.client_certificate_file, error
            ) from None
    return context


def _bad_file(key: str, path: object, error: OSError) -> UsageError:
    return UsageError(
        f"[mqtt] {key} = {path} cannot be used: {error.strerror or error}",
        remedy="Correct the path, the permissions or the file (PEM).",
        code="certificate_file",
    )


def _code(error: aiomqtt.MqttError) -> int | None:
    if not isinstance(error, aiomqtt.MqttCodeError) or error.rc is None:
        return None
    return error.rc if isinstance(error.rc, int) else int(error.rc.value)


def _reason(error: BaseException) -> str:
    return str(error.__cause__ or error)


def _refusal(error: aiomqtt.MqttError, where: str) -> LinkError:
    if _code(error) in _REFUSED_CODES:
        return LinkError(
            f"The MQTT broker at {where} does not let this user in",
            remedy="Check [mqtt] username and password_file.",
            code="broker_refused",
        )
    if _code(error) is not None:
        return LinkError(
            f"The MQTT broker at {where} refused the connection ({error})",
            remedy="See the broker's own log for its reason.",
            code="broker_refused",
        )
    if isinstance(error.__cause__, ssl.SSLError) or "CERTIFICATE_VERIFY_FAILED" in str(error):
        return LinkError(
            f"The certificate of the MQTT broker at {where} does not hold ({_reason(error)})",
            remedy="Give the authority that signed it in [mqtt] ca_file; newer Pythons also want "
            "key usage in a home-made authority.",
            code="broker_certificate",
        )
    return LinkError(
        f"No MQTT broker answers at {where} ({error})",
        remedy="Start it, or correct host and port under [mqtt] in the settings.",
        code="no_broker",
    )
