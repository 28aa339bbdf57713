"""The gate command: what it is told and what not, how long it may take, how it ends."""

import asyncio
import os
import stat
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from polewright.adapters.gate.command import GateCommand

GOOD = {
    "verified": "2026-11-25T20:30:00+00:00", "depth": "quick", "verdict": "good_enough",
    "moved": False, "total_error_arcmin": 0.42, "total_error_sigma_arcmin": 0.1,
    "tolerance_arcmin": 1.0, "scheduled": True, "words": "good enough", "reason": None,
}  # fmt: skip


def _script(folder, body, name="gate"):
    file = folder / name
    file.write_text(f"#!/bin/sh\n{body}\n")
    file.chmod(file.stat().st_mode | stat.S_IXUSR)
    return str(file)


@asynccontextmanager
async def _gate(*command, longest_s=10.0):
    events = []
    told = asyncio.Event()

    def tell(level, code, text, remedy):
        events.append((level, code, text, remedy))
        told.set()

    gate = GateCommand(command, longest_s=longest_s, mount="kudu", tell=tell)
    running = asyncio.ensure_future(gate.run())

    async def next_event():
        async with asyncio.timeout(20.0):
            await told.wait()
        told.clear()
        return events[-1]

    try:
        yield gate, next_event, events
    finally:
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running


async def test_it_gets_the_figures_and_none_of_the_services_secrets(tmp_path, monkeypatch):
    monkeypatch.setenv("POLEWRIGHT_MQTT_PASSWORD", "do-not-tell")
    monkeypatch.setenv("SOME_TOKEN", "do-not-tell")
    seen = tmp_path / "seen"
    async with _gate(_script(tmp_path, f'env >"{seen}"; echo "$#:$1:$2" >>"{seen}"'),
                     "two words; rm -rf /", "$HOME") as (gate, next_event, _):  # fmt: skip
        gate.open(GOOD)
        level, code, text, _ = await next_event()
    assert (level, code) == ("info", "gate_opened")
    assert "status 0" in text
    lines = seen.read_text().splitlines()
    # Word by word: no shell has looked at them.
    assert lines[-1] == "2:two words; rm -rf /:$HOME"
    environment = dict(line.split("=", 1) for line in lines[:-1])
    assert environment["POLEWRIGHT_VERDICT"] == "good_enough"
    assert environment["POLEWRIGHT_TOTAL_ERROR_ARCMIN"] == "0.42"
    assert environment["POLEWRIGHT_MOVED"] == "no"
    assert environment["POLEWRIGHT_MOUNT"] == "kudu"
    assert "do-not-tell" not in seen.read_text()
    mine = {name for name in environment if name.startswith("POLEWRIGHT_")}
    assert mine == {
        "POLEWRIGHT_VERIFIED", "POLEWRIGHT_DEPTH", "POLEWRIGHT_VERDICT", "POLEWRIGHT_MOVED",
        "POLEWRIGHT_TOTAL_ERROR_ARCMIN", "POLEWRIGHT_TOTAL_ERROR_SIGMA_ARCMIN",
        "POLEWRIGHT_TOLERANCE_ARCMIN", "POLEWRIGHT_SCHEDULED", "POLEWRIGHT_MOUNT",
    }  # fmt: skip


@pytest.mark.parametrize("verdict", ["not_yet", "cannot_tell", None])
async def test_it_opens_for_nothing_but_good_enough(tmp_path, verdict):
    seen = tmp_path / "seen"
    async with _gate(_script(tmp_path, f'touch "{seen}"')) as (gate, _, events):
        gate.open(GOOD | {"verdict": verdict})
        await asyncio.sleep(0.1)
    assert not seen.exists()
    assert events == []


async def test_a_status_other_than_0_is_told(tmp_path):
    async with _gate(_script(tmp_path, "exit 7")) as (gate, next_event, _):
        gate.open(GOOD)
        level, code, text, _ = await next_event()
    assert (level, code) == ("error", "gate_failed")
    assert "status 7" in text


async def test_one_that_takes_too_long_is_ended_with_all_that_it_started(tmp_path):
    pid = tmp_path / "pid"
    body = f'sleep 60 &\necho $! >"{pid}"\nwait'
    async with _gate(_script(tmp_path, body), longest_s=0.5) as (gate, next_event, _):
        gate.open(GOOD)
        _, code, text, _ = await next_event()
        assert code == "gate_failed"
        assert "longer than 0.5 s" in text
        await _until_gone(int(pid.read_text()))


async def test_what_it_started_is_ended_also_where_that_does_not_heed_the_first_word(tmp_path):
    """The program itself ends at once; its child has to be killed."""
    pid = tmp_path / "pid"
    child = _script(tmp_path, f"trap '' TERM\necho $$ >\"{pid}\"\nwhile :; do sleep 0.2; done", "c")
    async with _gate(_script(tmp_path, f'"{child}" &\nwait'), longest_s=1.0) as (gate, told, _):
        gate.open(GOOD)
        assert (await told())[1] == "gate_failed"
        await _until_gone(int(pid.read_text()))


async def test_a_stop_ends_it_and_the_next_one_opens_again(tmp_path):
    pid = tmp_path / "pid"
    once = tmp_path / "once"
    body = f'[ -e "{once}" ] && exit 0\ntouch "{once}"\necho $$ >"{pid}"\nsleep 60'
    async with _gate(_script(tmp_path, body)) as (gate, next_event, _):
        gate.open(GOOD)
        async with asyncio.timeout(10.0):
            while not (pid.exists() and pid.read_text()):  # noqa: ASYNC110 - another process writes
                await asyncio.sleep(0.02)
        gate.open(GOOD)
        assert (await next_event())[1] == "gate_busy"
        gate.shut()
        assert (await next_event())[1] == "gate_ended"
        await _until_gone(int(pid.read_text()))
        await asyncio.sleep(0.05)
        gate.open(GOOD)
        assert (await next_event())[1] == "gate_opened"


async def test_a_program_that_is_not_there_is_told_and_ends_nothing(tmp_path):
    async with _gate(str(tmp_path / "nothing")) as (gate, next_event, _):
        for _ in range(2):
            gate.open(GOOD)
            level, code, text, remedy = await next_event()
            assert (level, code) == ("error", "gate_failed")
            assert "No such file" in text
            assert "gate_command" in remedy
            await asyncio.sleep(0.05)


async def _until_gone(pid):
    async with asyncio.timeout(10.0):
        while _lives(pid):  # noqa: ASYNC110 - another process ends
            await asyncio.sleep(0.05)


def _lives(pid):
    try:
        os.kill(pid, 0)
        # One that nobody waits for stays as a name only.
        return Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1][0] != "Z"
    except (ProcessLookupError, FileNotFoundError):
        return False
