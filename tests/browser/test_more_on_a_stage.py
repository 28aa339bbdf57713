"""What is behind the page's one further door: each form sends what it says, and asks before."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import pytest_asyncio
from playwright.async_api import Browser

from polewright.core.errors import SafetyError
from polewright.session.phases import Phase
from tests.browser.stage import BRIGHTEST_LUMINANCE, Screen, Stage, chromium, needs_chromium, screen

_SENT_S = 8.0

pytestmark = [pytest.mark.browser, needs_chromium, pytest.mark.asyncio(loop_scope="module")]


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with chromium() as running:
        yield running


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def stage() -> AsyncIterator[Stage]:
    async with Stage().running() as running:
        running.state(step="ready")
        running.health(camera="Hoopoe")
        yield running


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def seen(browser: Browser, stage: Stage) -> AsyncIterator[Screen]:
    """One page for all of these: nothing is left open between them."""
    async with screen(browser, stage.url) as one:
        await one.until("#freshness", "connected")
        yield one


async def more(seen: Screen, what: str) -> None:
    await seen.page.click("#open-do")
    await seen.page.click("#do-more")
    await seen.page.click(f"[data-more={what}]")


async def choose(seen: Screen, group: str, words: str) -> None:
    await seen.page.locator(f"#{group} button", has_text=words).click()


async def sent(stage: Stage, *wanted: tuple[str, dict[str, Any]]) -> None:
    """Wait until these commands have come through, and no others."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_SENT_S):
            while len(stage.asked) < len(wanted):  # noqa: ASYNC110
                await asyncio.sleep(0.02)
    assert stage.asked == list(wanted)
    stage.asked.clear()


async def fine(seen: Screen, name: str, *, rules: bool = True) -> None:
    """Look at a sheet: rules of accessibility, darkness, and nothing beyond the phone's width."""
    assert not rules or await seen.violations() == []
    assert await seen.brightest() < BRIGHTEST_LUMINANCE
    assert await seen.page.evaluate("document.body.scrollWidth <= innerWidth")
    await seen.keep(name)


async def test_the_door_is_one_button_and_leads_to_all_of_it(seen: Screen, stage: Stage) -> None:
    await seen.page.click("#open-do")
    assert await seen.page.locator("#sheet-do button:visible").count() <= 7
    await seen.page.click("#do-more")
    assert await seen.page.locator("#sheet-more button:visible").count() == 9
    await fine(seen, "more")
    stage.state(Phase.SURVEYING, step="frame 1 of 3")
    await seen.until("#more-words", "stop first")
    assert await seen.page.locator("#more-dusk").is_disabled()
    stage.state(step="ready")
    await seen.page.locator("#sheet-more .close").click()


async def test_a_sight_tells_its_dangers_and_asks_before_the_mount_moves(
    seen: Screen, stage: Stage
) -> None:
    stage.results["sight"] = {"verdict": "not_yet", "advice": "the Moon at 15:20, from the west"}
    await more(seen, "sight")
    await seen.until("#sheet-sight", "never look at the sun")
    await choose(seen, "sight-body", "Sun")
    await seen.until("#sight-filter-words", "only behind a solar filter")
    await choose(seen, "sight-said", "I turned the bolts")
    await fine(seen, "sight")
    await seen.page.click("#sight-go")
    await seen.until("#clear-before", "never look at the sun through any tube")
    assert stage.asked == [], "nothing moves before the word that it is clear"
    await seen.page.click("#clear-yes")
    await seen.until("#said", "not yet. next: the moon at 15:20")
    await sent(stage, ("confirm_clear", {}), ("sight", {"body": "sun", "turned": True}))
    stage.refused["sight"] = SafetyError(
        "no solar filter is confirmed for Hoopoe", remedy="Put it on.", code="no_solar_filter"
    )
    await more(seen, "sight")
    await seen.page.click("#sight-go")
    await seen.page.click("#clear-yes")
    await seen.until("#said", "no solar filter is confirmed for hoopoe")
    # What was said once, of turned bolts, is not said again.
    await sent(stage, ("confirm_clear", {}), ("sight", {"body": "sun"}))
    del stage.refused["sight"]
    await more(seen, "sight")
    await seen.page.click("#sight-filter")
    await seen.until("#sheet-filter", "blinds and burns")
    await seen.page.locator("#sheet-filter .close").click()


