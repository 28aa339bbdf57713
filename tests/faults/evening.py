"""One seed: the stack is started, broken by the schedule, and everything is taken down."""

import asyncio
import contextlib
import shutil
import time
from pathlib import Path

from tests.faults.breaking import BREAKERS, begin_life, end_service, lives, until
from tests.faults.person import Person
from tests.faults.record import Done, Record
from tests.faults.schedule import Fault, Kind, Moment, Schedule
from tests.faults.stack import Stack, running_stack

READY_S = 60.0
# Until a fault's moment comes it is waited this long at most; then it happens all the same (s).
_MOMENT_S = 15.0
# Recovery is required within 10 s; longer ones are waited for to be told (s).
RECOVERY_S = 10.0
_WAITED_S = 40.0
_LOOK_S = 0.02
_OFF_ARCMIN = (9.0, -14.0)


async def run_seed(schedule: Schedule, folder: Path, nursery: Path, journal: Path) -> Record:
    """Run one seed's evening to its end.

    Parameters
    ----------
    schedule : Schedule
        What shall happen.
    folder, journal : Path
        An empty folder of its own, and one for the journal, which is emptied.
    nursery : Path
        Whom to ask for processes.
    """
    record = Record()
    _empty(journal)
    narrow = any(fault.kind is Kind.WORKER_KILLED for fault in schedule.faults)
    async with running_stack(
        folder, nursery, journal, seed=schedule.seed, site=schedule.site,
        off_arcmin=_OFF_ARCMIN, time_zone=schedule.time_zone, narrow=narrow,
    ) as stack:  # fmt: skip
        person = Person(record, stack.broker.port, stack.world, schedule.hands_arcmin)
        looking = asyncio.create_task(person.look())
        await asyncio.wait_for(person.connected.wait(), 10.0)
        begin_life(stack, record)
        working = asyncio.create_task(person.work())
        try:
            await _until_working(stack, record)
            for fault in schedule.faults:
                await _break(stack, record, fault)
                if record.faults[-1].recovered_s is None:
                    break
            await asyncio.sleep(schedule.ends_after_s)
            await end_service(stack, record)
            await asyncio.sleep(0.3)
        finally:
            record.ended_s = time.monotonic()
            for task in (working, looking):
                task.cancel()
            outcomes = await asyncio.gather(working, looking, return_exceptions=True)
            record.truths = stack.world.truths()
            record.journal = stack.committed()
            record.log = stack.log.read_text(errors="replace")
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome
    return record


async def _break(stack: Stack, record: Record, fault: Fault) -> None:
    """Wait for the fault's moment, do it, end it, and wait until work is done again."""
    if fault.moment is not Moment.WHENEVER:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_MOMENT_S):
                await until(lambda: _phase(record) == fault.moment.value)
    await asyncio.sleep(fault.after_s)
    done = Done(kind=fault.kind.value, began_s=time.monotonic())
    record.faults.append(done)
    async with BREAKERS[fault.kind](stack, record, fault):
        await asyncio.sleep(fault.lasts_s)
    done.ended_s = time.monotonic()
    end_s = done.ended_s + _WAITED_S
    while time.monotonic() < end_s:
        if (works_s := _works(record, done.ended_s)) is not None:
            done.recovered_s = works_s
            return
        service = stack.service
        if service is not None and not lives(service.pid):
            return  # it died: the judge sees its end
        await asyncio.sleep(_LOOK_S)


def _phase(record: Record) -> str:
    state = record.last("state")
    return str(state["state"]) if state else ""


def _works(record: Record, since_s: float) -> float | None:
    """Return when a frame was measured for the first time since then, as displays saw it."""
    if record.last("availability") != "online":
        return None
    frames = 0
    for one in record.told:
        if one.retained:
            continue
        if one.topic == "correction" and one.s > since_s and one.payload["live"]:
            return one.s
        if one.topic == "survey" and one.s > since_s and "age_s" not in one.payload:
            return one.s
        if one.topic == "state":
            before, frames = frames, int(one.payload["frames"])
            if one.s > since_s and frames > before and one.payload["state"] == "surveying":
                return one.s
    return None


async def _until_working(stack: Stack, record: Record) -> None:
    end_s = time.monotonic() + READY_S
    while _works(record, 0.0) is None:
        assert stack.service is not None
        if time.monotonic() > end_s or not lives(stack.service.pid):
            raise RuntimeError(f"the stack did not get to work: {stack.log.read_text()[-2000:]}")
        await asyncio.sleep(_LOOK_S)


def _empty(folder: Path) -> None:
    for old in folder.iterdir():
        if old.is_dir():
            shutil.rmtree(old)
        else:
            old.unlink()
