"""Cancelling ends a loop around the MQTT client even where the client swallows the cancellation."""

import asyncio

import pytest

from polewright.adapters.mqtt.connection import heeding_cancellation
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import LinkError
from polewright.settings.model import Settings


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


async def test_a_service_that_is_cancelled_as_its_broker_goes_ends() -> None:
    """Before Python 3.13 the task group's error would hide the cancellation."""
    hears = asyncio.Event()

    class Losing(MqttService):
        async def _connect_once(self, command_tasks: asyncio.TaskGroup) -> None:
            async def voice() -> None:
                try:
                    hears.set()
                    await asyncio.sleep(60.0)
                finally:
                    raise LinkError("the broker went", remedy="Wait.")

            try:
                async with asyncio.TaskGroup() as tasks:
                    tasks.create_task(voice())
            except* LinkError as group:
                raise group.exceptions[0] from None

    async def obey(*_: object) -> dict[str, object]:
        return {}

    settings = Settings()
    running = asyncio.create_task(
        Losing(settings, MqttPublisher(MountTopics.of(settings)), obey).run()
    )
    await hears.wait()
    running.cancel()
    done, _ = await asyncio.wait([running], timeout=5.0)
    assert done
    assert running.cancelled()
