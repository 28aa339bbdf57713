"""Many mounts by their topics: what stands first, what is old, what is nobody's business."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from polewright.session.fleet import FleetView, counts, counts_words, fleet_figures
from polewright.session.mount_standing import MountRow, Standing, lapse_words

NOW = datetime(2026, 11, 27, 20, 0, tzinfo=UTC)


class Clock:
    """Both clocks of a display, moved by the test."""

    def __init__(self) -> None:
        self.s = 1000.0

    def now(self) -> datetime:
        return NOW + timedelta(seconds=self.s - 1000.0)

    def monotonic(self) -> float:
        return self.s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def view(clock: Clock) -> FleetView:
    return FleetView(clock.now, clock.monotonic)


def at(seconds_ago: float) -> str:
    return (NOW - timedelta(seconds=seconds_ago)).isoformat().replace("+00:00", "Z")


def survey(verdict: str, error: float, *, ago_s: float = 60.0, **more: Any) -> dict[str, Any]:
    return {
        "at": at(ago_s),
        "verdict": verdict,
        "total_error_arcmin": error,
        "total_error_sigma_arcmin": 0.1,
        "tolerance_arcmin": 1.0,
        **more,
    }


def online(view: FleetView, mount: str, state: str = "idle", **more: Any) -> None:
    view.take(mount, "availability", "online", retained=True)
    view.take(mount, "state", {"at": at(30.0), "state": state, **more}, retained=True)
    view.take(mount, "health", {"at": at(10.0)}, retained=True)


def row(view: FleetView, mount: str = "kudu") -> MountRow:
    return next(one for one in view.rows() if one.mount == mount)


def test_the_worst_stands_first_and_all_are_counted(view: FleetView) -> None:
    online(view, "good")
    view.take("good", "survey", survey("good_enough", 0.3), retained=True)
    for name, error in (("near", 2.0), ("far", 24.0)):
        online(view, name)
        view.take(name, "survey", survey("not_yet", error), retained=True)
    online(view, "new")
    online(view, "stuck", "blocked", reason="no camera", remedy="Plug it in.")
    view.take("home", "availability", "offline", retained=True)
    assert [one.mount for one in view.rows()] == ["stuck", "far", "near", "new", "good", "home"]
    stuck = row(view, "stuck")
    assert (stuck.standing, stuck.note, stuck.remedy) == (
        Standing.BLOCKED, "no camera", "Plug it in.",
    )  # fmt: skip
    assert counts_words(view.rows()) == (
        "6 mounts: 1 blocked, 2 not yet, 1 not measured, 1 good enough, 1 not running"
    )
    assert counts(view.rows())["not_yet"] == 2


def test_the_newest_of_survey_and_correction_counts_with_its_age(
    view: FleetView, clock: Clock
) -> None:
    online(view, "kudu", "adjusting")
    view.take("kudu", "survey", survey("not_yet", 24.0, ago_s=300.0), retained=True)
    live = survey("not_yet", 3.0) | {"live": True, "frame_age_s": 0.5, "valid_s": 6.0}
    view.take("kudu", "correction", live, retained=False)
    found = row(view)
    assert (found.total_error_arcmin, found.live, found.measured_age_s) == (3.0, True, 0.5)
    clock.s += 10.0
    assert not row(view).live, "a correction that nobody renews is not live"
    clock.s += 100.0
    view.take("kudu", "survey", survey("good_enough", 0.4), retained=False)
    view.take("kudu", "health", {}, retained=False)
    assert row(view).standing is Standing.GOOD_ENOUGH


def test_a_survey_of_another_evening_is_as_old_as_it_says(view: FleetView) -> None:
    online(view, "kudu")
    view.take("kudu", "survey", survey("good_enough", 0.4, age_s=86400.0), retained=True)
    assert row(view).measured_age_s == pytest.approx(86460.0)


def test_a_mount_that_goes_quiet_stays_and_says_since_when(view: FleetView, clock: Clock) -> None:
    online(view, "kudu")
    view.take("kudu", "survey", survey("good_enough", 0.4), retained=True)
    clock.s += 240.0
    found = row(view)
    assert (found.standing, found.note) == (Standing.QUIET, "last heard 4 min ago")
    assert found.total_error_arcmin == 0.4
    view.take("kudu", "health", {"at": at(0.0)}, retained=False)
    assert row(view).standing is Standing.GOOD_ENOUGH


def test_a_service_whose_clock_is_days_behind_is_read_by_its_own_clock(
    view: FleetView, clock: Clock
) -> None:
    """It is online and spoke seconds ago, of a day before yesterday; then it goes quiet."""
    behind_s = 46.0 * 3600.0
    view.take("kudu", "availability", "online", retained=True)
    view.take("kudu", "state", {"at": at(behind_s + 30.0), "state": "idle"}, retained=True)
    view.take("kudu", "health", {"at": at(behind_s + 10.0)}, retained=True)
    view.take("kudu", "survey", survey("good_enough", 0.4, ago_s=behind_s + 60.0), retained=True)
    found = row(view)
    assert found.standing is Standing.GOOD_ENOUGH
    assert found.measured_age_s == pytest.approx(50.0, abs=1.0)
    clock.s += 240.0
    assert (row(view).standing, row(view).note) == (Standing.QUIET, "last heard 4 min ago")


def test_a_mount_that_went_away_at_its_work_is_no_mount_switched_off(view: FleetView) -> None:
    online(view, "kudu", "watching")
    online(view, "oryx", "idle")
    for name in ("kudu", "oryx"):
        view.take(name, "availability", "offline", retained=False)
    assert row(view).standing is Standing.LOST
    assert "it went away while watching; last heard 10 s ago" in row(view).note
    assert row(view, "oryx").standing is Standing.OFF


def test_an_alarm_of_the_watch_holds_until_the_axis_is_measured_again(
    view: FleetView, clock: Clock
) -> None:
    online(view, "kudu", "watching")
    view.take("kudu", "survey", survey("good_enough", 0.4, ago_s=3600.0), retained=True)
    alarm = {
        "noticed": at(120.0), "size_arcmin": 3.2, "altitude_move_sigma_arcmin": 0.3,
        "words": "the field jumped along declination, and the mount was not sent",
    }  # fmt: skip
    view.take("kudu", "watch", {"at": at(60.0), "alarms": [alarm]}, retained=True)
    found = row(view)
    assert found.standing is Standing.MOVED
    assert found.note.startswith("the axis moved by 3.2 arcmin +- 0.3; the field jumped")
    view.take("kudu", "survey", survey("good_enough", 0.5), retained=False)
    clock.s += 5.0
    assert row(view).standing is Standing.GOOD_ENOUGH


def test_what_may_still_move_stands_above_everything(view: FleetView, clock: Clock) -> None:
    online(view, "kudu", "blocked", reason="no camera")
    online(view, "oryx")
    event = {"code": "not_stopped", "text": "Oryx did not take the stop", "remedy": "Use its own."}
    view.take("oryx", "event", event, retained=False)
    view.take("kudu", "event", {"code": "survey_done", "text": "done"}, retained=False)
    assert [one.mount for one in view.rows()] == ["oryx", "kudu"]
    assert row(view, "oryx").standing is Standing.MAY_MOVE
    clock.s += 1801.0
    assert row(view, "oryx").standing is not Standing.MAY_MOVE


def test_clocks_that_differ_make_nothing_younger_than_now(view: FleetView) -> None:
    online(view, "kudu")
    view.take("kudu", "survey", survey("good_enough", 0.4, ago_s=-500.0), retained=True)
    assert row(view).measured_age_s == 0.0


def test_a_mount_that_was_cleared_from_the_broker_is_gone(view: FleetView) -> None:
    online(view, "kudu")
    for topic in ("availability", "state", "health"):
        view.take("kudu", topic, None, retained=False)
    assert view.rows() == []
    view.take("kudu", "state", None, retained=False)


RUBBISH = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8) | st.integers(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["at", "state", "verdict", "alarms", "noticed", "reason", "code", "text",
                         "total_error_arcmin", "live", "valid_s", "age_s", "size_arcmin"]),
        inner, max_size=6),
    max_leaves=8,
)  # fmt: skip


@example(told=[("event", {"at": None, "code": []}, False)])
@given(
    told=st.lists(
        st.tuples(
            st.sampled_from(["availability", "state", "survey", "correction", "watch", "event"]),
            RUBBISH,
            st.booleans(),
        ),
        max_size=8,
    )
)
def test_whatever_anybody_sends_makes_rows_that_can_be_shown(told: list[Any]) -> None:
    clock = Clock()
    view = FleetView(clock.now, clock.monotonic)
    for topic, payload, retained in told:
        view.take("kudu", topic, payload, retained=retained)
        for one in view.rows():
            assert one.note.isprintable()
            assert one.measured_age_s is None or one.measured_age_s >= 0.0
    assert set(fleet_figures(view)) == {"counts", "words", "mounts", "trouble"}


def test_words_of_others_cannot_command_a_terminal(view: FleetView) -> None:
    online(view, "kudu", "blocked", reason="\x1b[2Jgone\nnext", remedy="\x9b31m")
    assert row(view).note == "[2Jgone next"
    assert row(view).remedy == "31m"


def test_ages_are_told_as_a_person_says_them() -> None:
    told = [lapse_words(s) for s in (4.2, 89.0, 240.0, 7200.0, 400000.0)]
    assert told == ["4 s", "89 s", "4 min", "2 h", "5 days"]


def verification(verdict: str, *, ago_s: float = 20.0, **more: Any) -> dict[str, Any]:
    last = {"verified": at(ago_s), "verdict": verdict, "moved": False, "words": "as it says"}
    return {"at": at(10.0), "last": last | {"remedy": "Do this."} | more}


@pytest.mark.parametrize(
    ("verdict", "moved", "standing"),
    [
        ("not_yet", True, Standing.MOVED),
        ("cannot_tell", True, Standing.MOVED),
        ("not_yet", False, Standing.NOT_YET),
        ("cannot_tell", None, Standing.CANNOT_TELL),
    ],
)
def test_a_verification_takes_the_survey_before_it_back(
    view: FleetView, verdict: str, moved: bool | None, standing: Standing
) -> None:
    online(view, "kudu")
    view.take("kudu", "survey", survey("good_enough", 0.4), retained=True)
    view.take("kudu", "schedule", verification(verdict, moved=moved), retained=True)
    found = row(view)
    assert (found.standing, found.note, found.remedy) == (standing, "as it says", "Do this.")
    # Surveyed again since, it is as the survey says.
    view.take("kudu", "survey", survey("good_enough", 0.4, ago_s=5.0), retained=True)
    assert row(view).standing is Standing.GOOD_ENOUGH


def test_what_was_good_yesterday_is_good_only_where_somebody_looked_since(
    view: FleetView, clock: Clock
) -> None:
    online(view, "kudu")
    view.take("kudu", "survey", survey("good_enough", 0.4, age_s=86400.0), retained=True)
    found = row(view)
    assert found.standing is Standing.NOT_MEASURED
    assert found.note == "it was good enough 24 h ago, and nobody has looked since"
    assert found.remedy
    # By a service's clock that was not set yet nobody knows how old it is.
    view.take("kudu", "survey", survey("good_enough", 0.4, age_s=None), retained=True)
    assert row(view).note == "it was good enough once, and nobody has looked since"
    view.take("kudu", "schedule", verification("good_enough"), retained=True)
    assert row(view).standing is Standing.GOOD_ENOUGH
    clock.s += 12.1 * 3600.0
    view.take("kudu", "health", {}, retained=False)
    assert row(view).standing is Standing.NOT_MEASURED
