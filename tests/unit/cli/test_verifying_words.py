"""What `polewright verify` prints, and how it ends for a script."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from polewright.adapters.mqtt.payloads import check_payload
from polewright.cli.display import EveningView
from polewright.cli.output import ExitCode
from polewright.cli.verifying import exit_code, verification_lines
from polewright.core.axis.correction import Verdict
from polewright.core.geometry.directions import ARCMIN_RAD, enu_from_altaz
from polewright.session.verification import AxisMove, Depth, Verification, Why

NOW = datetime(2026, 11, 25, 20, 30, tzinfo=UTC)
# The southern axis.
AXIS = enu_from_altaz(0.56, np.pi)


def _move(side, up, sigma=0.1):
    return AxisMove(
        axis_enu=AXIS,
        move_rad=np.array([side, up]) * ARCMIN_RAD,
        covariance_rad2=np.eye(2) * (sigma * ARCMIN_RAD) ** 2,
        since=NOW,
    )


def _told(verdict, **more):
    return Verification(depth=Depth.QUICK, verdict=verdict, frames=2, **more).message(NOW)


@pytest.mark.parametrize(
    ("verdict", "moved", "code"),
    [
        (Verdict.GOOD_ENOUGH, False, ExitCode.GOOD),
        (Verdict.GOOD_ENOUGH, True, ExitCode.GOOD),
        (Verdict.NOT_YET, False, ExitCode.NOT_GOOD_ENOUGH),
        (Verdict.NOT_YET, True, ExitCode.NOT_GOOD_ENOUGH),
        (Verdict.CANNOT_TELL, True, ExitCode.NOT_GOOD_ENOUGH),
        (Verdict.CANNOT_TELL, False, ExitCode.CANNOT_TELL),
        (Verdict.CANNOT_TELL, None, ExitCode.CANNOT_TELL),
    ],
)
def test_exit_codes(verdict, moved, code):
    assert exit_code(_told(verdict, moved=moved)) is code


def test_the_verdict_first_then_what_moved_then_what_to_do():
    why = Why(code="moved", text="the tripod moved, or the camera", remedy="Survey again.")
    lines = verification_lines(
        _told(Verdict.CANNOT_TELL, moved=True, went=_move(3.0, -5.0), why=why)
    )
    assert lines[0] == "CANNOT TELL: something moved"
    # Toward growing azimuth is toward the west where the axis points south.
    assert "down by 5.0 arcmin and toward the west by 3.0 arcmin since 20:30 UTC" in lines[1]
    assert lines[-1] == "  Survey again."
    assert "  by a look: 2 frames" in lines


def test_a_quiet_one_says_that_nothing_moved():
    lines = verification_lines(_told(Verdict.GOOD_ENOUGH, moved=False, went=_move(0.05, 0.02)))
    assert lines[0] == "GOOD ENOUGH"
    assert "nothing moved since 20:30 UTC" in lines[1]


def test_not_good_enough_says_what_is_next_and_good_enough_needs_nothing():
    not_yet = verification_lines(_told(Verdict.NOT_YET, moved=False, went=_move(0.05, 0.02)))
    assert not_yet[-1].startswith("next: `polewright adjust`")
    good = verification_lines(_told(Verdict.GOOD_ENOUGH, moved=False, went=_move(0.05, 0.02)))
    assert not any(line.startswith("next") for line in good)


def test_whatever_comes_out_fits_the_contract():
    for told in (
        _told(Verdict.GOOD_ENOUGH, moved=False, went=_move(0.0, 0.0)),
        _told(Verdict.CANNOT_TELL, why=Why(code="mount_moves", text="it moves", remedy="Wait.")),
    ):
        payload = {"v": 1, "at": NOW.isoformat(), "next": None, "waiting": None, "last": told}
        check_payload("schedule", json.dumps(payload))


def test_status_and_display_tell_a_verification_beside_the_survey_that_it_takes_back():
    view = EveningView(monotonic=lambda: 10.0)
    view.take("availability", "online")
    view.take("state", {"state": "idle", "step": "ready"})
    survey = {"total_error_arcmin": 0.4, "total_error_sigma_arcmin": 0.1, "verdict": "good_enough"}
    view.take("survey", survey)
    last = _told(Verdict.NOT_YET, moved=True, went=_move(0.0, 5.0))
    view.take("schedule", {"last": last, "next": None})
    told, verified = view.lines()[-2:]
    assert told.startswith("last survey: off by 0.40")
    assert verified == f"last verification, 20:30 UTC: {last['words']}"
    assert "not good enough; the axis went up" in verified


def test_status_says_when_the_next_one_comes_and_what_to_do_before_the_first_survey():
    view = EveningView()
    view.take("state", {"state": "idle", "step": "ready"})
    view.take("schedule", {"next": {"due": "2026-11-25T20:30:00Z"}})
    lines = view.lines()
    assert "next verification: 20:30 UTC" in lines
    assert any("no survey yet" in line and "polewright survey --clear" in line for line in lines)
