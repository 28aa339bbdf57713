"""Evenings: whole commands, fit by the schema, at a service in memory; nothing moves unasked."""

import asyncio
import contextlib
import json
from collections.abc import Callable
from typing import Any

from polewright.adapters.mqtt.commands import COMMANDS, read_command
from polewright.core.errors import PolewrightError
from tests.fuzz.dice import Dice, dumped
from tests.fuzz.messages import _COMMAND_SCHEMAS
from tests.fuzz.virtual_loop import runner
from tests.session.test_evening import Stage

# These go on until somebody stops them; here they are asked while nothing was measured.
_FIRST_ONLY = {"adjust", "drift", "keep_watch", "verify"}
# The mount in memory holds no site, which a star alignment asks it for.
_ONCE = sorted(set(_COMMAND_SCHEMAS) - _FIRST_ONLY - {"ping", "align_stars"})
# A survey in memory is over in milliseconds, but for those that wait for dusk or for hands (s).
_LONGEST_S = 3600.0


def _asked(dice: Dice, verb: str) -> dict[str, Any]:
    made = dice.json_like(_COMMAND_SCHEMAS[verb], odd=256)
    made = (made if isinstance(made, dict) else {}) | {"id": "x"}
    made.pop("expires", None)
    return read_command(verb, dumped(made), COMMANDS).arguments()


def commands() -> Callable[[bytes], None]:
    """Some commands one after the other, each to its end or its refusal."""
    running = runner()

    async def evening(dice: Dice) -> None:
        stage = Stage()
        told: list[dict[str, Any]] = []
        clear = False
        for number in range(1 + dice.below(3)):
            verb = dice.pick(sorted(_FIRST_ONLY) if number == 0 and dice.one_in(4) else _ONCE)
            # What waits for hands, or for dusk, is left after an hour.
            with contextlib.suppress(PolewrightError, TimeoutError):
                arguments = _asked(dice, verb)
                if dice.below(3):
                    await stage.evening.handle("confirm_clear", {})
                    clear = True
                clear = clear or verb == "confirm_clear"
                if verb in _FIRST_ONLY:
                    arguments.pop("at_dusk", None)
                async with asyncio.timeout(_LONGEST_S):
                    result = await stage.evening.handle(verb, arguments, told.append)
                json.dumps([result, *told], allow_nan=False, default=str)
            assert clear or not stage.mount.slews, "it moved before anybody said that it is clear"

    def run(data: bytes) -> None:
        running.run(evening(Dice(data)))

    return run
