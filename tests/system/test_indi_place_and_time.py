"""Place and time against the sky simulator and the stock simulators: read, judged, told."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.equatorial import POSITIONS
from polewright.adapters.indi.mount import IndiMount
from polewright.adapters.indi.place import place_of, tell_mount, ticking_utc
from polewright.adapters.indi.rig import Rig, open_rig
from polewright.app.clock import HostClock, kept_right_from_outside
from polewright.app.site import settle_site
from polewright.core.errors import DeviceError
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import Source
from polewright.settings.model import Settings
from tests.system.fake_indi_server import MOUNT_NAME, FakeIndiServer, change, define, fake_server
from tests.system.indi_servers import MOUNT, indi_server, needs_indiserver, stock_server
from tests.system.warm_processes import simulator_door

pytestmark = [pytest.mark.indi, pytest.mark.slow, needs_indiserver]

# A loaded machine reads catalogue and tables for some seconds (s).
STARTS_S = 30.0
YARD = Place(latitude_deg=47.0, longitude_deg=-8.0, elevation_m=450.0)


@asynccontextmanager
async def _rig(home: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Rig]:
    (home / "sky.toml").write_text("seed = 5\n[clock]\nhost_clock = true\n")
    monkeypatch.setenv("POLEWRIGHT_SKY", str(home / "sky.toml"))
    async with indi_server(home, simulator_door(home)) as server:
        async with IndiConnection.open(server.host, server.port) as waiting:
            await waiting.wait_for("Hoopoe", "CONNECTION", lambda _: True, STARTS_S)
        async with open_rig(
            server.host,
            server.port,
            camera_name="Hoopoe",
            mount_name="Kudu",
            gps_name="Kudu GPS",
        ) as rig:
            yield rig


def _settings(**site: Any) -> Settings:
    return Settings.model_validate({"site": site})


async def _shift_the_mounts_clock(rig: Rig, by: timedelta) -> None:
    wrong = datetime.now(UTC) + by
    since = rig.connection.send_text(
        "Kudu", "TIME_UTC", {"UTC": f"{wrong:%Y-%m-%dT%H:%M:%S}", "OFFSET": "0"}
    )
    await rig.connection.wait_for("Kudu", "TIME_UTC", lambda _: True, 5.0, since=since)


async def test_a_mount_two_hours_and_a_sign_off_is_doubted_then_told_where_allowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with _rig(tmp_path, monkeypatch) as rig:
        wrong = Place(latitude_deg=-32.40, longitude_deg=-22.70, elevation_m=1250.0)
        await tell_mount(rig.connection, "Kudu", wrong, lambda: datetime.now(UTC))
        await _shift_the_mounts_clock(rig, timedelta(hours=2))
        clock = HostClock()
        site = await settle_site(_settings(clock="gps"), rig, clock)
        assert {doubt.code for doubt in site.doubts} == {"longitude_sign", "time_zone"}
        assert site.reading is not None
        assert site.reading.source is Source.GPS
        assert site.place.longitude_deg == pytest.approx(22.70, abs=1e-6)

        looked = await settle_site(
            _settings(clock="gps", write_to_mount=True), rig, clock, may_write=False
        )
        assert len(looked.doubts) == 2

        told = await settle_site(_settings(clock="gps", write_to_mount=True), rig, clock)
        assert told.doubts == ()
        assert rig.mount is not None
        held = await rig.mount.place()
        assert held is not None
        assert held.longitude_deg == pytest.approx(22.70, abs=1e-3)
        assert held.elevation_m == pytest.approx(1250.0)
        shown = await ticking_utc(rig.connection, "Kudu")
        assert shown is not None
        assert abs((shown - clock.now()).total_seconds()) < 3.0


async def test_a_moving_mount_is_not_told_its_site(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with _rig(tmp_path, monkeypatch) as rig:
        assert rig.mount is not None
        status = await rig.mount.status()
        assert status.right_ascension_deg is not None
        assert status.declination_deg is not None
        rig.connection.send_numbers(
            "Kudu", "EQUATORIAL_EOD_COORD",
            {"RA": (status.right_ascension_deg / 15.0 + 2.0) % 24.0, "DEC": -60.0},
        )  # fmt: skip
        await rig.connection.wait_for("Kudu", "EQUATORIAL_EOD_COORD", lambda p: p.busy, 5.0)
        with pytest.raises(DeviceError) as caught:
            await tell_mount(rig.connection, "Kudu", YARD, lambda: datetime.now(UTC))
        assert caught.value.code == "mount_moving"
        await rig.mount.abort()


@pytest.mark.parametrize("position", POSITIONS)
async def test_a_moving_mount_is_not_told_its_site_whatever_its_equinox(position: str) -> None:
    definitions = define("Number", MOUNT_NAME, position, {"RA": 1.0, "DEC": 2.0}, state="Busy")
    async with (
        fake_server(definitions, _silent) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await connection.wait_for(MOUNT_NAME, position, lambda p: p.busy, 5.0)
        with pytest.raises(DeviceError) as caught:
            await tell_mount(connection, MOUNT_NAME, YARD, lambda: datetime.now(UTC))
    assert caught.value.code == "mount_moving"


async def test_a_receiver_that_has_no_fix_yet_tells_no_time() -> None:
    """What it shows meanwhile may be of its last fix; the state Busy says so, as of the place."""

    def shown(state: str) -> str:
        old = {"UTC": "2026-11-25T20:00:00", "OFFSET": "0"}
        return change("Text", "Receiver", "TIME_UTC", {**old}, state=state)

    definition = define("Text", "Receiver", "TIME_UTC", {"UTC": "", "OFFSET": ""}, state="Busy")
    async with (
        fake_server(definition, _silent) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await connection.wait_for("Receiver", "TIME_UTC", lambda _: True, 5.0)
        asking = asyncio.create_task(ticking_utc(connection, "Receiver", 1.0))
        await asyncio.sleep(0)
        await server.send(shown("Busy"))
        assert await asking is None
        asking = asyncio.create_task(ticking_utc(connection, "Receiver", 5.0))
        await asyncio.sleep(0)
        await server.send(shown("Ok"))
        assert await asking == datetime(2026, 11, 25, 20, tzinfo=UTC)


async def _silent(_server: FakeIndiServer, _element: Element) -> None:
    pass


async def test_the_stock_mount_takes_place_and_time(tmp_path: Path) -> None:
    async with (
        stock_server(tmp_path) as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        await IndiMount(connection, MOUNT).ensure_ready()
        await tell_mount(connection, MOUNT, YARD, lambda: datetime.now(UTC))
        held = place_of(connection.read(MOUNT, "GEOGRAPHIC_COORD"))
        assert held is not None
        assert held.longitude_deg == pytest.approx(-8.0, abs=1e-3)
        assert held.elevation_m == pytest.approx(450.0)


def test_the_kernel_says_whether_the_clock_is_kept_right() -> None:
    """Source: the same bound as systemd's NTPSynchronized, from the same system call."""
    assert kept_right_from_outside() in (True, False)
