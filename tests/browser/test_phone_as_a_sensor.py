"""A phone's orientation events in a real browser, through the page to the service's record."""

import asyncio
import json
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio
from playwright.async_api import Browser, Page

from polewright.adapters.web.access import Role
from polewright.app.clock import HostClock
from polewright.core.axis.attitude_sensor import SCREEN, TOP_EDGE
from polewright.core.axis.device_orientation import earth_from_device
from polewright.ports import SensorHold, SensorReading
from polewright.session.phases import Phase
from polewright.session.sensing import SensorTeller
from tests.browser.stage import (
    BRIGHTEST_LUMINANCE,
    PHONE,
    TABLET,
    Stage,
    chromium,
    needs_chromium,
    screen,
)

pytestmark = [pytest.mark.browser, needs_chromium, pytest.mark.asyncio(loop_scope="module")]

RECORDINGS = Path(__file__).with_name("recordings")
NAMES = ("along", "square")
# What scatter and rounding leave of a recording's own figures.
_SEEN_DEG = 0.1

# Plays a recording as a phone would: each event at its own time, then the last ones for ever.
PLAYER = """
window.play = (events) => {
  let next = 0;
  const begun = performance.now() - events[0].t;
  clearInterval(window.playing);
  window.playing = setInterval(() => {
    while (next < events.length && events[next].t <= performance.now() - begun) {
      const { type, gravity, heading, accuracy, ...angles } = events[next++];
      const event = type === "devicemotion"
        ? new DeviceMotionEvent(type, { accelerationIncludingGravity:
            { x: gravity[0], y: gravity[1], z: gravity[2] } })
        : new DeviceOrientationEvent(type, angles);
      if (heading !== undefined) {
        Object.defineProperty(event, "webkitCompassHeading", { value: heading });
        Object.defineProperty(event, "webkitCompassAccuracy", { value: accuracy });
      }
      dispatchEvent(event);
    }
    if (next === events.length) {
      next = events.length - 10;
      const shift = 20 + events.at(-1).t - events[next].t;
      for (let i = next; i < events.length; i++)
        events[i] = { ...events[i], t: events[i].t + shift };
    }
  }, 10);
};
for (const one of [DeviceOrientationEvent, DeviceMotionEvent]) {
  one.requestPermission = async () => { window.asked = (window.asked ?? 0) + 1;
    return window.answer ?? "granted"; };
}
"""
HIDE = """(hidden) => {
Object.defineProperty(document, 'hidden', { value: hidden, configurable: true });
document.dispatchEvent(new Event('visibilitychange')); }"""


