"""``polewright fleet --serve``: every mount of a broker as a page."""

import asyncio
import sys

from polewright.adapters.web.fleet_page import FleetPage
from polewright.adapters.web.links import terminal_code
from polewright.app.fleet import broker_words, follow_fleet
from polewright.cli.output import ExitCode, Output
from polewright.session.fleet import FleetView, fleet_figures
from polewright.settings.model import Settings


def serve(settings: Settings, port: int, output: Output) -> ExitCode:
    """Serve the page until Ctrl-C.

    Raises
    ------
    LinkError
        ``page_port``: the port is taken.
    UsageError
        ``token_file``, ``page_certificate``, ``mqtt_off``.
    """
    asyncio.run(_serve(settings, port, output))
    return ExitCode.GOOD


async def _serve(settings: Settings, port: int, output: Output) -> None:
    view = FleetView()
    page = FleetPage(settings, lambda: fleet_figures(view), port=port, where=broker_words(settings))
    async with page.serving(), asyncio.TaskGroup() as tasks:
        tasks.create_task(follow_fleet(settings, view))
        output.result({"address": page.address}, *_lines(page, output))
        await asyncio.get_running_loop().create_future()


def _lines(page: FleetPage, output: Output) -> list[str]:
    if not page.asks_for_tokens:
        return [f"fleet: {page.address}", "Ctrl-C ends it"]
    if sys.stdout.isatty() and not output.as_json:
        sys.stdout.write(f"{terminal_code(page.link)}\n")
    # Asked for by a person, here and now: a link without its token would be of no use.
    return [f"fleet: {page.link}", "it lets people look, and command nothing; Ctrl-C ends it"]
