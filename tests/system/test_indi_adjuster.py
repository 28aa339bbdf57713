"""The adjuster adapter against a fake adjuster with the faults that real ones show."""

import asyncio
from xml.etree.ElementTree import Element

import pytest

from polewright.adapters.indi.adjuster import IndiAdjuster
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.discovery import list_devices
from polewright.adapters.indi.search import find_showing
from polewright.core.errors import DeviceError
from tests.system.fake_indi_server import (
    ADJUSTER_NAME,
    FakeIndiServer,
    change,
    define,
    fake_server,
)

ADJUSTMENT = "PAC_MANUAL_ADJUSTMENT"


def definitions(*, connected: bool = True) -> str:
    on, off = ("On", "Off") if connected else ("Off", "On")
    return (
        define("Switch", ADJUSTER_NAME, "CONNECTION", {"CONNECT": on, "DISCONNECT": off})
        + define("Switch", ADJUSTER_NAME, "PAC_ABORT_MOTION", {"ABORT": "Off"})
        + define(
            "Number",
            ADJUSTER_NAME,
            ADJUSTMENT,
            {"MANUAL_AZ_STEP": 0, "MANUAL_ALT_STEP": 0},
            limits=(-10, 10),
        )
    )


def adjusted(state: str) -> str:
    return change(
        "Number",
        ADJUSTER_NAME,
        ADJUSTMENT,
        {"MANUAL_AZ_STEP": 0, "MANUAL_ALT_STEP": 0},
        state=state,
    )


def steps(server: FakeIndiServer) -> list[tuple[float, float]]:
    return [
        (float(command["MANUAL_AZ_STEP"]), float(command["MANUAL_ALT_STEP"]))
        for command in server.commands(ADJUSTMENT)
    ]


async def obedient(server: FakeIndiServer, element: Element) -> None:
    """Move for a moment, then stand."""
    if element.get("name") == ADJUSTMENT:
        await server.send(adjusted("Busy"))
        await server.send(adjusted("Ok"))


async def stubborn(server: FakeIndiServer, element: Element) -> None:
    """Move for ever, until told to stop."""
    if element.get("name") == ADJUSTMENT and steps(server)[-1] != (0.0, 0.0):
        await server.send(adjusted("Busy"))
    elif element.get("name") == "PAC_ABORT_MOTION":
        await server.send(adjusted("Idle"))


async def broken(server: FakeIndiServer, element: Element) -> None:
    """Refuse."""
    if element.get("name") == ADJUSTMENT:
        await server.send(adjusted("Alert"))


