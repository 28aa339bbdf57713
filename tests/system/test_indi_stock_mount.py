"""The mount adapter against Debian's stock telescope simulator under a real indiserver."""

import asyncio
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.equatorial import OF_DATE, Position
from polewright.adapters.indi.mount import IndiMount
from polewright.core.errors import DeviceError
from polewright.ports import MountStatus
from tests.system.indi_servers import MOUNT, needs_indiserver, stock_server

pytestmark = [pytest.mark.indi, needs_indiserver]


@pytest.fixture
async def mount(tmp_path: Path) -> AsyncIterator[IndiMount]:
    async with (
        stock_server(tmp_path) as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        mount = IndiMount(connection, MOUNT)
        await mount.ensure_ready()
        connection.send_numbers(
            MOUNT, "GEOGRAPHIC_COORD", {"LAT": 47.00, "LONG": 352.0, "ELEV": 450.0}
        )
        await connection.wait_for(
            MOUNT, "GEOGRAPHIC_COORD", lambda p: abs(p.numbers["LAT"] - 47.00) < 1e-6, 5.0
        )
        yield mount


def position(status: MountStatus) -> Position:
    assert status.right_ascension_deg is not None
    assert status.declination_deg is not None
    return Position(
        right_ascension_deg=status.right_ascension_deg, declination_deg=status.declination_deg
    )


async def nearby(mount: IndiMount) -> Position:
    """Return a place some seconds of slewing away from where this simulator starts."""
    here = position(await mount.status())
    return Position(
        right_ascension_deg=(here.right_ascension_deg + 20.0) % 360.0, declination_deg=75.0
    )


async def test_a_go_to_ends_at_its_target_standing_and_tracking(mount: IndiMount) -> None:
    """The simulator aims at the hour angle of the command, so it ends late by the slew's length."""
    target = await nearby(mount)
    begun = time.monotonic()
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    took_s = time.monotonic() - begun
    status = await mount.status()
    assert not status.slewing
    assert status.tracking is True
    assert position(status).separation_deg(target) * 3600.0 < 15.0 + 15.05 * took_s


async def test_a_go_to_to_the_same_place_ends_soon(mount: IndiMount) -> None:
    """Such a go-to is busy for a moment only, or never."""
    target = await nearby(mount)
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    begun = time.monotonic()
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    assert time.monotonic() - begun < 8.0


async def test_tracking_goes_off_and_on(mount: IndiMount) -> None:
    target = await nearby(mount)
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    await mount.set_tracking(on=False)
    assert (await mount.status()).tracking is False
    await mount.set_tracking(on=True)
    assert (await mount.status()).tracking is True


async def test_an_abort_in_mid_slew_really_stops_the_mount(mount: IndiMount) -> None:
    """Seen in the positions reported after the abort, not in the answer to it."""
    here = position(await mount.status())
    far = Position(right_ascension_deg=(here.right_ascension_deg + 150.0) % 360, declination_deg=20)
    slew = asyncio.create_task(mount.slew_to(far.right_ascension_deg, far.declination_deg))
    await _moving(mount)
    await mount.abort()
    with pytest.raises(DeviceError) as caught:
        await slew
    assert caught.value.code == "stopped_short"
    stopped = position(await mount.status())
    assert stopped.separation_deg(far) > 5.0
    await asyncio.sleep(1.5)
    later = position(await mount.status())
    # Not tracking, a standing mount drifts 15 arcsec per second; slewing it makes degrees.
    assert later.separation_deg(stopped) * 3600.0 < 60.0


async def test_cancelling_a_go_to_stops_the_mount(mount: IndiMount) -> None:
    here = position(await mount.status())
    far = Position(right_ascension_deg=(here.right_ascension_deg + 150.0) % 360, declination_deg=20)
    slew = asyncio.create_task(mount.slew_to(far.right_ascension_deg, far.declination_deg))
    await _moving(mount)
    slew.cancel()
    with pytest.raises(asyncio.CancelledError):
        await slew
    status = await mount.status()
    assert not status.slewing
    assert position(status).separation_deg(far) > 5.0


async def test_a_parked_mount_refuses_a_go_to_until_it_is_unparked(mount: IndiMount) -> None:
    target = await nearby(mount)
    # The stock parking place is half a sky away.
    mount.connection.send_switch(MOUNT, "TELESCOPE_PARK_OPTION", {"PARK_CURRENT": True})
    await mount.park()
    assert (await mount.status()).parked is True
    with pytest.raises(DeviceError, match="parked") as caught:
        await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    assert caught.value.code == "parked"
    await mount.unpark()
    assert (await mount.status()).parked is False
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)


async def test_a_mount_tells_its_site_with_western_longitudes_negative(
    mount: IndiMount,
) -> None:
    place = await mount.place()
    assert place is not None
    assert place.latitude_deg == pytest.approx(47.00)
    assert place.longitude_deg == pytest.approx(-8.00)
    assert place.elevation_m == pytest.approx(450.0)


async def test_a_mount_tells_what_it_can_do(mount: IndiMount) -> None:
    capabilities = mount.capabilities
    assert capabilities.can_slew
    assert capabilities.can_abort
    assert capabilities.can_track
    assert capabilities.can_park
    assert capabilities.can_sync
    assert capabilities.has_pier_side
    assert capabilities.has_place


async def _moving(mount: IndiMount) -> None:
    """Return when the mount has begun to move."""
    await mount.connection.wait_for(MOUNT, OF_DATE, lambda p: p.busy, 5.0)


async def test_a_sync_changes_what_is_shown_and_the_next_place_is_a_go_to_again(
    mount: IndiMount,
) -> None:
    target = await nearby(mount)
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    assert mount.capabilities.can_sync
    told = Position(
        right_ascension_deg=target.right_ascension_deg, declination_deg=target.declination_deg - 0.8
    )
    await mount.sync(told.right_ascension_deg, told.declination_deg)
    assert position(await mount.status()).separation_deg(told) < 0.1
    await mount.slew_to(target.right_ascension_deg, target.declination_deg)
    assert abs(position(await mount.status()).declination_deg - target.declination_deg) < 0.05


async def test_a_parked_mount_takes_no_sync(mount: IndiMount) -> None:
    await mount.park()
    with pytest.raises(DeviceError) as caught:
        await mount.sync(10.0, 20.0)
    assert caught.value.code == "parked"