async def test_a_survey_at_dusk_says_that_the_mount_moves_later_by_itself(
    seen: Screen, stage: Stage
) -> None:
    await seen.page.click("#open-do")
    await seen.page.click("#do-more")
    await seen.page.click("#more-dusk")
    await seen.until("#clear-before", "then the mount moves by itself")
    await seen.page.click("#clear-yes")
    await seen.until("#said", "survey done")
    await sent(stage, ("confirm_clear", {}), ("survey", {"at_dusk": True}))
    stage.state(Phase.SURVEYING, step="waiting for dusk: the first frame is tried at 19:52")
    await seen.until("#doing", "nothing moves before the first stars")
    stage.state(Phase.SURVEYING, step="slewing to frame 2 of 3")
    await seen.until("#doing", "the mount moves: hands off")
    stage.state(step="ready")
    # A plain survey asks with none of that.
    await seen.page.click("#open-do")
    await seen.page.click("#do-survey")
    assert await seen.page.locator("#clear-before").is_hidden()
    await seen.page.locator("#sheet-clear .close").click()


async def test_drift_and_watch_are_begun_and_the_watch_ended_without_a_stop(
    seen: Screen, stage: Stage
) -> None:
    stage.results["keep_watch"] = {"stopped": True}
    await more(seen, "drift")
    await seen.until("#sheet-drift", "guiding off")
    await choose(seen, "drift-by", "Sun, Moon or planet")
    await seen.until("#drift-by-day", "never look at the sun")
    await choose(seen, "drift-minutes", "10")
    await seen.page.click("#drift-go")
    await sent(stage, ("drift", {"by": "bodies", "minutes": 10}))
    await more(seen, "keep")
    await choose(seen, "keep-hours", "8 h")
    await seen.page.click("#keep-go")
    await sent(stage, ("keep_watch", {"hours": 8}))
    stage.state(Phase.WATCHING, step="watching")
    stage.publisher.publish("watch", watch(), retain=True)
    await seen.until("#doing", "the axis stayed where it was; 41 pictures")
    await more(seen, "keep")
    await seen.page.click("#keep-end")
    await seen.until("#said", "the watch is ended; the mount is left alone")
    await sent(stage, ("keep_watch", {"end": True}))


async def test_an_axis_that_moved_is_told_in_every_view_until_it_is_measured_again(
    seen: Screen, stage: Stage
) -> None:
    stage.survey(0.2, 0.1, 0.05)
    stage.state(Phase.WATCHING, step="watching")
    stage.publisher.publish("watch", watch(moved=True), retain=True)
    await seen.until("#verdict", "axis moved")
    await seen.until("#trouble-reason", "the axis moved by 3.2 arcmin: the field jumped")
    await seen.until("#altitude .lead", "the axis was")
    await fine(seen, "moved")
    stage.state(step="ready")
    stage.survey(0.2, 0.1, 0.05)
    await seen.until("#verdict", "good enough")
    assert await seen.page.locator("#trouble").is_hidden()


async def test_a_verification_that_saw_a_move_stands_above_the_survey_that_it_takes_back(
    seen: Screen, stage: Stage
) -> None:
    stage.survey(0.2, 0.1, 0.05)
    await seen.until("#verdict", "good enough")
    stage.publisher.publish("schedule", verified(moved=True), retain=True)
    await seen.until("#verdict", "axis moved")
    await seen.until("#trouble-reason", "the axis went up by 3.2 arcmin")
    await seen.until("#trouble-remedy", "survey again")
    stage.survey(0.2, 0.1, 0.05)
    await seen.until("#verdict", "good enough")


async def test_a_verification_asks_first_where_the_mount_may_move(
    seen: Screen, stage: Stage
) -> None:
    stage.results["verify"] = {
        "words": "good enough; nothing moved since 20:10; by one look", "remedy": "",
        "verdict": "good_enough", "moved": False,
    }  # fmt: skip
    await more(seen, "verify")
    await choose(seen, "verify-depth", "look only")
    await seen.page.click("#verify-go")
    await seen.until("#said", "good enough; nothing moved since 20:10")
    await sent(stage, ("verify", {"depth": "quick"}))
    await more(seen, "verify")
    await choose(seen, "verify-depth", "in doubt")
    await seen.until("#verify-go", "the mount may move")
    await fine(seen, "verify", rules=False)
    await seen.page.click("#verify-go")
    await seen.until("#clear-way", "it may turn in right ascension")
    await seen.page.click("#clear-yes")
    await seen.until("#said", "good enough; nothing moved")
    await sent(stage, ("confirm_clear", {}), ("verify", {"depth": "auto"}))


