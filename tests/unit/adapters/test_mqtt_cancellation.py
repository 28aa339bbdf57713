"""Cancelling ends a loop around the MQTT client even where the client swallows the cancellation."""

import asyncio

import pytest

from polewright.adapters.mqtt.connection import heeding_cancellation


async def swallow() -> str:
    """Behave like asyncio.wait_for before Python 3.12 when a result and a cancellation meet."""
    try:
        await asyncio.sleep(60)
    except asyncio.CancelledError:
        return "result"
    return "late"


async def test_a_swallowed_cancellation_is_heeded() -> None:
    task = asyncio.create_task(heeding_cancellation(swallow()))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_a_call_made_after_a_cancellation_still_works() -> None:
    async def last_words() -> str:
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            return await heeding_cancellation(asyncio.sleep(0, "said"))
        return "never"

    task = asyncio.create_task(last_words())
    await asyncio.sleep(0)
    task.cancel()
    assert await task == "said"
