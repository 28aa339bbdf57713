"""The page of many mounts in a real browser, at the width of a phone: the worst first, in words."""

import contextlib
import statistics
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import pytest_asyncio
from playwright.async_api import Browser

from polewright.adapters.web.fleet_page import FleetPage
from polewright.session.fleet import FleetView, fleet_figures
from polewright.settings.model import Settings
from tests.browser.stage import (
    BRIGHTEST_LUMINANCE,
    PHONE,
    TABLET_ON_ITS_SIDE,
    chromium,
    needs_chromium,
    screen,
)

pytestmark = [pytest.mark.browser, needs_chromium, pytest.mark.asyncio(loop_scope="module")]

# It is drawn once a second: most of them must take a part of that, also beside a busy suite.
LONGEST_DRAWING_MS = 500.0


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with chromium() as running:
        yield running


def told(view: FleetView, mount: str, state: str, **more: Any) -> None:
    view.take(mount, "availability", "online", retained=True)
    view.take(mount, "state", {"at": now(), "state": state, **more}, retained=True)
    view.take(mount, "health", {"at": now()}, retained=True)


def now(ago_s: float = 0.0) -> str:
    return (datetime.now(UTC) - timedelta(seconds=ago_s)).isoformat()


def survey(
    view: FleetView, mount: str, verdict: str, error: float, sigma: float = 0.1, ago_s: float = 60.0
) -> None:
    message = {
        "at": now(ago_s), "verdict": verdict, "total_error_arcmin": error,
        "total_error_sigma_arcmin": sigma, "tolerance_arcmin": 1.0,
    }  # fmt: skip
    view.take(mount, "survey", message, retained=True)


def star_party() -> FleetView:
    """An evening on Thornveld Terrace: eight mounts, some of which need somebody."""
    view = FleetView()
    told(
        view, "oryx", "blocked", reason="the camera does not answer any more",
        remedy="See to its cable; the service connects again by itself.",
    )  # fmt: skip
    survey(view, "oryx", "not_yet", 6.4, ago_s=500.0)
    told(view, "kudu", "watching")
    survey(view, "kudu", "good_enough", 0.41, ago_s=5400.0)
    alarm = {
        "noticed": now(200.0), "size_arcmin": 3.2, "altitude_move_sigma_arcmin": 0.3,
        "words": "the field jumped along declination, and the mount was not sent",
    }  # fmt: skip
    view.take("kudu", "watch", {"at": now(100.0), "alarms": [alarm]}, retained=True)
    told(view, "eland", "idle")
    view.take("eland", "health", {"at": now(250.0)}, retained=True)
    view.take("eland", "state", {"at": now(300.0), "state": "idle"}, retained=True)
    survey(view, "eland", "good_enough", 0.5, ago_s=400.0)
    view._mounts["eland"].heard_s = view._monotonic() - 250.0
    told(view, "gemsbok", "adjusting")
    live = {
        "at": now(), "verdict": "not_yet", "total_error_arcmin": 14.2, "live": True,
        "total_error_sigma_arcmin": 0.6, "tolerance_arcmin": 1.0, "valid_s": 600.0,
    }  # fmt: skip
    view.take("gemsbok", "correction", live, retained=False)
    for mount, error in (("nyala", 0.31), ("sable", 0.62), ("bushbuck", 0.18)):
        told(view, mount, "idle")
        survey(view, mount, "good_enough", error, ago_s=1500.0)
    view.take("klipspringer", "availability", "offline", retained=True)
    return view


@contextlib.asynccontextmanager
async def serving(view: FleetView) -> AsyncIterator[FleetPage]:
    page = FleetPage(Settings(), lambda: fleet_figures(view), port=0, where="127.0.0.1:1883")
    async with page.serving():
        yield page


async def test_who_needs_somebody_stands_first_with_why_and_what_to_do(browser: Browser) -> None:
    view = star_party()
    async with serving(view) as page, screen(browser, page.address, PHONE) as seen:
        await seen.until("#counts", "8 mounts: 1 blocked, 1 axis moved, 1 quiet, 1 not yet")
        names = await seen.page.locator(".name").all_inner_texts()
        assert names[:4] == ["oryx", "kudu", "eland", "gemsbok"]
        words = await seen.page.locator(".standing").all_text_contents()
        assert words[:4] == ["blocked", "axis moved", "quiet", "not yet"]
        await seen.until("li:nth-child(1) .remedy", "see to its cable")
        await seen.until("li:nth-child(3) .why", "last heard 4 min ago")
        await seen.until("li:nth-child(4) .figures", "off by 14.2 arcmin ± 1.2 arcmin")
        assert await seen.violations() == []
        assert await seen.brightest() < BRIGHTEST_LUMINANCE
        assert await seen.page.evaluate("document.body.scrollWidth <= innerWidth")
        await seen.keep("fleet")
        told(view, "oryx", "idle")
        await seen.until("li:nth-child(1) .name", "kudu")
        view.lose("No MQTT broker answers at 127.0.0.1:1883")
        await seen.until("#freshness", "old: no broker")
        await seen.until("#trouble-reason", "no mqtt broker answers")
        assert len(await seen.page.locator("#mounts li").all()) == 8
        await seen.page.click("#light")
        assert await seen.page.locator("#light").get_attribute("aria-label") == "Light: red"


async def test_two_hundred_mounts_are_drawn_in_a_moment(browser: Browser) -> None:
    view = star_party()
    for number in range(192):
        told(view, f"m{number}", "adjusting")
        survey(view, f"m{number}", "not_yet", 1.5 + 0.1 * number)
    async with serving(view) as page, screen(browser, page.address, TABLET_ON_ITS_SIDE) as seen:
        await seen.until("#counts", "200 mounts")
        await seen.page.wait_for_timeout(2500)
        took = await seen.page.evaluate(
            "performance.getEntriesByName('fleet').map((one) => one.duration)"
        )
        assert took, "nothing was measured"
        print(f"drawn in {took[0]:.0f} ms at first, {statistics.median(took):.0f} ms mostly")
        # Not the slowest: other tests may have the processor for a second.
        assert statistics.median(took) < LONGEST_DRAWING_MS
        await seen.keep("fleet-200")


async def test_whoever_comes_from_elsewhere_needs_the_token_and_can_ask_for_nothing(
    browser: Browser, tmp_path: Any
) -> None:
    settings = Settings.model_validate({"page": {"token_file": tmp_path / "tokens.txt"}})
    view = star_party()
    page = FleetPage(settings, lambda: fleet_figures(view), port=0, where="here")
    async with page.serving(), screen(browser, page.address) as seen:
        await seen.until("#trouble-reason", "not let in")
        assert await seen.text("#counts") == ""
        await seen.page.fill("#enter-link", page.link)
        await seen.page.click("#enter button")
        await seen.until("#counts", "8 mounts")
        assert "token" not in seen.page.url
        assert await seen.page.locator("button").count() == 2
