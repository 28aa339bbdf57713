"""Placing: somebody says that the feet stand on their marks, and is told what to expect of it."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from polewright.core.axis.correction import (
    altitude_words,
    amount_words,
    azimuth_words,
    hardly_known,
    with_knob,
)
from polewright.core.axis.knobs import Bolt, KnobAdvice, turns_for
from polewright.core.axis.placements import NextValue, Start, expected_start
from polewright.core.axis.stands import name_key, stands_of
from polewright.core.errors import LinkError, PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD, altaz_from_enu, wrap_half_turn
from polewright.session.messages import Message
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# Said again within this time it is a reminder, not another return: half a day.
_SAME_EVENING = timedelta(hours=12)
# A spread that few returns taught is told no finer than this part of itself.
_SPREAD_OF_SPREAD = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Expectation:
    """How far off one bolt will be found, and what undoes that."""

    bolt: Bolt
    error_rad: float
    value: NextValue
    advice: KnobAdvice | None
    words: str

    @property
    def leave(self) -> bool:
        return hardly_known(self.error_rad, self.value.spread_rad)

    @property
    def reach_words(self) -> str:
        """How near it then starts, two times in three."""
        spread = self.value.spread_rad
        reach = abs(self.error_rad) + spread if self.leave else spread
        return f"{amount_words(reach, _SPREAD_OF_SPREAD * spread)} in {self.bolt.value}"

    def figures(self) -> Message:
        name = self.bolt.value
        return {
            f"{name}_error_arcmin": round(self.error_rad / ARCMIN_RAD, 3),
            f"{name}_spread_arcmin": round(self.value.spread_rad / ARCMIN_RAD, 3),
            f"{name}_wide_arcmin": round(self.value.wide_rad / ARCMIN_RAD, 3),
            f"{name}_turns": None if self.advice is None else round(self.advice.turns, 3),
            f"{name}_words": self.words,
        }


async def note_placement(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Keep where the feet stand, and return how the axis will be found there.

    Raises
    ------
    PolewrightError
        It could not be kept, or the journal cannot be read.
    """
    name = " ".join(str(arguments["name"]).split())
    marked = bool(arguments.get("marked"))
    turned = bool(arguments.get("bolts_turned"))
    moments = await work.keeper.axis_moments(work.mount_name)
    if moments is None:
        raise LinkError(
            "the journal cannot be read, so nothing is known of these marks and nothing was kept",
            remedy="See `polewright status` for what is wrong with it.",
            code="journal_unreadable",
        )
    stands = stands_of(moments)
    last = stands[-1] if stands else None
    again = (
        last is not None
        and not marked
        and name_key(last.name) == name_key(name)
        and timedelta(0) <= work.clock.now() - last.since <= _SAME_EVENING
    )
    surveyed = again and last is not None and bool(last.spells)
    if again:
        stands = stands[:-1]
    known = any(name_key(stand.name) == name_key(name) for stand in stands)
    if not again or turned:
        trouble = await work.keeper.commit_placement(
            name,
            work.place,
            mount=work.mount_name,
            new_marks=marked,
            stands_already=again,
            bolts_turned=turned,
        )
        if trouble is not None:
            raise trouble
    start = None if marked else expected_start(name, stands)
    expected = _expected(work, start) if start is not None and not surveyed and not turned else ()
    if surveyed:
        text = "the mount stands there already and was surveyed; the next return is another one"
    elif turned:
        text = "bolts turned with nobody watching: the next survey does not count as a return"
    elif marked or not known:
        text = (
            "new marks. From the next return on, the first survey after it teaches, before any "
            "bolt is turned, how exactly the feet come back to them"
        )
    elif not expected or start is None:
        text = (
            "no return to these marks is measured yet, or bolts were turned since with nobody "
            "watching; survey before you turn one"
        )
    else:
        text = _advice(name, start.returns, expected)
    text = f'"{name}": {text}'
    work.teller.tell(text, remedy="The first survey tells what is true.", code="placement")
    message: Message = {
        "name": name,
        "mount": work.mount_name,
        "marked": marked or not known,
        "noted": not again or turned,
        "returns": 0 if start is None else start.returns,
        "text": text,
    }
    for each in expected:
        message |= each.figures()
    return message


def _expected(work: Workplace, start: Start) -> tuple[_Expectation, ...]:
    """Return what to expect of both bolts, against the pole that is aimed at."""
    try:
        target = work.memory.wishes.target_enu(work.place)
    except PolewrightError as trouble:  # tonight's pole without its window: the survey says so
        _log.info("no start can be told: %s", trouble)
        return ()
    altitude, azimuth = altaz_from_enu(target)
    found = []
    for bolt, value, error in (
        (Bolt.ALTITUDE, start.altitude, start.altitude.mean_rad - altitude),
        (Bolt.AZIMUTH, start.azimuth, wrap_half_turn(start.azimuth.mean_rad - azimuth)),
    ):
        advice = None
        if hardly_known(error, value.spread_rad):
            words = f"leave the {bolt.value}"
        else:
            advice = turns_for(work.knobs.knobs[bolt], -error)
            words = (
                altitude_words(error, value.spread_rad)
                if bolt is Bolt.ALTITUDE
                else azimuth_words(error, value.spread_rad, azimuth)
            )
        words = with_knob(words, advice.words if advice else "")
        found.append(
            _Expectation(bolt=bolt, error_rad=error, value=value, advice=advice, words=words)
        )
    return tuple(found)


def _advice(name: str, returns: int, expected: tuple[_Expectation, ...]) -> str:
    count = "one return" if returns == 1 else f"{returns} returns"
    within = " and ".join(each.reach_words for each in expected)
    if all(each.leave for each in expected):
        return (
            f"after {count}, before you begin: leave both bolts; two times in three the axis is "
            f"found within {within}"
        )
    words = "; ".join(each.words for each in expected)
    quoted = name if name.isalnum() else f"'{name}'"
    return (
        f"after {count}, before you begin: {words}; two times in three it then starts within "
        f"{within}. If you turn them, say so: polewright placement {quoted} --bolts-turned"
    )