def recording(name: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    lines = (RECORDINGS / f"{name}.jsonl").read_text("utf-8").splitlines()
    head, *events = map(json.loads, lines)
    assert head["format"] == "orientation events 1"
    return head, events


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with chromium() as running:
        yield running


@asynccontextmanager
async def listening(**page_settings: Any) -> AsyncIterator[Stage]:
    """A stage whose service tells what the sensor says."""
    async with Stage(**page_settings).running() as stage:
        stage.state(Phase.IDLE, step="ready")
        teller = SensorTeller(stage.publisher, HostClock(), stage.served.phone)
        telling = asyncio.create_task(teller.run())
        try:
            yield stage
        finally:
            telling.cancel()
            await asyncio.gather(telling, return_exceptions=True)


async def record(stage: Stage, *, still: bool = True) -> SensorReading:
    """The service's own record, once it is still."""
    async with asyncio.timeout(20.0):
        while True:
            reading = stage.served.phone.reading
            if reading is not None and reading.orientation.still is still:
                return reading
            await asyncio.sleep(0.05)


async def silence(stage: Stage) -> None:
    async with asyncio.timeout(8.0):
        while stage.served.phone.reading is not None:  # noqa: ASYNC110
            await asyncio.sleep(0.05)


async def begin(page: Page, name: str) -> dict[str, Any]:
    head, events = recording(name)
    button = {"along": "top edge to the pole", "square": "screen to the pole"}[head["hold"]]
    await page.get_by_role("button", name=button).click()
    await page.click("#phone-run")
    await page.evaluate("(events) => window.play(events)", events)
    return head


@pytest.mark.parametrize("name", NAMES)
async def test_a_recording_is_consistent_with_itself(name: str):
    """Weight and angles of one phone agree: up is the third row of its rotation."""
    _, events = recording(name)
    weight = None
    compared = 0
    for event in events[-120:]:
        if event["type"] == "devicemotion":
            weight = np.array(event["gravity"])
        elif weight is not None:
            up = earth_from_device(event["alpha"], event["beta"], event["gamma"])[2]
            cosine = abs(float(weight @ up)) / float(np.linalg.norm(weight))
            assert math.degrees(math.acos(min(cosine, 1.0))) < 0.4
            compared += 1
    assert compared > 60


@pytest.mark.parametrize("name", NAMES)
async def test_events_of_a_phone_become_a_record_of_the_service_and_are_shown(
    browser: Browser, name: str
):
    async with listening() as stage, screen(browser, stage.url, PHONE, script=PLAYER) as seen:
        await seen.until("#freshness", "connected")
        await seen.show("phone")
        assert await seen.text("#phone-state") == "NOT STREAMING"
        head = await begin(seen.page, name)
        await seen.until("#phone-state", "moving")
        reading = await record(stage)
        axis = {SensorHold.ALONG: TOP_EDGE, SensorHold.SQUARE: SCREEN}[reading.hold]
        assert reading.hold == head["hold"]
        said = reading.orientation
        assert math.degrees(said.altitude_rad(axis)) == pytest.approx(
            head["altitude_deg"], abs=_SEEN_DEG
        )
        azimuth = said.magnetic_azimuth_rad(axis)
        assert azimuth is not None
        assert math.degrees(azimuth) == pytest.approx(head["magnetic_azimuth_deg"], abs=_SEEN_DEG)
        assert 8.0 < said.rate_hz <= 25.0
        assert said.accuracy_deg == (12.0 if name == "square" else None)
        # The page shows what has come back from the service.
        await seen.until("#phone-state", "still")
        await seen.until("#phone-altitude", f"{head['altitude_deg']:.1f} ± 0.3 deg")
        await seen.until("#phone-compass", "good to 12" if name == "square" else "does not say")
        assert await seen.page.evaluate("window.asked") == 2
        assert await seen.brightest() < BRIGHTEST_LUMINANCE
        assert await seen.violations() == []
        await seen.keep(f"phone-{name}")
        await seen.page.click("#phone-run")
        await silence(stage)
        await seen.until("#phone-state", "not streaming")


async def test_a_streaming_phone_can_be_adjusted_by_and_laid_on_the_sun(browser: Browser):
    async with listening() as stage, screen(browser, stage.url, PHONE, script=PLAYER) as seen:
        await seen.until("#freshness", "connected")
        await seen.show("phone")
        assert await seen.page.is_disabled("#phone-adjust")
        assert "Never look at the Sun" in await seen.page.inner_text("#view-phone")
        await begin(seen.page, "along")
        await record(stage)
        await seen.until("#phone-state", "still")
        await seen.page.click("#phone-sun")
        await asked(stage, "sensor_on_sun")
        await seen.page.click("#phone-adjust")
        await asked(stage, "adjust")
        assert await seen.page.is_visible("#verdict")
    assert [(verb, arguments) for verb, arguments in stage.asked] == [
        ("sensor_on_sun", {"side": "top"}),
        ("adjust", {"by": "sensor"}),
    ]


async def asked(stage: Stage, verb: str) -> None:
    async with asyncio.timeout(8.0):
        while verb not in [name for name, _ in stage.asked]:  # noqa: ASYNC110
            await asyncio.sleep(0.05)


async def test_a_hidden_page_streams_nothing_and_goes_on_only_when_asked(browser: Browser):
    async with listening() as stage, screen(browser, stage.url, script=PLAYER) as seen:
        await seen.until("#freshness", "connected")
        await seen.show("phone")
        await begin(seen.page, "along")
        await record(stage)
        await seen.page.evaluate(HIDE, True)
        await silence(stage)
        await seen.page.evaluate(HIDE, False)
        await seen.until("#phone-words", "since the page was hidden")
        await asyncio.sleep(0.8)
        assert stage.served.phone.reading is None
        await seen.page.click("#phone-run")
        await record(stage)


async def test_a_browser_that_refuses_or_has_no_sensor_says_what_to_do(browser: Browser):
    async with listening() as stage, screen(browser, stage.url, script=PLAYER) as seen:
        await seen.until("#freshness", "connected")
        await seen.show("phone")
        await seen.page.evaluate("window.answer = 'denied'")
        await seen.page.click("#phone-run")
        await seen.until("#phone-words", "refused: the browser gives this page no sensor")
        assert await seen.text("#phone-run") == "Begin the stream"
        await seen.page.evaluate("window.answer = 'granted'")
        await seen.page.click("#phone-run")
        # Nothing plays: a computer without sensors.
        await seen.until("#phone-words", "no event comes")
        assert stage.served.phone.reading is None


async def test_without_https_the_page_says_how_to_get_it(browser: Browser):
    insecure = PLAYER + "Object.defineProperty(window, 'isSecureContext', { value: false });"
    async with listening() as stage, screen(browser, stage.url, script=insecure) as seen:
        await seen.until("#freshness", "connected")
        await seen.show("phone")
        await seen.page.click("#phone-run")
        await seen.until("#phone-words", "polewright page --make-certificate")


async def test_the_phone_that_began_last_is_listened_to(browser: Browser):
    async with (
        listening() as stage,
        screen(browser, stage.url, script=PLAYER) as first,
        screen(browser, stage.url, TABLET, script=PLAYER) as second,
    ):
        for seen in (first, second):
            await seen.until("#freshness", "connected")
            await seen.show("phone")
        await begin(first.page, "along")
        await record(stage)
        await begin(second.page, "square")
        await first.until("#phone-words", "another phone streams now")
        assert (await record(stage)).hold is SensorHold.SQUARE


async def test_an_onlooker_cannot_stream(browser: Browser, tmp_path: Path):
    async with listening(token_file=str(tmp_path / "tokens.txt")) as stage:
        link = stage.served.link(Role.LOOK)
        assert link is not None
        async with screen(browser, link, script=PLAYER) as seen:
            await seen.until("#freshness", "connected")
            await seen.show("phone")
            assert await seen.page.locator("#phone-run").is_disabled()
