"""Health: what is told of links, disk and temperatures, and when."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from polewright.adapters.mqtt.payloads import check_payload
from polewright.app import health
from polewright.app.clock import HostClock
from polewright.app.health import HealthTeller, disk_free_mb, temperatures_c
from polewright.core.errors import LinkError
from polewright.session.keeping import NoJournal

LINK = {
    "connected": True, "connections": 1, "protocol": "5", "echo": "passed",
    "dropped_messages": 0, "dropped_commands": 0, "problem": None,
}  # fmt: skip
PAGE = {"served": False, "problem": "the port is taken. Set another.", "offers_motors": True}
NO_DEVICES = {"camera": None, "mount": None, "adjuster": None}


class Devices:
    """What the teller looks at of an evening."""

    def __init__(self) -> None:
        self.ready = asyncio.Event()
        self.link_trouble: LinkError | None = None


class Told:
    """Checks and keeps what is published."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []

    def publish(self, topic: str, payload: Any, *, retain: bool) -> None:
        assert (topic, retain) == ("health", True)
        check_payload("health", json.dumps({"v": 1, "at": "2026-03-01T18:00:00Z"} | payload))
        self.messages.append(payload)


async def test_a_link_that_comes_or_goes_is_told_soon_and_counters_alone_are_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health, "_LOOK_EVERY_S", 0.01)
    told, devices, link = Told(), Devices(), dict(LINK)
    teller = HealthTeller(told, devices, HostClock(), NoJournal(), lambda: link, PAGE, tmp_path)  # type: ignore[arg-type]
    task = asyncio.create_task(teller.run())
    try:
        await asyncio.sleep(0.1)
        assert len(told.messages) == 1
        assert told.messages[0]["indi"] == {"connected": False, "problem": None} | NO_DEVICES
        assert told.messages[0]["page"] == PAGE
        assert told.messages[0]["disk_free_mb"] > 0
        link["dropped_commands"] = 12345
        await asyncio.sleep(0.1)
        assert len(told.messages) == 1
        devices.link_trouble = LinkError("no server", remedy="Start it.", code="no_server")
        await asyncio.sleep(0.1)
        assert len(told.messages) == 2
        assert "no server" in told.messages[1]["indi"]["problem"]
        assert told.messages[1]["broker"]["dropped_commands"] == 12345
        teller.use("Hoopoe", "Kudu", None)
        await asyncio.sleep(0.1)
        assert len(told.messages) == 2
        devices.ready.set()
        await asyncio.sleep(0.1)
        assert len(told.messages) == 3
        assert told.messages[2]["indi"]["camera"] == "Hoopoe"
        assert told.messages[2]["indi"]["adjuster"] is None
    finally:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


async def test_a_journal_that_is_in_trouble_or_was_set_aside_is_told_soon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health, "_LOOK_EVERY_S", 0.01)
    told, journal = Told(), NoJournal()
    teller = HealthTeller(told, Devices(), HostClock(), journal, lambda: LINK, PAGE, tmp_path)  # type: ignore[arg-type]
    task = asyncio.create_task(teller.run())
    try:
        await asyncio.sleep(0.1)
        assert told.messages[-1]["journal_set_aside"] is None
        journal.put_aside = "/somewhere/kudu.damaged.sqlite"
        await asyncio.sleep(0.1)
        assert told.messages[-1]["journal_set_aside"] == "/somewhere/kudu.damaged.sqlite"
        assert told.messages[-1]["journal_problem"] is None
        journal.trouble = LinkError("the disk is full", remedy="Free some.", code="x")
        await asyncio.sleep(0.1)
        assert "the disk is full" in told.messages[-1]["journal_problem"]
        assert len(told.messages) == 3
    finally:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


async def test_without_any_change_it_is_told_every_period(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health, "_LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(health, "PERIOD_S", 0.05)
    told = Told()
    teller = HealthTeller(told, Devices(), HostClock(), NoJournal(), lambda: LINK, PAGE, tmp_path)  # type: ignore[arg-type]
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(teller.run(), 0.5)
    assert len(told.messages) >= 3


def test_temperatures_are_read_by_name_and_a_sensor_that_refuses_is_left_out(
    tmp_path: Path,
) -> None:
    for number, (kind, text) in enumerate([("cpu", "48312\n"), ("wifi", ""), ("cpu", "1")]):
        zone = tmp_path / f"thermal_zone{number}"
        zone.mkdir()
        (zone / "type").write_text(kind + "\n")
        (zone / "temp").write_text(text)
    assert temperatures_c(tmp_path) == {"cpu": 48.312}
    assert temperatures_c(tmp_path / "none") == {}


def test_a_folder_that_is_not_made_yet_has_the_room_of_its_disk(tmp_path: Path) -> None:
    assert disk_free_mb(tmp_path / "a" / "b") == pytest.approx(disk_free_mb(tmp_path), abs=50)
