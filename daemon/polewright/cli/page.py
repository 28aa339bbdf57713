"""``polewright page``: the links to the page, and their picture for a phone's camera."""

import argparse
import asyncio
import contextlib
import errno
import socket
import sys

from polewright.adapters.direct.stop_door import services_here
from polewright.adapters.web.access import Role
from polewright.adapters.web.certificate import (
    fingerprint,
    make_certificate,
    names_of_this_machine,
)
from polewright.adapters.web.links import page_link, terminal_code
from polewright.adapters.web.server import Page, page_tokens
from polewright.cli.output import ExitCode, Output
from polewright.cli.reaching import START, topics
from polewright.core.errors import LinkError, PolewrightError, UsageError
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

# The service's last word about itself is retained: it comes at once, or from a busy machine soon.
_HEALTH_WAIT_S = 2.0


def page(options: argparse.Namespace, output: Output) -> ExitCode:
    """Print the link of the page that the settings describe."""
    settings = load_settings(find_settings_file(options.config))
    if options.make_certificate:
        return _make_certificate(settings, output)
    if settings.page.mode == "off" or settings.page.port == 0:
        raise UsageError(
            "the settings serve no page, or leave its port open",
            remedy='Set [page] mode = "on" and a port, or see what the service says at its start.',
            code="no_page",
        )
    tokens = page_tokens(settings)
    role = Role.LOOK if options.onlooker else Role.COMMAND
    link = page_link(settings.page, settings.page.port, tokens, role)
    if link is None:
        raise UsageError(
            "there is no link for onlookers: the page is this machine's alone, or "
            "[page] onlookers = false",
            remedy='Set [page] host = "0.0.0.0" and onlookers = true, and start the service again.',
            code="no_onlookers",
        )
    runs = asyncio.run(_is_served(settings))
    file = settings.page.tls_certificate_file
    print_of = None if file is None else fingerprint(file)
    lines = [link] if print_of is None else [link, *_warning_words(print_of)]
    payload = {"link": link, "role": role.value, "fingerprint": print_of, "running": runs}
    output.result(payload, *lines)
    if tokens is not None and not output.as_json and sys.stdout.isatty():
        sys.stdout.write(f"{terminal_code(link)}\n")
    if not runs:
        output.note(f"The service is not running, so nobody answers there yet. {START}")
    return ExitCode.GOOD


async def _is_served(settings: Settings) -> bool:
    """Return whether the service of these settings runs, and so its page.

    Raises
    ------
    LinkError
        ``page_port``: it runs without its page, or something else has the page's port.
    """
    where = settings.page
    if await services_here(settings):
        problem = await _problem_of_page(settings)
        if problem:
            raise LinkError(
                f"the service runs, but without its page: {problem}",
                remedy="Set another [page] port, and start the service again.",
                code="page_port",
            )
        return True
    if _is_taken(where.host, where.port):
        raise LinkError(
            f'no service for the mount "{settings.mount.slug}" runs here, and something else '
            f"listens at {where.host}:{where.port}, perhaps the page of another mount",
            remedy="End that, or set another [page] port; then start the service with "
            "`polewright run`.",
            code="page_port",
        )
    return False


async def _problem_of_page(settings: Settings) -> str:
    """Return why the running service serves no page, as it says itself; empty where it does."""
    with contextlib.suppress(PolewrightError, TimeoutError):
        async with asyncio.timeout(_HEALTH_WAIT_S):
            async with contextlib.aclosing(topics(settings, "health")) as updates:
                async for update in updates:
                    if isinstance(update.payload, dict):
                        return str(update.payload["page"]["problem"] or "")
    return ""


def _is_taken(host: str, port: int) -> bool:
    """Return whether somebody listens there already."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as trouble:
            return trouble.errno == errno.EADDRINUSE
    return False


def _make_certificate(settings: Settings, output: Output) -> ExitCode:
    """Make a certificate for the page, and say what to do with it."""
    page = settings.page
    certificate, key = page.certificate_at(settings.mount.slug)
    names = names_of_this_machine([*page.names, page.host])
    make_certificate(certificate, key, names)
    print_of = fingerprint(certificate)
    lines = [f"certificate: {certificate}", f"key: {key}", f"made for: {', '.join(names)}"]
    if page.tls_certificate_file is None:
        lines += [
            "Add to the settings, and start the service again:",
            "[page]",
            f'tls_certificate_file = "{certificate}"',
            f'tls_key_file = "{key}"',
        ]
    payload = {
        "certificate": str(certificate),
        "key": str(key),
        "names": names,
        "fingerprint": print_of,
    }
    output.result(payload, *lines, *_warning_words(print_of))
    return ExitCode.GOOD


def _warning_words(print_of: str) -> list[str]:
    return [
        f"fingerprint (SHA-256): {print_of}",
        "A browser warns of a certificate that nobody else vouches for. Look at the certificate "
        "in its warning: only if its fingerprint is this one, go on (Advanced, Proceed).",
    ]


def show_link(served: Page, output: Output) -> None:
    """Say at the service's start where the page is; the token to a terminal only, never a log."""
    link = served.link(Role.COMMAND)
    if not served.asks_for_tokens or link is None:
        output.note(f"page: {served.address}")
    elif sys.stderr.isatty() and not output.as_json:
        sys.stderr.write(f"page: {link}\n{terminal_code(link)}\n")
    else:
        output.note(f"page: {served.address} (polewright page shows the link with its token)")
