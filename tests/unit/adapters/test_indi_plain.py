"""The INDI adapter's parts that need no server."""

import asyncio
import logging
import math
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.indi.client import WireClient
from polewright.adapters.indi.discovery import FoundDevice, Role, choose, require
from polewright.adapters.indi.goto import Position, position_in
from polewright.adapters.indi.place import place_of
from polewright.adapters.indi.reconnect import LONGEST_PAUSE_S, Reconnector
from polewright.adapters.indi.snapshot import (
    BlobSnapshot,
    Event,
    PingAnswered,
    PropertyKind,
    PropertySnapshot,
    PropertyState,
)
from polewright.core.errors import DeviceError, LinkError


def numbers(name: str, **values: float) -> PropertySnapshot:
    return PropertySnapshot(
        device="Kudu",
        name=name,
        kind=PropertyKind.NUMBER,
        state=PropertyState.OK,
        numbers=MappingProxyType(values),
    )


def device(name: str, *roles: Role) -> FoundDevice:
    return FoundDevice(name=name, driver="x", roles=frozenset(roles), connected=True)


class TestPlace:
    @pytest.mark.parametrize(
        ("wire_deg", "place_deg"), [(22.70, 22.70), (352.0, -8.0), (180.0, -180.0), (359.9, -0.1)]
    )
    def test_longitudes_past_half_a_turn_become_western_ones(
        self, wire_deg: float, place_deg: float
    ) -> None:
        """INDI: degrees east of Greenwich, 0 to 360 (standard properties, GEOGRAPHIC_COORD)."""
        place = place_of(numbers("GEOGRAPHIC_COORD", LAT=-32.4, LONG=wire_deg, ELEV=1250.0))
        assert place is not None
        assert place.longitude_deg == pytest.approx(place_deg)
        assert place.latitude_deg == -32.4
        assert place.elevation_m == 1250.0

    def test_a_site_that_was_never_set_is_none(self) -> None:
        assert place_of(numbers("GEOGRAPHIC_COORD", LAT=0.0, LONG=0.0, ELEV=0.0)) is None
        assert place_of(numbers("GEOGRAPHIC_COORD", LAT=math.nan, LONG=8.0, ELEV=0.0)) is None
        assert place_of(None) is None

    def test_a_place_off_this_planet_is_an_error_of_the_device(self) -> None:
        with pytest.raises(DeviceError, match="Kudu reports a place that does not exist"):
            place_of(numbers("GEOGRAPHIC_COORD", LAT=95.0, LONG=8.0, ELEV=0.0))


class TestPosition:
    @given(
        ra1=st.floats(0, 360),
        dec1=st.floats(-90, 90),
        ra2=st.floats(0, 360),
        dec2=st.floats(-90, 90),
    )
    def test_separation_agrees_with_the_angle_between_unit_vectors(
        self, ra1: float, dec1: float, ra2: float, dec2: float
    ) -> None:
        """Independent form: atan2 of cross and dot product."""
        vectors = []
        for ra_deg, dec_deg in ((ra1, dec1), (ra2, dec2)):
            ra, dec = math.radians(ra_deg), math.radians(dec_deg)
            vectors.append(
                np.array(
                    [
                        math.cos(dec) * math.cos(ra),
                        math.cos(dec) * math.sin(ra),
                        math.sin(dec),
                    ]
                )
            )
        u, v = vectors
        expected_deg = math.degrees(math.atan2(np.linalg.norm(np.cross(u, v)), float(u @ v)))
        separation_deg = Position(right_ascension_deg=ra1, declination_deg=dec1).separation_deg(
            Position(right_ascension_deg=ra2, declination_deg=dec2)
        )
        # The half-angle form loses digits only near 180 deg.
        assert separation_deg == pytest.approx(expected_deg, abs=2e-6)

    def test_hours_at_the_wire_are_degrees_here(self) -> None:
        assert position_in(numbers("EQUATORIAL_EOD_COORD", RA=23.5, DEC=-10.0)) == Position(
            right_ascension_deg=352.5, declination_deg=-10.0
        )

    def test_a_position_that_is_no_number_is_an_error(self) -> None:
        with pytest.raises(DeviceError, match="no number"):
            position_in(numbers("EQUATORIAL_EOD_COORD", RA=math.nan, DEC=1.0))


class TestChoice:
    found = (device("Hoopoe", Role.CAMERA), device("Kudu", Role.MOUNT), device("Lamp"))

    def test_the_only_device_of_a_role_is_chosen(self) -> None:
        assert choose(self.found, Role.CAMERA, None) == "Hoopoe"
        assert choose(self.found, Role.ADJUSTER, None) is None

    def test_a_configured_device_is_chosen_whatever_it_says_of_itself(self) -> None:
        assert choose(self.found, Role.ADJUSTER, "Lamp") == "Lamp"

    def test_two_devices_of_a_role_are_named_and_not_guessed_between(self) -> None:
        found = (*self.found, device("Weaver", Role.CAMERA))
        with pytest.raises(DeviceError, match="Hoopoe, Weaver") as caught:
            choose(found, Role.CAMERA, None)
        assert caught.value.code == "several_cameras"
        assert choose(found, Role.CAMERA, "Weaver") == "Weaver"

    def test_what_is_missing_is_said_beside_what_is_there(self) -> None:
        with pytest.raises(DeviceError, match=r"No GPS: .*Hoopoe \(camera\)") as caught:
            require(self.found, Role.GPS, None)
        assert caught.value.code == "no_gps"
        with pytest.raises(DeviceError, match="no device at all"):
            require((), Role.CAMERA, None)


