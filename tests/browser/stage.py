"""A real browser, and a page on a stage: real server, real messages, no sky behind it."""

import asyncio
import contextlib
import io
import math
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.async_api import Browser, BrowserContext, Page, async_playwright

from polewright.adapters.mqtt.command_desk import CommandDesk
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.topics import MountTopics
from polewright.adapters.web.past import Archive
from polewright.adapters.web.server import Page as ServedPage
from polewright.app.page import PageCommands
from polewright.core.axis.correction import correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.knobs import KnobAdvice, turn_words
from polewright.core.errors import PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.imaging.frame import Frame
from polewright.session.messages import correction_message, state_message, survey_message
from polewright.session.phases import Phase
from polewright.settings.model import Settings

CHROMIUM = Path("/usr/bin/chromium")
needs_chromium = pytest.mark.skipif(not CHROMIUM.exists(), reason="Debian's chromium is missing")

PHONE = {"width": 390, "height": 844}
SMALL_PHONE = {"width": 360, "height": 740}
TABLET = {"width": 820, "height": 1180}
TABLET_ON_ITS_SIDE = {"width": 1180, "height": 820}

# Deep red (255, 0, 0) has a relative luminance of 0.21; white 1.0.  JPEG may add a little.
BRIGHTEST_LUMINANCE = 0.26
# Where a person keeps the pictures of the documentation: set to make them anew.
PICTURES = os.environ.get("POLEWRIGHT_PICTURES")
IMAGES = Path(__file__).parents[2] / "docs" / "images"

_SEEN_S = 8.0
_AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
_TARGET = np.array([0.0, -math.cos(math.radians(32.4)), math.sin(math.radians(32.4))])
_SITE_NORTH = np.array([0.0, math.cos(math.radians(47.0)), math.sin(math.radians(47.0))])


@asynccontextmanager
async def chromium(*further: str) -> AsyncIterator[Browser]:
    """Run Debian's browser, with further arguments."""
    async with async_playwright() as playwright:
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = await playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=[*arguments, "--mute-audio", *further]
        )
        try:
            yield browser
        finally:
            await browser.close()


@dataclass
class Screen:
    """One open page, and everything that went wrong in it."""

    page: Page
    context: BrowserContext
    complaints: list[str] = field(default_factory=list)

    async def text(self, selector: str) -> str:
        return (await self.page.locator(selector).first.inner_text()).strip()

    async def until(self, selector: str, wanted: str, timeout_s: float = _SEEN_S) -> None:
        """Wait until a part of the page says this (a strict CSP forbids the browser's own way)."""
        seen = ""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                # A person looks again and again, too.
                while wanted.lower() not in (seen := await self.text(selector)).lower():  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
                return
        pytest.fail(f"{selector} says {seen!r} and never {wanted!r}")

    async def show(self, view: str) -> None:
        await self.page.click("#open-view")
        await self.page.click(f"[data-view={view}]")

    async def violations(self) -> list[str]:
        """What the accessibility rules find (axe, WCAG 2.2 A and AA and best practices)."""
        if not await self.page.evaluate("Boolean(window.axe)"):
            await self.page.evaluate(_AXE)
        # All rules are run; only what they find is worked out, not what is in order.
        found = await self.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        return [
            f"{one['id']}: {node['html'][:120]} {node.get('failureSummary', '')[:200]}"
            for one in found["violations"]
            for node in one["nodes"]
        ]

    async def brightest(self) -> float:
        """Relative luminance of the brightest pixel that is shown now."""
        return luminance(await self.page.screenshot())

    async def keep(self, name: str) -> None:
        """Keep the picture for the documentation, where that is asked for."""
        if PICTURES:
            await self.page.screenshot(path=IMAGES / f"page-{name}.png")


@asynccontextmanager
async def screen(
    browser: Browser, url: str, size: dict[str, int] = PHONE, *, script: str = ""
) -> AsyncIterator[Screen]:
    """Open the page; everything the browser complains about fails the test."""
    context = await browser.new_context(
        viewport=size, device_scale_factor=1, color_scheme="dark", has_touch=True
    )
    if script:
        await context.add_init_script(script)
    page = await context.new_page()
    seen = Screen(page, context)
    page.on("console", lambda told: seen.complaints.append(f"{told.type}: {told.text}"))
    page.on("pageerror", lambda error: seen.complaints.append(f"error: {error}"))
    try:
        await page.goto(url)
        yield seen
    finally:
        await context.close()
    assert seen.complaints == []


def luminance(picture: bytes) -> float:
    """Return the relative luminance (WCAG 2) of a picture's brightest pixel."""
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"), dtype=float) / 255.0
    linear = np.where(pixels <= 0.04045, pixels / 12.92, ((pixels + 0.055) / 1.055) ** 2.4)
    return float((linear @ np.array([0.2126, 0.7152, 0.0722])).max())


