"""``polewright run``: the service itself."""

import argparse
import asyncio
import signal

from polewright.adapters.direct.stop_door import services_here
from polewright.adapters.indi.quiet import divert_library_chatter
from polewright.adapters.systemd.notifying import service_manager
from polewright.app.clock import HostClock
from polewright.app.memory import give_frames_back, start_threads
from polewright.app.service import running_service
from polewright.cli.output import ExitCode, Output
from polewright.cli.page import show_link
from polewright.core.errors import UsageError
from polewright.logs import setup_logging
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings


def run(options: argparse.Namespace, output: Output, clock: HostClock | None = None) -> ExitCode:
    """Run until SIGTERM or Ctrl-C; ``clock`` is a test's, which is stepped."""
    settings = load_settings(find_settings_file(options.config))
    level = "debug" if options.verbose else settings.logging.level
    setup_logging(level=level, form="json" if options.json else settings.logging.format)
    divert_library_chatter()
    give_frames_back()
    _refuse_a_second(settings)
    asyncio.run(_serve(settings, output, clock))
    output.note("ended in order")
    return ExitCode.GOOD


def _refuse_a_second(settings: Settings) -> None:
    """Refuse where this mount's service runs on this machine: two would fight for the devices."""
    if running := asyncio.run(services_here(settings)):
        raise UsageError(
            f'the service for the mount "{settings.mount.slug}" runs already on this machine '
            f"(process {running[0]})",
            remedy=f"Use that one. Or end it first: Ctrl-C in its terminal, or kill {running[0]}. "
            "A rehearsal (`polewright demo`) is one, too.",
            code="already_running",
        )


async def _serve(settings: Settings, output: Output, clock: HostClock | None) -> None:
    start_threads()
    asked_to_end = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, asked_to_end.set)
    async with running_service(settings, manager=service_manager(), clock=clock) as service:
        if service.page is not None:
            show_link(service.page, output)
        await asked_to_end.wait()