async def test_a_step_names_both_motors_and_is_cleared_behind_it() -> None:
    """A motor that is left out, or a re-read of the properties, may repeat the last step."""
    async with (
        fake_server(definitions(), obedient) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await IndiAdjuster(connection, ADJUSTER_NAME).step(0.25, 0.0)
        assert steps(server) == [(0.25, 0.0), (0.0, 0.0)]


async def test_a_step_that_is_refused_is_an_error() -> None:
    async with (
        fake_server(definitions(), broken) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(DeviceError) as caught:
            await IndiAdjuster(connection, ADJUSTER_NAME).step(0.25, -0.1)
    assert caught.value.code == "device_refused"


async def test_a_step_beyond_the_motors_range_is_not_sent() -> None:
    async with (
        fake_server(definitions(), obedient) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(DeviceError, match="-10 to 10 deg"):
            await IndiAdjuster(connection, ADJUSTER_NAME).step(0.0, 11.0)
        assert steps(server) == []


async def test_cancelling_a_step_stops_the_motors_and_clears_the_step() -> None:
    async with (
        fake_server(definitions(), stubborn) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        adjuster = IndiAdjuster(connection, ADJUSTER_NAME)
        step = asyncio.create_task(adjuster.step(1.0, 1.0))
        await connection.wait_for(ADJUSTER_NAME, ADJUSTMENT, lambda p: p.busy, 5.0)
        step.cancel()
        with pytest.raises(asyncio.CancelledError):
            await step
        state = connection.read(ADJUSTER_NAME, ADJUSTMENT)
        assert state is not None
        assert not state.busy
        await asyncio.sleep(0.1)
        assert server.commands("PAC_ABORT_MOTION") == [{"ABORT": "On"}]
        assert steps(server) == [(1.0, 1.0), (0.0, 0.0)]


async def test_the_motors_range_is_told() -> None:
    async with (
        fake_server(definitions(), obedient) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        adjuster = IndiAdjuster(connection, ADJUSTER_NAME)
        await adjuster.ensure_ready()
        assert adjuster.largest_step_deg == (10.0, 10.0)


class Deaf:
    """Goes on with its step after so many stops, until one more comes."""

    def __init__(self, times: int) -> None:
        self.times = times

    async def __call__(self, server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == ADJUSTMENT:
            await server.send(adjusted("Busy"))
            if steps(server)[-1] == (0.0, 0.0):
                await server.send(adjusted("Ok"))
        elif element.get("name") == "PAC_ABORT_MOTION":
            await server.send(adjusted("Idle"))
            if self.times > 0:
                self.times -= 1
                await asyncio.sleep(0.3)
                await server.send(adjusted("Busy"))


async def stopped_in_a_step(server: FakeIndiServer, connection: IndiConnection) -> DeviceError:
    """Stop from elsewhere while a step runs, and return how the step ended."""
    adjuster = IndiAdjuster(connection, ADJUSTER_NAME)
    step = asyncio.create_task(adjuster.step(1.0, 1.0))
    await connection.wait_for(ADJUSTER_NAME, ADJUSTMENT, lambda p: p.busy, 5.0)
    try:
        await adjuster.abort()
    finally:
        outcome = (await asyncio.gather(step, return_exceptions=True))[0]
    assert isinstance(outcome, DeviceError)
    return outcome


async def test_a_step_that_was_stopped_does_not_count_as_made() -> None:
    async with (
        fake_server(definitions(), Deaf(0)) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        assert (await stopped_in_a_step(server, connection)).code == "stopped"
        assert len(server.commands("PAC_ABORT_MOTION")) == 1


async def test_a_driver_that_goes_on_after_a_stop_is_stopped_again() -> None:
    async with (
        fake_server(definitions(), Deaf(1)) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await stopped_in_a_step(server, connection)
        assert len(server.commands("PAC_ABORT_MOTION")) == 2


async def test_a_driver_that_never_takes_a_stop_is_told_to_the_person() -> None:
    async with (
        fake_server(definitions(), Deaf(1000)) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(DeviceError) as caught:
            await stopped_in_a_step(server, connection)
    assert caught.value.code == "still_moving"
    assert "power" in caught.value.remedy


async def test_a_step_that_is_still_being_prepared_is_not_sent_after_a_stop() -> None:
    """The driver takes its time to connect; the stop is there before the step could go out."""
    asked, go_on = asyncio.Event(), asyncio.Event()

    async def slow_to_connect(server: FakeIndiServer, element: Element) -> None:
        if element.get("name") == "CONNECTION":
            asked.set()
            await go_on.wait()
            on = {"CONNECT": "On", "DISCONNECT": "Off"}
            await server.send(change("Switch", ADJUSTER_NAME, "CONNECTION", on, state="Ok"))
        else:
            await obedient(server, element)

    async with (
        fake_server(definitions(connected=False), slow_to_connect) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        adjuster = IndiAdjuster(connection, ADJUSTER_NAME)
        stepping = asyncio.create_task(adjuster.step(1.0, 1.0))
        await asked.wait()
        stopping = asyncio.create_task(adjuster.abort())
        await asyncio.sleep(0)
        go_on.set()
        with pytest.raises(DeviceError) as caught:
            await stepping
        await stopping
        assert caught.value.code == "stopped"
        assert (1.0, 1.0) not in steps(server)


async def vanishing(server: FakeIndiServer, element: Element) -> None:
    """Begin the step, then be gone."""
    if element.get("name") == ADJUSTMENT:
        await server.send(adjusted("Busy"))
        await server.send(f"<delProperty device='{ADJUSTER_NAME}'/>\n")


async def test_an_adjuster_that_vanishes_in_a_step_may_still_turn() -> None:
    async with (
        fake_server(definitions(), vanishing) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(DeviceError) as caught:
            await IndiAdjuster(connection, ADJUSTER_NAME).step(0.5, 0.0)
    assert caught.value.code == "device_gone"
    assert "may still turn" in caught.value.text
    assert "power" in caught.value.remedy


async def test_a_wait_that_begins_after_the_withdrawal_ends_at_once() -> None:
    """Motion and withdrawal may come in one packet: then nobody waited yet."""
    async with (
        fake_server(definitions(), vanishing) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await connection.wait_for(ADJUSTER_NAME, ADJUSTMENT, lambda p: True, 5.0)
        since = connection.send_numbers(ADJUSTER_NAME, ADJUSTMENT, {"MANUAL_AZ_STEP": 0.5})
        with pytest.raises(DeviceError):
            await connection.wait_for(ADJUSTER_NAME, ADJUSTMENT, lambda p: False, 2.0)
        assert connection.read(ADJUSTER_NAME, ADJUSTMENT) is None
        with pytest.raises(DeviceError) as caught:
            await connection.wait_for(
                ADJUSTER_NAME, ADJUSTMENT, lambda p: not p.busy, 30.0, since=since
            )
    assert caught.value.code == "device_gone"


def unconnected(device: str, interface: int) -> str:
    return define("Switch", device, "CONNECTION", {"CONNECT": "Off", "DISCONNECT": "On"}) + define(
        "Text", device, "DRIVER_INFO", {"DRIVER_EXEC": "x", "DRIVER_INTERFACE": interface}
    )


async def connecting(server: FakeIndiServer, element: Element) -> None:
    """Connect whatever is asked for; only the adjuster then shows the motors."""
    device = element.get("device", "")
    if element.get("name") == "CONNECTION":
        on = any(e.get("name") == "CONNECT" and (e.text or "").strip() == "On" for e in element)
        switch = {"CONNECT": "On" if on else "Off", "DISCONNECT": "Off" if on else "On"}
        await server.send(change("Switch", device, "CONNECTION", switch, state="Ok"))
        if on and device == ADJUSTER_NAME:
            await server.send(
                define("Number", device, ADJUSTMENT, {"MANUAL_AZ_STEP": 0, "MANUAL_ALT_STEP": 0})
            )


async def test_an_adjuster_that_nobody_named_is_found_by_connecting_what_it_may_be() -> None:
    """Focusers and power boxes are left alone; what is no adjuster is disconnected again."""
    devices = (
        unconnected("Focus", 1 << 3)
        + unconnected("Power", 1 << 18)
        + unconnected("Dew", 1 << 15)
        + unconnected(ADJUSTER_NAME, 1 << 15)
    )
    async with (
        fake_server(devices, connecting) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        await list_devices(connection)
        assert await find_showing(connection, ADJUSTMENT, "adjuster") == ADJUSTER_NAME
        asked = [(e.get("device"), e[0].get("name"), (e[0].text or "").strip())
                 for e in server.received if e.get("name") == "CONNECTION"]  # fmt: skip
    assert {device for device, _, _ in asked} == {"Dew", ADJUSTER_NAME}
    assert len([device for device, _, _ in asked if device == "Dew"]) == 2
