"""The adjuster adapter against a fake adjuster with the faults that real ones show."""

import asyncio
from xml.etree.ElementTree import Element

import pytest

from polewright.adapters.indi.adjuster import IndiAdjuster
from polewright.adapters.indi.connection import IndiConnection
from polewright.core.errors import DeviceError
from tests.system.fake_indi_server import (
    ADJUSTER_NAME,
    FakeIndiServer,
    change,
    define,
    fake_server,
)

ADJUSTMENT = "PAC_MANUAL_ADJUSTMENT"


def definitions() -> str:
    return (
        define("Switch", ADJUSTER_NAME, "CONNECTION", {"CONNECT": "On", "DISCONNECT": "Off"})
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
