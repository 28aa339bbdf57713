"""A subscription that is read late, or never: bounded, and what matters is still there."""

import asyncio
import logging

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.indi import event_stream
from polewright.adapters.indi.event_stream import MOST_FRAMES_WAITING, MOST_WAITING, EventStream
from polewright.adapters.indi.snapshot import (
    BlobSnapshot,
    ConnectionEnded,
    DeviceMessage,
    DeviceRemoved,
    PropertyKind,
    PropertyRemoved,
    PropertySnapshot,
    PropertyState,
)
from polewright.core.errors import LinkError


def position(serial):
    return PropertySnapshot(
        device="Kudu", name="EQUATORIAL_EOD_COORD", kind=PropertyKind.NUMBER,
        state=PropertyState.OK, serial=serial,
    )  # fmt: skip


def frame(serial):
    return BlobSnapshot(
        device="Hoopoe", name="CCD1", element="CCD1", format=".fits", data=b"0" * 100,
        declared_size=100, serial=serial,
    )  # fmt: skip


def read_all(stream):
    """Read what waits: that never suspends, so no loop is needed."""
    events = []
    while len(stream):
        with pytest.raises(StopIteration) as read:
            anext(stream).send(None)
        events.append(read.value.value)
    return events


def alive():
    """Do nothing: the connection lives."""


def test_a_stream_that_nobody_reads_keeps_the_newest_and_says_so_once(caplog):
    stream = EventStream(alive)
    with caplog.at_level(logging.WARNING):
        for serial in range(3 * MOST_WAITING):
            stream.put(position(serial))
    assert len(stream) == MOST_WAITING
    assert stream.dropped == 2 * MOST_WAITING
    serials = [event.serial for event in read_all(stream)]
    assert serials == list(range(2 * MOST_WAITING, 3 * MOST_WAITING))
    assert [record.levelname for record in caplog.records] == ["WARNING"]


def test_what_was_withdrawn_before_a_flood_is_found_after_it():
    stream = EventStream(alive)
    stream.put(PropertyRemoved(device="Kudu", name="CONNECTION", serial=1))
    stream.put(DeviceRemoved(device="Kudu", serial=2))
    for serial in range(3, 3 + 2 * MOST_WAITING):
        stream.put(DeviceMessage(device="Kudu", text="[INFO] here I am", serial=serial))
    first, second, *_ = read_all(stream)
    assert (first.serial, second.serial) == (1, 2)
    assert len(stream) == 0


def test_of_frames_only_the_latest_wait():
    stream = EventStream(alive)
    for serial in range(10):
        stream.put(frame(serial))
        stream.put(position(100 + serial))
    events = read_all(stream)
    frames = [event.serial for event in events if isinstance(event, BlobSnapshot)]
    assert frames == list(range(10 - MOST_FRAMES_WAITING, 10))
    assert sum(isinstance(event, PropertySnapshot) for event in events) == 10
    # Read ones no longer count.
    for serial in range(MOST_FRAMES_WAITING):
        stream.put(frame(serial))
    assert len(stream) == MOST_FRAMES_WAITING


@given(st.lists(st.sampled_from("pfwd"), max_size=120))
def test_whatever_comes_the_bound_holds_and_order_is_kept(kinds):
    make = {
        "p": position, "f": frame,
        "w": lambda serial: PropertyRemoved(device="Kudu", name="A", serial=serial),
        "d": lambda serial: DeviceRemoved(device="Kudu", serial=serial),
    }  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(event_stream, "MOST_WAITING", 20)
        stream = EventStream(alive)
        for serial, kind in enumerate(kinds):
            stream.put(make[kind](serial))
            assert len(stream) <= 20
        events = read_all(stream)
    serials = [event.serial for event in events]
    assert serials == sorted(serials)
    assert len(events) + stream.dropped == len(kinds)
    withdrawn = [n for n, kind in enumerate(kinds) if kind in "wd"]
    kept = [
        event.serial for event in events if not isinstance(event, PropertySnapshot | BlobSnapshot)
    ]
    assert kept == withdrawn[-20:]


def test_a_reader_that_waits_gets_what_comes_and_the_end_of_the_connection():
    async def follow():
        lost = []

        def ensure_alive():
            if lost:
                raise LinkError("lost", remedy="connect again")

        stream = EventStream(ensure_alive)
        reader = asyncio.create_task(anext(stream))
        await asyncio.sleep(0)
        stream.put(position(7))
        assert (await reader).serial == 7
        reader = asyncio.create_task(anext(stream))
        await asyncio.sleep(0)
        lost.append(True)
        stream.put(ConnectionEnded(reason="the server closed the connection"))
        with pytest.raises(LinkError):
            await reader
        with pytest.raises(LinkError):
            await anext(stream)

    asyncio.run(follow())
