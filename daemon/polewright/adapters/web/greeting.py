"""The first words of a page that opens: who it is; and how messages are written and read."""

import json
import math
from typing import Any

from aiohttp import WSCloseCode, WSMsgType, web

from polewright.adapters.web.access import Role, Tokens, WrongTokens

# A page that opens says at once who it is.
_HELLO_TIMEOUT_S = 5.0
_DEEPEST = 16

# Private close codes (4000 to 4999, RFC 6455): the page tells them apart.
TOKEN_REFUSED = 4401
TRY_LATER = 4429


async def greeted(
    socket: web.WebSocketResponse, address: str, tokens: Tokens | None, wrong: WrongTokens
) -> Role | None:
    """Return what the page at the other end may do; None where it was turned away.

    Parameters
    ----------
    socket : aiohttp.web.WebSocketResponse
        Open.
    address : str
        Of the other side.
    tokens : Tokens, optional
        None: this machine only, nobody is asked.
    wrong : WrongTokens
        Who tried too often.
    """
    try:
        first = await socket.receive(timeout=_HELLO_TIMEOUT_S)
    except TimeoutError:
        await socket.close(code=WSCloseCode.POLICY_VIOLATION, message=b"no hello")
        return None
    hello = read_message(first.data) if first.type is WSMsgType.TEXT else None
    if hello is None or hello.get("hello") != 1:
        await socket.close(code=WSCloseCode.POLICY_VIOLATION, message=b"no hello")
        return None
    if tokens is None:
        return Role.COMMAND
    if wrong.must_wait(address):
        await socket.close(code=TRY_LATER, message=b"too many wrong tokens")
        return None
    role = tokens.role_of(hello.get("token"))
    if role is None:
        wrong.note(address)
        await socket.close(code=TOKEN_REFUSED, message=b"token refused")
    return role


def link_message(kind: str, body: dict[str, Any]) -> str:
    """Return what is said of the connection itself."""
    return message_text(f"link/{kind}", body)


def message_text(topic: str, body: dict[str, Any]) -> str:
    """Return a message with its topic, as it goes out."""
    # In ASCII: what a page said may come back in it, and half a letter cannot be sent.
    return json.dumps({"topic": topic, "payload": body})


def read_message(text: str) -> dict[str, Any] | None:
    """Return a message as an object; None where it is none, or nested beyond reason."""
    try:
        found = json.loads(text, parse_constant=_refuse_constant, parse_float=_finite)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) and _depth_is_fine(found, _DEEPEST) else None


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not JSON")


def _finite(text: str) -> float:
    """Return a number; one beyond all bounds would go out as what is not JSON."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is beyond all bounds")
    return value


def _depth_is_fine(value: object, left: int) -> bool:
    if left == 0:
        return False
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return all(_depth_is_fine(one, left - 1) for one in inner)
