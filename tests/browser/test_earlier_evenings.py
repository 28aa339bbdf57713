"""Earlier evenings on the page: at the width of a phone, and a report opened from there."""

from datetime import timedelta
from pathlib import Path

import pytest

from polewright.app.past import Past
from polewright.core.axis.knobs import Bolt, Knob, after_turn
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.records import KnobRecord
from tests.browser.stage import BRIGHTEST_LUMINANCE, Stage, chromium, needs_chromium, screen
from tests.unit.adapters.journal_records import NIGHT
from tests.unit.cli.kept_evenings import Diarist

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Seven evenings on the marks of the terrace, a turn of the altitude knob told on each."""
    diarist, knob = Diarist(tmp_path / "kudu.sqlite"), Knob()
    begins = ((48.0, -31.0), (-12.0, 3.0), (-11.0, -2.0), (-13.5, 1.0), (-6.0, 4.0), (-9.0, 2.0))
    for week, (altitude, azimuth) in enumerate(begins):
        diarist.evening(NIGHT + timedelta(days=7 * week))
        diarist.placed("terrace", new_marks=week == 0).surveyed(altitude, azimuth)
        # A knob of 31 arcmin a turn with a twelfth of a turn of play, turned to and fro.
        went = (-1) ** week * 31.0 * (0.5 - 0.08 + 0.01 * (week % 3))
        knob = after_turn(knob, 0.5 * (-1) ** week, went * ARCMIN_RAD, 6.0 * ARCSEC_RAD)
        assert diarist.store is not None
        diarist.store.add_knob(
            KnobRecord(at=diarist.at, mount="Kudu", bolt=Bolt.ALTITUDE, knob=knob)
        )
        end = 2.4 if week == 4 else 0.2 + 0.1 * week
        diarist.adjusted(end, 0.1)
    diarist.close()
    return diarist.path


async def test_earlier_evenings_are_told_and_one_report_is_opened(journal: Path) -> None:
    stage = Stage(archive=Past(journal, "kudu"))
    async with stage.running(), chromium() as browser, screen(browser, stage.url) as seen:
        await seen.until("#freshness", "connected")
        await seen.show("past")
        await seen.until("#past-words", "6 evenings, 5 of them ended good enough")
        assert len(await seen.page.locator("#past-evenings li").all()) == 6
        await seen.until("#past-evenings li:nth-child(2)", "to 2.4 arcmin")
        await seen.until("#past-evenings li:nth-child(2)", "not yet")
        await seen.until("#past-knobs", "a whole turn does")
        assert await seen.page.locator("#past-knobs svg").count() == 1
        await seen.until("#past-marks", "the next one changes altitude by")
        assert await seen.violations() == []
        assert await seen.brightest() < BRIGHTEST_LUMINANCE
        assert await seen.page.evaluate("document.body.scrollWidth <= innerWidth")
        await seen.keep("past")
        await seen.page.evaluate("document.querySelector('#past-knobs').scrollIntoView()")
        await seen.keep("past-knobs")
        async with seen.context.expect_page() as opening:
            await seen.page.locator("#past-evenings a").first.click()
        report = await opening.value
        await report.wait_for_load_state()
        assert await report.title() == "kudu: evening of 30 December 2026"
        assert await report.locator("svg").count() >= 2
        assert await report.evaluate("document.body.scrollWidth <= innerWidth + 1")
