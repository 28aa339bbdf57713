"""``polewright stop``: by every way that there is, at once."""

import argparse
import asyncio
from collections.abc import Callable
from typing import Any

from polewright.adapters.direct.stop_door import stop_directly
from polewright.adapters.mqtt.client import send_command
from polewright.cli.output import ExitCode, Output
from polewright.cli.reaching import explained
from polewright.core.errors import LinkError, PolewrightError
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

# Once a service on this machine has stopped, the broker's answer is waited for so long (s).
_BROKER_TOO_S = 1.0


def stop(options: argparse.Namespace, output: Output) -> ExitCode:
    """Stop the mount and whatever runs, by the broker and directly."""
    settings = load_settings(find_settings_file(options.config))
    result = asyncio.run(stop_by_all_ways(settings, output.note))
    output.result(result, "stopped" if result.get("stopped") else "nothing was running")
    return ExitCode.GOOD


async def stop_by_all_ways(settings: Settings, note: Callable[[str], None]) -> dict[str, Any]:
    """Stop by the broker and, where the service runs on this machine, directly: both at once.

    Raises
    ------
    PolewrightError
        Neither way brought it there; or the service heard it and could not do it.
    """
    by_broker = asyncio.create_task(send_command(settings, "stop"))
    try:
        try:
            directly = await stop_directly(settings)
        except PolewrightError as failure:
            try:
                return await by_broker
            except PolewrightError:
                raise failure from None
        if directly is None:
            return await _answered(settings, by_broker)
        try:
            async with asyncio.timeout(_BROKER_TOO_S):
                told = await asyncio.shield(by_broker)
        except TimeoutError:
            note("The broker does not answer; the stop went to the service directly.")
        except PolewrightError as trouble:
            if trouble.code != "mqtt_off":
                note(f"{trouble.text}; the stop went to the service directly.")
        else:
            return told | {"stopped": bool(directly["stopped"] or told.get("stopped"))}
        return directly
    finally:
        by_broker.cancel()
        await asyncio.gather(by_broker, return_exceptions=True)


async def _answered(settings: Settings, by_broker: asyncio.Task[dict[str, Any]]) -> dict[str, Any]:
    try:
        return await by_broker
    except PolewrightError as trouble:
        said = await explained(settings, trouble)
        if said is trouble:
            raise
        # Who wants to stop something is not told to start something.
        raise LinkError(
            f"the stop reached nobody: {said.text}",
            remedy="Use the mount's own stop or its power switch, if it moves.",
            code=said.code,
        ) from None