class Stage:
    """A page served in this process; the test says what the service would.

    ``asked`` holds the commands that came through; ``results`` what answers to verbs say;
    ``refused`` the answers to verbs that
    are not taken; ``deaf``: none is answered; ``archive``: earlier evenings, where there are any.
    """

    def __init__(self, *, archive: Archive | None = None, **page_settings: Any) -> None:
        settings = Settings.model_validate(
            {
                "mount": {"slug": "kudu"},
                "site": {"name": "Thornveld Terrace"},
                "page": {"port": 0} | page_settings,
            }
        )
        self.publisher = MqttPublisher(MountTopics.of(settings))
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.refused: dict[str, PolewrightError] = {}
        self.results: dict[str, dict[str, Any]] = {}
        self.deaf = False
        self.frame: Frame | None = None
        desk = CommandDesk(self.publisher, self._obey, instance="stage")
        self.commands = PageCommands(desk)
        self.served = ServedPage(settings, self.commands.take, lambda: self.frame, archive=archive)
        self.publisher.tell_also(self.served.feed.hear)

    async def _obey(
        self, verb: str, arguments: dict[str, Any], _reply: Callable[[dict[str, Any]], None]
    ) -> dict[str, Any]:
        self.asked.append((verb, arguments))
        if self.deaf:
            await asyncio.Event().wait()
        if verb in self.refused:
            raise self.refused[verb]
        if verb in self.results:
            return self.results[verb]
        if verb == "confirm_solar_filter":
            return arguments
        return {"stopped": True} if verb == "stop" else {}

    @asynccontextmanager
    async def running(self) -> AsyncIterator["Stage"]:
        async with self.served.serving():
            obeying = asyncio.create_task(self.commands.run())
            try:
                yield self
            finally:
                obeying.cancel()
                await asyncio.gather(obeying, return_exceptions=True)

    @property
    def url(self) -> str:
        return self.served.address

    def state(self, phase: Phase = Phase.IDLE, *, ago_s: float = 0.0, **more: Any) -> None:
        message = state_message(phase, datetime.now(UTC) - timedelta(seconds=ago_s), **more)
        self.publisher.publish("state", message, retain=True)

    def survey(
        self, altitude_arcmin: float, azimuth_arcmin: float, sigma_arcmin: float, **more: Any
    ) -> None:
        found = _found(altitude_arcmin, azimuth_arcmin, sigma_arcmin, _TARGET)
        residuals = np.array([[1.2, 0.4, -0.9], [-2.0, 1.1, 0.2], [0.7, -1.6, 0.8]])
        estimate = AxisEstimate(
            axis_enu=_axis(altitude_arcmin, azimuth_arcmin, _TARGET),
            covariance_rad2=np.eye(2) * (sigma_arcmin * ARCMIN_RAD) ** 2,
            chi2=3.1,
            degrees_of_freedom=6,
            residuals_arcsec=residuals,
            turn_angles_rad=np.radians([0.0, 22.5, 45.0]),
            axis_camera=np.array([1.0, 0.0, 0.0]),
            axis_camera_covariance_rad2=np.eye(3) * 1e-10,
            instant=datetime.now(UTC),
            labels=("frame 1", "frame 2", "frame 3"),
        )
        message = survey_message(estimate, found, "refracted") | more
        self.publisher.publish("survey", message, retain=True)

    def correction(
        self,
        altitude_arcmin: float,
        azimuth_arcmin: float,
        sigma_arcmin: float = 0.1,
        *,
        sequence: int = 1,
        live: bool = True,
        turns: tuple[float, float] | None = None,
        north: bool = False,
        valid_s: float | None = None,
    ) -> None:
        target = _SITE_NORTH if north else _TARGET
        message = correction_message(
            _found(altitude_arcmin, azimuth_arcmin, sigma_arcmin, target),
            sequence=sequence,
            live=live,
            frame_age_s=0.4,
            latency_ms=9.0,
            altitude_knob=_advice(turns[0]) if turns else None,
            azimuth_knob=_advice(turns[1]) if turns else None,
        )
        self.publisher.publish("correction", message | {"valid_s": valid_s}, retain=True)

    def health(
        self, *, camera: str | None, adjuster: str | None = None, motors: bool = False
    ) -> None:
        link = {"connected": True, "connections": 1, "protocol": "5", "echo": "passed"}
        devices = {"camera": camera, "mount": "Kudu", "adjuster": adjuster}
        message = {
            "uptime_s": 60.0,
            "indi": {"connected": True, "problem": None} | devices,
            "broker": link | {"dropped_messages": 0, "dropped_commands": 0, "problem": None},
            "clock": {"disciplined": True, "correction_s": 0.0},
            "page": {"served": True, "problem": None, "offers_motors": motors},
            "journal_problem": None,
            "journal_set_aside": None,
            "disk_free_mb": 1000,
            "temperatures_c": {},
            "versions": {"polewright": "0.1.0", "contract": 1, "python": "3.11"},
        }
        self.publisher.publish("health", message, retain=True)


def _advice(turns: float) -> KnobAdvice:
    return KnobAdvice(steps_turns=(turns,), turns=turns, sigma_turns=0.02, words=turn_words(turns))


def _axis(altitude_arcmin: float, azimuth_arcmin: float, target: Any) -> Any:
    altitude = math.asin(target[2]) + altitude_arcmin * ARCMIN_RAD
    azimuth = math.atan2(target[0], target[1]) + azimuth_arcmin * ARCMIN_RAD
    return np.array(
        [
            math.cos(altitude) * math.sin(azimuth),
            math.cos(altitude) * math.cos(azimuth),
            math.sin(altitude),
        ]
    )


def _found(altitude_arcmin: float, azimuth_arcmin: float, sigma_arcmin: float, target: Any) -> Any:
    return correct(
        _axis(altitude_arcmin, azimuth_arcmin, target),
        np.eye(2) * (sigma_arcmin * ARCMIN_RAD) ** 2,
        target,
        tolerance_rad=1.0 * ARCMIN_RAD,
    )
