"""The links by which browsers open the page, and their picture for a phone's camera."""

import io
import ipaddress
import platform
import socket

import segno

from polewright.adapters.web.access import Role, Tokens, is_loopback
from polewright.settings.displays import PageSettings

# Nothing is sent there: it only makes the system say which of its addresses leads out.
# An address for documentation (RFC 5737).
_ELSEWHERE = ("192.0.2.1", 9)

_RED = "\x1b[38;5;196m"
_ON_BLACK = "\x1b[48;5;16m"
_PLAIN = "\x1b[0m"


def page_link(
    page: PageSettings, port: int, tokens: Tokens | None, role: Role = Role.COMMAND
) -> str | None:
    """Return the page's address; None where this role is not let in.

    The token stands behind the number sign: browsers keep that part to themselves, so that it
    is in no request, and in no log of anything between.
    """
    scheme = "http" if page.tls_certificate_file is None else "https"
    link = f"{scheme}://{_shown_host(page)}:{port}/"
    if tokens is None:
        return link if role is Role.COMMAND else None
    token = tokens.command if role is Role.COMMAND else tokens.look
    return None if token is None else f"{link}#token={token}"


def _shown_host(page: PageSettings) -> str:
    if page.names:
        return page.names[0]
    host = page.host
    if is_loopback(host):
        return "localhost" if host == "::1" else host
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    if not address.is_unspecified:
        return f"[{host}]" if address.version == 6 else host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ELSEWHERE)
            return str(probe.getsockname()[0])
        except OSError:
            return platform.node() or "localhost"


def terminal_code(link: str) -> str:
    """Return a QR code for a terminal in the dark: red on black instead of white."""
    text = io.StringIO()
    segno.make(link, error="m", micro=False).terminal(text, compact=True, border=3)
    lines = text.getvalue().splitlines()
    return "\n".join(f"{_RED}{_ON_BLACK}{line}{_PLAIN}" for line in lines)