class TestBlob:
    def blob(self, kind: str, size: int) -> BlobSnapshot:
        return BlobSnapshot(
            device="Hoopoe",
            name="CCD1",
            element="CCD1",
            format=kind,
            data=b"12345678",
            declared_size=size,
        )

    def test_fewer_bytes_than_declared_are_a_cut_unless_compressed(self) -> None:
        assert self.blob(".fits", 9).truncated
        assert not self.blob(".fits", 8).truncated
        assert not self.blob(".fits.z", 900).truncated
        assert not self.blob(".fits.fz", 900).truncated
        assert not self.blob(".fits.gz", 900).truncated


class TestCallbacks:
    def test_an_exception_in_a_callback_stays_inside_and_is_logged(
        self, caplog: pytest.LogCaptureFixture
    ) -> None:
        """One that leaves a callback makes the library's client deaf for good."""

        def sink(event: Event) -> None:
            raise RuntimeError("a bug")

        with caplog.at_level(logging.ERROR):
            WireClient(sink, lambda device, name: ()).newPingReply("1")
        assert "newPingReply" in caplog.text
        assert "a bug" in caplog.text

    def test_a_callback_hands_over_a_plain_event(self) -> None:
        events: list[Event] = []
        WireClient(events.append, lambda device, name: ()).newPingReply("7")
        assert events == [PingAnswered(uid="7")]


class FakeClock:
    """A clock that does not wait."""

    def __init__(self) -> None:
        self.time_s = 0.0
        self.slept: list[float] = []

    def now(self) -> datetime:
        return datetime(2026, 11, 25, tzinfo=UTC)

    def monotonic(self) -> float:
        return self.time_s

    async def sleep(self, duration_s: float) -> None:
        self.slept.append(duration_s)
        self.time_s += duration_s


class TestReconnector:
    async def test_pauses_grow_to_a_bound_and_start_anew_after_a_stable_link(self) -> None:
        clock = FakeClock()
        # Seconds that each attempt's link lives; None: it does not open.
        lives: list[float | None] = [None] * 8 + [100.0, 1.0]
        opened = 0

        @asynccontextmanager
        async def open_link() -> AsyncIterator[float]:
            nonlocal opened
            opened += 1
            life_s = lives.pop(0) if lives else -1.0
            if life_s is None:
                raise LinkError("nobody there", remedy="wait")
            yield life_s

        async def work(life_s: float) -> None:
            if life_s < 0.0:
                return
            clock.time_s += life_s
            raise LinkError("gone", remedy="wait")

        told: list[float] = []
        reconnector = Reconnector(clock, on_lost=lambda _, pause_s: told.append(pause_s))
        await reconnector.run(open_link, work)
        assert opened == 11
        assert clock.slept[:8] == [0.5, 1.0, 2.0, 3.0, 3.0, 3.0, 3.0, 3.0]
        assert clock.slept[8:] == [0.5, 1.0]
        assert max(clock.slept) == LONGEST_PAUSE_S
        assert told == clock.slept

    async def test_what_is_no_lost_link_is_not_tried_again(self) -> None:
        clock = FakeClock()

        @asynccontextmanager
        async def open_link() -> AsyncIterator[None]:
            yield

        async def work(_: None) -> None:
            raise DeviceError("no camera", remedy="plug it in")

        with pytest.raises(DeviceError):
            await Reconnector(clock).run(open_link, work)
        assert clock.slept == []

    async def test_cancelling_ends_it(self) -> None:
        @asynccontextmanager
        async def open_link() -> AsyncIterator[None]:
            yield

        async def work(_: None) -> None:
            await asyncio.Event().wait()

        task = asyncio.create_task(Reconnector(FakeClock()).run(open_link, work))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    async def test_cancelling_ends_it_where_the_way_out_meets_the_loss(self) -> None:
        """Told to end while the server goes: what stops the mount then has no link any more."""
        attempts = 0

        @asynccontextmanager
        async def open_link() -> AsyncIterator[None]:
            nonlocal attempts
            attempts += 1
            yield

        async def work(_: None) -> None:
            if attempts == 1:
                try:
                    await asyncio.Event().wait()
                except asyncio.CancelledError:
                    raise LinkError("gone while stopping the mount", remedy="wait") from None

        task = asyncio.create_task(Reconnector(FakeClock()).run(open_link, work))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert attempts == 1


def test_the_librarys_chatter_is_diverted_and_pythons_errors_are_not() -> None:
    """In a process of its own, as it changes the process for good."""
    program = (
        "import os, sys\n"
        "from polewright.adapters.indi.quiet import divert_library_chatter\n"
        "divert_library_chatter()\n"
        "os.write(2, b'chatter')\n"
        "print('kept', file=sys.stderr)\n"
        "raise SystemExit('ended')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
        env=dict(os.environ),
    )
    assert done.stderr == "kept\nended\n"
    assert done.returncode == 1
