"""Telling: what displays and the log are told of the evening, and what stands there now."""

import logging
import math

from polewright.core.axis.correction import Correction, Verdict, judge
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.errors import PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.plan.evening_plan import EveningPlan
from polewright.core.plan.meaning import ANY_EXPOSURE_S, Meaning, meaning_of
from polewright.core.records import SurveyRecord
from polewright.ports import Clock, Publisher
from polewright.session.following import LiveCorrection
from polewright.session.keeping import age_s
from polewright.session.messages import (
    Message,
    correction_message,
    event_message,
    site_message,
    state_message,
    survey_message,
    targets_message,
)
from polewright.session.notices import Notices
from polewright.session.phases import Phase
from polewright.session.site import Site

_log = logging.getLogger(__name__)


class Teller:
    """Tells the evening's state, surveys, live figures and events.

    Parameters
    ----------
    publisher : Publisher
        Where they go.
    clock : Clock
        Since when a phase lasts, and how old a survey is.
    """

    def __init__(self, publisher: Publisher, clock: Clock) -> None:
        self._publisher = publisher
        self._clock = clock
        self._notices = Notices(publisher)
        self._phase = Phase.IDLE
        self._reason: PolewrightError | None = None
        self._since = clock.now()
        self._state: Message = {}
        self._correction: Message | None = None
        self._measured: Message = {}
        self.plan: EveningPlan | None = None
        self._schedule: Message = {"next": None, "waiting": None, "last": None, "plan": None}

    @property
    def phase(self) -> Phase:
        """The phase that was entered last."""
        return self._phase

    @property
    def last_state(self) -> Message:
        """The last published state."""
        return dict(self._state)

    def enter(self, phase: Phase, reason: PolewrightError | None = None) -> None:
        """Tell that a phase begins; ``reason`` is the trouble that led to it."""
        before, self._phase = self._phase, phase
        self._since = self._clock.now()
        self._reason = None
        if reason is not None:
            _log.warning("%s: %s", phase.value, reason)
            self._notices.trouble(reason)
        else:
            if before is not phase:
                _log.info("%s -> %s", before.value, phase.value)
            self._notices.well()
        self.state(reason=reason)

    def state(
        self,
        *,
        step: str = "",
        frames: int = 0,
        percent: int | None = None,
        reason: PolewrightError | None = None,
    ) -> None:
        """Tell what goes on within the phase; what blocks is told until something else does."""
        if self._phase is Phase.BLOCKED:
            reason = self._reason = reason or self._reason
        self._state = state_message(
            self._phase,
            self._since,
            step=step,
            frames=frames,
            percent=percent,
            reason=reason.text if reason else None,
            remedy=reason.remedy if reason else None,
        )
        self._publisher.publish("state", self._state, retain=True)

    def event(self, text: str, *, remedy: str, code: str) -> None:
        """Warn: in the log and on displays."""
        _log.warning("%s. %s", text, remedy)
        self._publisher.publish("event", event_message("warning", code, text, remedy), retain=False)

    def tell(self, text: str, *, remedy: str, code: str) -> None:
        """Tell what is no trouble: in the log and on displays."""
        _log.info("%s. %s", text, remedy)
        self._publisher.publish("event", event_message("info", code, text, remedy), retain=False)

    def warn(self, trouble: PolewrightError) -> None:
        """Warn of trouble that does not end the work."""
        self.event(trouble.text, remedy=trouble.remedy, code=trouble.code)

    def site(self, site: Site) -> None:
        """Tell where the mount stands and what time it is, and what does not fit."""
        self._publisher.publish("site", site_message(site), retain=True)
        for doubt in site.doubts:
            self.event(f"{doubt.text}; {doubt.consequence}", remedy=doubt.remedy, code=doubt.code)

    def survey(self, message: Message) -> Message:
        """Tell a survey that has just been finished; return it as it was told."""
        message = self._measured = message | self._meaning(message)
        self._publisher.publish("survey", message, retain=True)
        self._notices.survey(message)
        return message

    def judged_again(self, estimate: AxisEstimate, correction: Correction, pole: str) -> None:
        """Tell the last survey once more, judged by what holds now."""
        message = survey_message(estimate, correction, pole)
        self._publisher.publish("survey", message | self._meaning(message), retain=True)

    def last_meaning(self) -> str | None:
        """Return what was measured last means for the plan, in words; None: nothing."""
        meaning = self._meaning(self._measured).get("meaning") if self._measured else None
        if meaning is not None and "age_s" in self._measured:
            return f"{meaning}; but that was measured before the service was started"
        return None if meaning is None else str(meaning)

    def _meaning(self, message: Message) -> Message:
        """Return what a survey or a correction means for the plan, as fields to tell beside it."""
        found = _meaning_of(self.plan, message)
        if found is None:
            return {}
        sure_s = min(train.sure_s for train in found.trains)
        return {
            "meaning": found.words,
            "longest_exposure_s": round(min(sure_s, ANY_EXPOSURE_S), 1),
        }

    def earlier_survey(self, kept: SurveyRecord) -> None:
        """Tell an earlier evening's survey with its age, by the clock as it is set now."""
        message = survey_message(kept.estimate, kept.correction, kept.target_pole)
        message["age_s"] = age_s(kept.estimate, self._clock.now())
        message |= self._meaning(message)
        self._measured = message
        self._publisher.publish("survey", message, retain=True)

    def pointing(self, message: Message) -> None:
        """Tell what a star alignment found."""
        self._publisher.publish("pointing", message, retain=True)

    def watch(self, message: Message) -> None:
        """Tell how the watch over imaging goes."""
        self._publisher.publish("watch", message, retain=True)

    def schedule(self, **parts: Message | str | None) -> None:
        """Tell what is planned: ``next``, ``waiting``, ``last``, ``plan``; others stay as told."""
        self._schedule = self._schedule | parts
        self._publisher.publish("schedule", self._schedule, retain=True)

    def begin_adjustment(self) -> None:
        """Take note that an adjustment begins: the next time that it is good is news."""
        self._notices.begin_adjustment()

    def correction(self, live: LiveCorrection) -> Message:
        """Tell one live correction and its stars; return the correction as it was told."""
        message = correction_message(
            live.correction,
            sequence=live.sequence,
            live=True,
            frame_age_s=live.frame_age_s,
            latency_ms=live.latency_ms,
            altitude_knob=live.altitude_knob,
            azimuth_knob=live.azimuth_knob,
            valid_s=live.valid_s,
            method=live.method,
        )
        _log.debug(
            "correction %d: %.2f arcmin off", live.sequence, live.correction.total_error_arcmin,
            extra={"sequence": live.sequence, "latency_ms": round(live.latency_ms, 1)},
        )  # fmt: skip
        message |= self._meaning(message)
        self._correction = self._measured = message
        self._publisher.publish("correction", message, retain=True)
        self._notices.correction(message)
        if live.width_px:  # a sensor has no picture
            targets = targets_message(live.targets, live.width_px, live.height_px)
            self._publisher.publish("targets", targets, retain=False)
        return message

    def still_correction(self) -> Message | None:
        """Take the live figures off every display, for none is true any more; return them."""
        last, self._correction = self._correction, None
        if last is not None:
            self._publisher.publish("correction", last | {"live": False}, retain=True)
        return last


def _meaning_of(plan: EveningPlan | None, message: Message) -> Meaning | None:
    """Return what a survey or a correction means for a plan; None where it says nothing of it."""
    pole = message.get("target_pole")  # corrections go by the wishes' own
    if plan is None or pole not in (None, plan.target_pole):
        return None
    figures = [message.get(f"total_error{part}_arcmin") for part in ("", "_sigma")]
    error, sigma = (float(value) if isinstance(value, float) else math.inf for value in figures)
    tolerance = message.get("tolerance_arcmin")
    # A verdict that figures alone would not give says that the frames disagree.
    by_figures = judge(
        error, sigma, tolerance if isinstance(tolerance, float) else math.inf, trustworthy=True
    )
    contradicts = message["verdict"] == Verdict.CANNOT_TELL.value and by_figures is not (
        Verdict.CANNOT_TELL
    )
    return meaning_of(plan, error * ARCMIN_RAD, sigma * ARCMIN_RAD, trustworthy=not contradicts)
