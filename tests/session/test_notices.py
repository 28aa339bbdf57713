"""Notices: good enough, moved and blocked are told once each, and not for what people ended."""

from typing import Any

from polewright.core.errors import LinkError, MeasurementError
from polewright.session.notices import Notices


class Told:
    """Keeps the events."""

    def __init__(self) -> None:
        self.events: list[dict[str, Any]] = []

    def publish(self, topic: str, payload: object, *, retain: bool) -> None:
        assert topic == "event"
        assert not retain
        assert isinstance(payload, dict)
        self.events.append(payload)

    @property
    def codes(self) -> list[str]:
        return [event["code"] for event in self.events]


def correction(verdict: str) -> dict[str, object]:
    return {"verdict": verdict, "total_error_arcmin": 0.31, "total_error_sigma_arcmin": 0.05}


def feed(notices: Notices, *verdicts: str) -> None:
    for verdict in verdicts:
        notices.correction(correction(verdict))


GOOD, NOT_YET = "good_enough", "not_yet"
DECLINATION = MeasurementError("it turned", remedy="Survey again.", code="declination_moved")


def test_good_enough_is_told_once_it_has_held_and_not_again_in_one_adjustment() -> None:
    told = Told()
    notices = Notices(told)
    notices.begin_adjustment()
    feed(notices, NOT_YET, GOOD, GOOD, NOT_YET, GOOD, GOOD)
    assert told.codes == []
    feed(notices, GOOD)
    assert told.codes == ["good_enough"]
    assert "0.31 arcmin +- 0.05" in told.events[0]["text"]
    assert told.events[0]["level"] == "info"
    feed(notices, GOOD, NOT_YET, GOOD, GOOD, GOOD)
    assert told.codes == ["good_enough"]
    notices.begin_adjustment()
    feed(notices, GOOD, GOOD, GOOD)
    assert told.codes == ["good_enough", "good_enough"]


def test_a_survey_tells_only_good_news() -> None:
    told = Told()
    notices = Notices(told)
    notices.survey(correction(NOT_YET))
    notices.survey(correction("cannot_tell"))
    assert told.codes == []
    notices.survey(correction(GOOD))
    assert told.codes == ["good_enough"]


def test_what_moved_is_told_as_moved_and_as_blocked() -> None:
    told = Told()
    Notices(told).trouble(DECLINATION)
    assert told.codes == ["moved", "blocked"]
    assert {event["text"] for event in told.events} == {"it turned"}
    assert all(event["remedy"] == "Survey again." for event in told.events)


def test_trouble_that_goes_on_is_told_once_until_it_was_well() -> None:
    told = Told()
    notices = Notices(told)
    lost = LinkError("no server", remedy="Start it.", code="no_server")
    for _ in range(5):
        notices.trouble(lost)
    assert told.codes == ["blocked"]
    notices.well()
    notices.trouble(lost)
    assert told.codes == ["blocked", "blocked"]


def test_what_a_person_stopped_is_no_news() -> None:
    told = Told()
    Notices(told).trouble(MeasurementError("stopped as asked", remedy="", code="stopped"))
    assert told.codes == []