async def test_a_star_alignment_says_how_far_it_goes_and_what_it_came_to(
    seen: Screen, stage: Stage
) -> None:
    pointing = {
        "syncs": "once", "verdict": "good_enough", "goto_model_arcsec": 32.0,
        "goto_own_arcsec": 78.0, "goto_wish_arcsec": 120.0, "check_promised_arcsec": 84.0,
        "check_met_arcsec": 45.0, "fields": 3, "rejected_fields": 0, "spoiled_fields": 0,
        "terms": [], "axis_altitude_deg": 32.5, "axis_azimuth_deg": 180.1, "chi2": 1.2,
        "degrees_of_freedom": 2,
    }  # fmt: skip
    stage.results["align_stars"] = pointing
    await more(seen, "stars")
    await choose(seen, "stars-syncs", "once")
    await choose(seen, "stars-said", "I looked")
    await fine(seen, "stars")
    await seen.page.click("#stars-go")
    await seen.until("#clear-before", "all the way round")
    await seen.until("#clear-way", "about both axes")
    assert stage.asked == [], "nothing moves before the word that it is clear"
    await seen.page.click("#clear-yes")
    await seen.until("#said", "go-tos are good enough; 2.0 arcmin is wished")
    await seen.until("#said", "by the mount's own coordinates it misses by about 1.3 arcmin")
    await seen.until("#said", "1.4 arcmin promised, 45 arcsec seen")
    await sent(
        stage, ("confirm_clear", {}), ("align_stars", {"syncs": "once", "points_elsewhere": True})
    )
    stage.publisher.publish("pointing", pointing | {"verdict": "not_yet"}, retain=True)
    await more(seen, "stars")
    await seen.until("#stars-told", "last: go-tos are not good enough yet")
    # That somebody looked was said for that one alignment.
    assert await seen.page.locator("#stars-said [aria-pressed=true]").count() == 0
    await seen.page.locator("#sheet-stars .close").click()


async def test_marks_and_plan_are_told_by_forms(seen: Screen, stage: Stage) -> None:
    stage.results["note_placement"] = {"text": "the axis will be found 12 arcmin too low"}
    stage.results["set_plan"] = {"words": "M 83 from 21:30 to 03:00", "kept": True}
    await more(seen, "placement")
    await seen.page.fill("#placement-name", "terrace")
    await choose(seen, "placement-said", "drawn just now")
    await fine(seen, "placement", rules=False)
    await seen.page.click("#placement-form [type=submit]")
    await seen.until("#said", "the axis will be found 12 arcmin too low")
    await sent(stage, ("note_placement", {"name": "terrace", "marked": True}))
    await more(seen, "plan")
    await seen.until("#plan-told", "no plan is set")
    await seen.page.fill("#plan-targets", "M 83\n13h26m47s -47d28m46s")
    for field, value in (
        ("focal", "750"), ("pixel", "3.76"), ("exposure", "180"), ("start", "21:30"),
        ("end", "03:00"),
    ):  # fmt: skip
        await seen.page.fill(f"#plan-{field}", value)
    await choose(seen, "plan-guided", "yes")
    await fine(seen, "plan")
    await seen.page.click("#plan-form [type=submit]")
    await seen.until("#said", "m 83 from 21:30 to 03:00")
    plan = {
        "targets": ["M 83", "13h26m47s -47d28m46s"],
        "focal_length_mm": 750,
        "pixel_size_um": 3.76,
        "exposure_s": 180,
        "guided": True,
        "window_start": "21:30",
        "window_end": "03:00",
    }
    await sent(stage, ("set_plan", plan))
    await more(seen, "plan")
    await seen.page.click("#plan-clear")
    await sent(stage, ("set_plan", {"clear": True}))


def verified(*, moved: bool) -> dict[str, object]:
    """Return the ``schedule`` payload after a quick look."""
    now = datetime.now(UTC).isoformat()
    last = {
        "verified": now, "scheduled": False, "depth": "quick", "verdict": "cannot_tell",
        "moved": moved, "altitude_move_arcmin": 3.2, "altitude_move_sigma_arcmin": 0.4,
        "azimuth_move_on_sky_arcmin": 0.1, "azimuth_move_on_sky_sigma_arcmin": 0.4,
        "compared_with": now, "total_error_arcmin": 3.2, "total_error_sigma_arcmin": 0.4,
        "tolerance_arcmin": 1.0, "frames": 2, "words": "the axis went up by 3.2 arcmin",
        "code": "moved", "reason": "the tripod moved", "remedy": "Look at it, then survey again.",
    }  # fmt: skip
    return {"next": None, "waiting": None, "last": last, "plan": None}


def watch(*, moved: bool = False) -> dict[str, Any]:
    """What the watch over imaging tells."""
    now = datetime.now(UTC)
    alarm = {
        "noticed": now, "held_until": now - timedelta(minutes=2), "evidence": "jump",
        "altitude_move_arcmin": 0.4, "altitude_move_sigma_arcmin": 0.3,
        "azimuth_move_on_sky_arcmin": 3.1, "azimuth_move_on_sky_sigma_arcmin": 0.3,
        "size_arcmin": 3.2, "significance": 9.0, "confidence_percent": 99.99,
        "words": "the field jumped along declination, and the mount was not sent",
    }  # fmt: skip
    return {
        "watching": True, "believed_since": now - timedelta(hours=1), "looked_at": "files",
        "frames": 41, "unsolved_frames": 1, "guide_offsets": 0, "last_frame": now,
        "last_guide_offset": None, "mount_vouches": True, "alarms": [alarm] if moved else [],
    }  # fmt: skip
