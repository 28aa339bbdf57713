"""Mounts that misbehave in ways that the stock simulator does not, over real TCP."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from xml.etree.ElementTree import Element

import pytest
from astropy.coordinates import TETE, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.mount import IndiMount
from polewright.core.errors import DeviceError
from polewright.ports import PierSide, TrackMode
from tests.system.fake_indi_server import MOUNT_NAME, FakeIndiServer, change, define, fake_server

START = (6.0, 10.0)
TARGET_HOURS, TARGET_DEG = 7.0, 20.0


def definitions(*, equatorial: str = "EQUATORIAL_EOD_COORD") -> str:
    return (
        define("Switch", MOUNT_NAME, "CONNECTION", {"CONNECT": "On", "DISCONNECT": "Off"})
        + define("Switch", MOUNT_NAME, "ON_COORD_SET", {"TRACK": "Off", "SLEW": "On"})
        + define("Switch", MOUNT_NAME, "TELESCOPE_ABORT_MOTION", {"ABORT": "Off"})
        + define("Number", MOUNT_NAME, equatorial, {"RA": START[0], "DEC": START[1]})
    )


def report(hours: float, declination_deg: float, state: str) -> str:
    return change(
        "Number",
        MOUNT_NAME,
        "EQUATORIAL_EOD_COORD",
        {"RA": hours, "DEC": declination_deg},
        state=state,
    )


GoTo = Callable[[FakeIndiServer], Awaitable[None]]


@asynccontextmanager
async def mount_that(go_to: GoTo) -> AsyncIterator[tuple[IndiMount, FakeIndiServer]]:
    """Run a mount with this reaction to a go-to; it obeys everything else."""

    async def react(server: FakeIndiServer, element: Element) -> None:
        match element.get("name"):
            case "EQUATORIAL_EOD_COORD":
                await go_to(server)
            case "ON_COORD_SET":
                values = {"TRACK": "On", "SLEW": "Off"}
                await server.send(change("Switch", MOUNT_NAME, "ON_COORD_SET", values, state="Ok"))
            case "TELESCOPE_ABORT_MOTION":
                await server.send(
                    change(
                        "Switch",
                        MOUNT_NAME,
                        "TELESCOPE_ABORT_MOTION",
                        {"ABORT": "Off"},
                        state="Ok",
                    )
                )
                await server.send(report(*START, "Idle"))

    async with (
        fake_server(definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        yield IndiMount(connection, MOUNT_NAME, slew_s=1.0), server


async def slew(mount: IndiMount) -> None:
    await mount.slew_to(TARGET_HOURS * 15.0, TARGET_DEG)


async def test_a_go_to_goes_out_in_hours_with_both_coordinates_and_tracks() -> None:
    async def obey(server: FakeIndiServer) -> None:
        await server.send(report(*START, "Busy"))
        await server.send(report(TARGET_HOURS, TARGET_DEG, "Ok"))

    async with mount_that(obey) as (mount, server):
        await slew(mount)
        (command,) = server.commands("EQUATORIAL_EOD_COORD")
        assert float(command["RA"]) == pytest.approx(TARGET_HOURS)
        assert float(command["DEC"]) == pytest.approx(TARGET_DEG)
        assert server.commands("ON_COORD_SET") == [{"TRACK": "On"}]


async def test_a_mount_that_moves_without_ever_turning_busy_is_waited_for() -> None:
    async def move(server: FakeIndiServer) -> None:
        for step in range(1, 11):
            await server.send(
                report(
                    START[0] + step / 10.0 * (TARGET_HOURS - START[0]),
                    START[1] + step / 10.0 * (TARGET_DEG - START[1]),
                    "Ok",
                )
            )
            await asyncio.sleep(0.1)

    async with mount_that(move) as (mount, _):
        await slew(mount)
        status = await mount.status()
        assert status.right_ascension_deg == pytest.approx(TARGET_HOURS * 15.0)


async def test_a_mount_that_still_swings_after_it_says_ok_is_waited_for() -> None:
    """60 arcsec to and fro for 2 s, then still."""
    stood_at_s = 0.0

    async def swing(server: FakeIndiServer) -> None:
        nonlocal stood_at_s
        await server.send(report(*START, "Busy"))
        for step in range(10):
            swing_deg = (-1) ** step * 60.0 / 3600.0
            await server.send(report(TARGET_HOURS, TARGET_DEG + swing_deg, "Ok"))
            await asyncio.sleep(0.2)
        await server.send(report(TARGET_HOURS, TARGET_DEG, "Ok"))
        stood_at_s = asyncio.get_running_loop().time()

    async with mount_that(swing) as (mount, _):
        await slew(mount)
        assert stood_at_s > 0.0
        assert asyncio.get_running_loop().time() > stood_at_s


async def test_a_mount_that_ignores_a_go_to_is_named_and_told_to_stop() -> None:
    async def ignore(server: FakeIndiServer) -> None:
        await server.send(
            f"<message device='{MOUNT_NAME}' message='[ERROR] Target is below the horizon.'/>"
        )

    async with mount_that(ignore) as (mount, server):
        with pytest.raises(DeviceError, match="Target is below the horizon") as caught:
            await slew(mount)
        assert caught.value.code == "slew_ignored"
        assert server.commands("TELESCOPE_ABORT_MOTION") == [{"ABORT": "On"}]


async def test_a_mount_that_fails_in_mid_slew_is_named_and_told_to_stop() -> None:
    async def stall(server: FakeIndiServer) -> None:
        await server.send(report(*START, "Busy"))
        await server.send(f"<message device='{MOUNT_NAME}' message='motor stalled'/>")
        await server.send(report(6.2, 12.0, "Alert"))

    async with mount_that(stall) as (mount, server):
        with pytest.raises(DeviceError) as caught:
            await slew(mount)
        assert caught.value.code == "device_refused"
        assert caught.value.text.endswith('and says: "motor stalled"')
        assert server.commands("TELESCOPE_ABORT_MOTION") == [{"ABORT": "On"}]


async def test_a_mount_that_never_arrives_is_named_and_told_to_stop() -> None:
    async def wander(server: FakeIndiServer) -> None:
        for _ in range(20):
            await server.send(report(*START, "Busy"))
            await asyncio.sleep(0.1)

    async with mount_that(wander) as (mount, server):
        with pytest.raises(DeviceError, match="did not finish its go-to within 1 s") as caught:
            await slew(mount)
        assert caught.value.code == "slew_timeout"
        assert server.commands("TELESCOPE_ABORT_MOTION") == [{"ABORT": "On"}]


async def test_a_mount_that_stops_elsewhere_did_not_arrive() -> None:
    async def fall_short(server: FakeIndiServer) -> None:
        await server.send(report(*START, "Busy"))
        await server.send(report(TARGET_HOURS, TARGET_DEG - 3.0, "Ok"))

    async with mount_that(fall_short) as (mount, _):
        with pytest.raises(DeviceError, match=r"3\.0 deg short") as caught:
            await slew(mount)
        assert caught.value.code == "stopped_short"


async def test_a_mount_whose_driver_vanishes_in_mid_slew_is_named() -> None:
    async def vanish(server: FakeIndiServer) -> None:
        await server.send(report(*START, "Busy"))
        await server.send(f"<delProperty device='{MOUNT_NAME}'/>")

    async with mount_that(vanish) as (mount, _):
        with pytest.raises(DeviceError, match="vanished") as caught:
            await slew(mount)
        assert caught.value.code == "device_gone"


async def test_a_mount_without_its_driver_is_not_called_stopped() -> None:
    """It may go on by itself: a stop that cannot arrive must not look like one that was taken."""

    async def vanish(server: FakeIndiServer) -> None:
        await server.send(report(6.1, 11.0, "Busy"))
        await server.send(f'<delProperty device="{MOUNT_NAME}"/>')

    async with mount_that(vanish) as (mount, _):
        with pytest.raises(DeviceError):
            await mount.slew_to(TARGET_HOURS * 15.0, TARGET_DEG)
        with pytest.raises(DeviceError, match="cannot be told to stop") as caught:
            await mount.abort()
        assert caught.value.code == "no_way_to_stop"
        assert caught.value.remedy


async def test_a_driver_that_is_back_without_its_mount_cannot_stop_it_either() -> None:
    async def come_back(server: FakeIndiServer) -> None:
        await server.send(f'<delProperty device="{MOUNT_NAME}"/>')
        off = {"CONNECT": "Off", "DISCONNECT": "On"}
        await server.send(define("Switch", MOUNT_NAME, "CONNECTION", off))

    async with mount_that(come_back) as (mount, _):
        with pytest.raises(DeviceError):
            await mount.slew_to(TARGET_HOURS * 15.0, TARGET_DEG)
        with pytest.raises(DeviceError, match="cannot be told to stop"):
            await mount.abort()


async def test_a_declination_that_does_not_exist_is_not_sent() -> None:
    async def obey(server: FakeIndiServer) -> None:
        raise AssertionError("nothing was to be sent")

    async with mount_that(obey) as (mount, server):
        with pytest.raises(DeviceError) as caught:
            await mount.slew_to(0.0, 90.5)
        assert caught.value.code == "out_of_range"
        assert server.commands("EQUATORIAL_EOD_COORD") == []


async def test_a_mount_of_j2000_positions_is_understood_both_ways() -> None:
    """What it tells comes out of date, what it is sent goes out of J2000 (astropy's TETE)."""
    night = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)

    async def obey(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "EQUATORIAL_COORD":
            values = {child.get("name"): (child.text or "").strip() for child in element}
            await server.send(
                change("Number", MOUNT_NAME, "EQUATORIAL_COORD", values, state="Busy")
            )
            await server.send(change("Number", MOUNT_NAME, "EQUATORIAL_COORD", values, state="Ok"))
        elif element.get("name") == "ON_COORD_SET":
            values = {"TRACK": "On", "SLEW": "Off"}
            await server.send(change("Switch", MOUNT_NAME, "ON_COORD_SET", values, state="Ok"))

    def of_date(hours: float, declination_deg: float) -> SkyCoord:
        with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
            j2000 = SkyCoord(hours * 15.0, declination_deg, unit="deg")
            return j2000.transform_to(TETE(obstime=Time(night)))

    async with (
        fake_server(definitions(equatorial="EQUATORIAL_COORD"), obey) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT_NAME, now=lambda: night)
        told = await mount.status()
        true = of_date(*START)
        assert told.right_ascension_deg == pytest.approx(true.ra.deg, abs=1e-4)
        assert told.declination_deg == pytest.approx(true.dec.deg, abs=1e-4)
        assert abs(told.right_ascension_deg - START[0] * 15.0) > 0.2
        await slew(mount)
        (command,) = server.commands("EQUATORIAL_COORD")
        back = of_date(float(command["RA"]), float(command["DEC"]))
        assert back.ra.deg == pytest.approx(TARGET_HOURS * 15.0, abs=1e-4)
        assert back.dec.deg == pytest.approx(TARGET_DEG, abs=1e-4)


async def test_a_star_tracker_is_a_mount_that_neither_goes_nor_tells_where_it_is() -> None:
    """It only tracks: nothing is assumed beyond the properties that it offers."""
    tracker = define(
        "Switch", MOUNT_NAME, "CONNECTION", {"CONNECT": "On", "DISCONNECT": "Off"}
    ) + define(
        "Switch", MOUNT_NAME, "TELESCOPE_TRACK_STATE", {"TRACK_ON": "On", "TRACK_OFF": "Off"}
    )
    async with (
        fake_server(tracker) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT_NAME)
        status = await mount.status()
        assert status.right_ascension_deg is None
        assert status.tracking is True
        assert status.parked is None
        assert status.pier_side is PierSide.UNKNOWN
        can = mount.capabilities
        assert not any((can.can_slew, can.can_abort, can.has_position, can.can_park))
        with pytest.raises(DeviceError) as caught:
            await slew(mount)
        assert caught.value.code == "cannot_slew"
        await mount.abort()
        assert all(element.tag == "getProperties" for element in server.received[:1])
        assert not [element for element in server.received if element.tag.startswith("new")]


async def test_a_mount_left_at_the_lunar_rate_tracks_the_stars_before_it_goes() -> None:
    modes = {"TRACK_SIDEREAL": "Off", "TRACK_SOLAR": "Off", "TRACK_LUNAR": "On"}

    async def react(server: FakeIndiServer, element: Element) -> None:
        match element.get("name"):
            case "EQUATORIAL_EOD_COORD":
                await server.send(report(*START, "Busy"))
                await server.send(report(TARGET_HOURS, TARGET_DEG, "Ok"))
            case name:
                values = {child.get("name"): (child.text or "").strip() for child in element}
                await server.send(change("Switch", MOUNT_NAME, name, values, state="Ok"))

    async with (
        fake_server(
            definitions() + define("Switch", MOUNT_NAME, "TELESCOPE_TRACK_MODE", modes), react
        ) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT_NAME)
        await mount.ensure_ready()
        assert mount.capabilities.track_modes == set(TrackMode)
        await slew(mount)
        (command,) = server.commands("TELESCOPE_TRACK_MODE")
        assert [name for name, value in command.items() if value == "On"] == ["TRACK_SIDEREAL"]


async def test_a_stop_is_sent_again_until_it_is_confirmed() -> None:
    """The first command to stop is lost on this mount."""
    heard = 0

    async def react(server: FakeIndiServer, element: Element) -> None:
        nonlocal heard
        if element.get("name") == "TELESCOPE_ABORT_MOTION":
            heard += 1
            if heard == 2:
                answer = {"ABORT": "Off"}
                await server.send(
                    change("Switch", MOUNT_NAME, "TELESCOPE_ABORT_MOTION", answer, state="Ok")
                )

    async with (
        fake_server(definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT_NAME)
        await mount.ensure_ready()
        await mount.abort()
        assert heard == 2


async def test_a_mount_that_does_not_confirm_a_stop_alarms_the_person() -> None:
    async with (
        fake_server(definitions()) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT_NAME)
        await mount.ensure_ready()
        with pytest.raises(DeviceError, match="does not confirm") as caught:
            await mount.abort()
        assert caught.value.code == "still_moving"
        assert len(server.commands("TELESCOPE_ABORT_MOTION")) >= 3


async def test_a_go_to_that_is_still_being_prepared_is_not_sent_after_a_stop() -> None:
    """The mount takes its time to take go-tos at all; the stop is there before it does."""
    asked, go_on = asyncio.Event(), asyncio.Event()

    async def react(server: FakeIndiServer, element: Element) -> None:
        match element.get("name"):
            case "ON_COORD_SET":
                asked.set()
                await go_on.wait()
                values = {"TRACK": "On", "SLEW": "Off"}
                await server.send(change("Switch", MOUNT_NAME, "ON_COORD_SET", values, state="Ok"))

    async with (
        fake_server(definitions(), react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT_NAME, slew_s=1.0)
        going = asyncio.create_task(slew(mount))
        await asked.wait()
        stopping = asyncio.create_task(mount.abort())
        await asyncio.sleep(0)
        go_on.set()
        with pytest.raises(DeviceError) as caught:
            await going
        assert caught.value.code == "stopped"
        assert server.commands("EQUATORIAL_EOD_COORD") == []
        stopping.cancel()
        await asyncio.wait({stopping})


async def test_a_sync_that_is_given_up_leaves_no_mount_that_takes_go_tos_for_syncs() -> None:
    """It is given up while the mount has not yet said that it takes syncs; then it does."""
    asked, in_order = asyncio.Event(), asyncio.Lock()
    choices = {"TRACK": "On", "SLEW": "Off", "SYNC": "Off"}

    async def react(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") != "ON_COORD_SET":
            return
        wanted = server.commands("ON_COORD_SET")[-1]
        asked.set()
        async with in_order:
            await asyncio.sleep(0.1)
            told = {name: wanted.get(name, "Off") for name in choices}
            await server.send(change("Switch", MOUNT_NAME, "ON_COORD_SET", {**told}, state="Ok"))

    able = definitions().replace(
        define("Switch", MOUNT_NAME, "ON_COORD_SET", {"TRACK": "Off", "SLEW": "On"}),
        define("Switch", MOUNT_NAME, "ON_COORD_SET", {**choices}),
    )
    async with (
        fake_server(able, react) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        syncing = asyncio.create_task(
            IndiMount(connection, MOUNT_NAME).sync(TARGET_HOURS * 15.0, TARGET_DEG)
        )
        await asked.wait()
        syncing.cancel()
        await asyncio.wait({syncing})
        mode = connection.read(MOUNT_NAME, "ON_COORD_SET")
        assert mode is not None
        assert mode.is_on("TRACK")
        assert "TRACK" in server.commands("ON_COORD_SET")[-1]
        assert server.commands("EQUATORIAL_EOD_COORD") == []
