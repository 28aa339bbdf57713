"""Who may look and who may command: tokens, the names of this machine, and browsers' origins."""

import hmac
import ipaddress
import logging
import os
import platform
import re
import secrets
import stat
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from urllib.parse import urlsplit

from polewright.core.errors import UsageError

log = logging.getLogger(__name__)

# 24 random bytes are beyond guessing at any rate.
_TOKEN_BYTES = 24
_LINE = re.compile(r"^(command|look)\s*=\s*([A-Za-z0-9_\-]{16,128})$")
# Wrong tokens from one address: after this many the right one is not heard either for a while.
_MOST_WRONG = 10
_WRONG_WINDOW_S = 60.0
_MOST_ADDRESSES = 256

_LOCAL_NAMES = ("localhost",)


class Role(StrEnum):
    """What a browser may do."""

    COMMAND = "command"
    LOOK = "look"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tokens:
    """The two secrets; ``look`` is None where onlookers are not let in."""

    command: str = field(repr=False)
    look: str | None = field(default=None, repr=False)

    def role_of(self, token: object) -> Role | None:
        """Return what a token allows; None: nothing."""
        if not isinstance(token, str):
            return None
        # What no UTF-8 can hold is in no token: "?" is not, either.
        given = token.encode("utf-8", "replace")
        # Both are compared always, so that the time taken tells nothing.
        commands = hmac.compare_digest(given, self.command.encode())
        looks = self.look is not None and hmac.compare_digest(given, self.look.encode())
        if commands:
            return Role.COMMAND
        return Role.LOOK if looks else None


def tokens_from(file: Path, *, onlookers: bool) -> Tokens:
    """Return the tokens that a file holds; a file that is missing is made, for its owner alone.

    Raises
    ------
    UsageError
        ``token_file``: it cannot be read or written, others may read it, or it holds no tokens.
    """
    try:
        if not file.exists():
            _make(file)
        mode = stat.S_IMODE(file.stat().st_mode)
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "not UTF-8 text"
        raise UsageError(
            f"[page] token_file = {file} cannot be used: {reason}",
            remedy="Correct the path or the file's permissions.",
            code="token_file",
        ) from None
    if mode & 0o077:
        raise UsageError(
            f"[page] token_file = {file} can be read by other users of this machine",
            remedy=f"chmod 600 {file}",
            code="token_file",
        )
    lines = (_LINE.match(line.strip()) for line in text.splitlines())
    found = {line[1]: line[2] for line in lines if line is not None}
    if "command" not in found or found["command"] == found.get("look"):
        raise UsageError(
            f"[page] token_file = {file} does not hold two lines, command = ... and look = ..., "
            "with different tokens of 16 to 128 letters, digits, - and _",
            remedy="Delete the file: the service makes a new one, and old links end.",
            code="token_file",
        )
    return Tokens(command=found["command"], look=found.get("look") if onlookers else None)


def _make(file: Path) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as target:
        for role in Role:
            target.write(f"{role.value} = {secrets.token_urlsafe(_TOKEN_BYTES)}\n")


def is_loopback(host: str) -> bool:
    """Return whether an address to listen at is reached from this machine alone."""
    if host.lower() in _LOCAL_NAMES:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def split_host(header: str) -> tuple[str, int | None] | None:
    """Return name and port of a Host header; None where it is none."""
    try:
        parts = urlsplit(f"//{header}")
        name, port = parts.hostname, parts.port
    except ValueError:
        return None
    if not name or parts.path or parts.query or parts.fragment or "@" in parts.netloc:
        return None
    return name.rstrip("."), port


def own_names(further: Iterable[str] = ()) -> frozenset[str]:
    """Return the names by which browsers may call this machine, addresses left aside."""
    node = platform.node().lower()
    mine = {node, f"{node}.local"} if node else set()
    return frozenset({*_LOCAL_NAMES, *mine, *(name.lower() for name in further)})


def is_called_right(header: str | None, names: frozenset[str]) -> bool:
    """Return whether a Host header names this machine.

    A foreign name that was made to point here (DNS rebinding) is the danger; an address cannot be.
    """
    found = split_host(header) if header else None
    if found is None:
        return False
    try:
        ipaddress.ip_address(found[0])
    except ValueError:
        return found[0].lower() in names
    return True


def is_same_origin(origin: str | None, host_header: str | None) -> bool:
    """Return whether a browser says that the page which asks came from here.

    The scheme may differ from ours: something in front may take care of the encryption.
    """
    if not origin or not host_header:
        return False
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and parts.netloc.lower() == host_header.lower()


class WrongTokens:
    """Counts wrong tokens by address, and says who has to wait.

    Parameters
    ----------
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._wrong: dict[str, list[float]] = {}

    def note(self, address: str) -> None:
        """Take note of one wrong token."""
        recent = self._recent(address)
        self._wrong.pop(address, None)
        self._wrong[address] = [*recent, self._monotonic()][-_MOST_WRONG:]
        while len(self._wrong) > _MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]
        if len(recent) + 1 == _MOST_WRONG:
            log.warning("Somebody at %s tries wrong tokens at the page", address)

    def must_wait(self, address: str) -> bool:
        """Return whether an address has tried too often."""
        return len(self._recent(address)) >= _MOST_WRONG

    def _recent(self, address: str) -> list[float]:
        since_s = self._monotonic() - _WRONG_WINDOW_S
        return [at_s for at_s in self._wrong.get(address, []) if at_s > since_s]
