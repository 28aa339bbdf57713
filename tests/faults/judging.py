"""The judge: what must hold all through, looked for in the record of one seed."""

import math
import re
from bisect import bisect_right
from collections.abc import Iterator

from tests.faults.record import Record
from tests.faults.schedule import Kind

RECOVERY_S = 10.0
END_S = 5.0
# The tolerance of every seed, and how far outside it a claim is false (sigmas).
TOLERANCE_ARCSEC = 60.0
FALSE_SIGMAS = 3.0
# A claim is about its frame: the truth from the frame's beginning to the message counts (s).
_FRAME_S = 0.4
# A state may be this late (s): the machine is busy, and messages are under way.
LATE_S = 2.0
# A lost connection is noticed within this time: two pings without an answer (s).
NOTICED_S = 8.0
# The broker speaks the will of a service whose socket has closed within this time (s).
WILL_S = 5.0
# A mount that was told to stop stands within this time (s).
STANDS_S = 1.0

_WORK = ("surveying", "adjusting", "verifying", "star-aligning")
_BROKER_FAULTS = {
    Kind.BROKER_KILLED, Kind.BROKER_FROZEN, Kind.BROKER_SLOW, Kind.BROKER_CUT_OFF, Kind.SUSPENDED,
}  # fmt: skip
_AWAY_FAULTS = {Kind.SERVER_KILLED, Kind.SERVER_CUT_OFF}
# The journal told that it could not keep what came.
_JOURNAL_CODES = re.compile(r"^journal_")
_TRACEBACK = re.compile(r"Traceback \(most recent call last\)")


def violations(record: Record) -> list[str]:
    """Return what was violated, in words that say where to look."""
    found: list[str] = []
    for rule in (
        _recovered,
        _clean_ends,
        _true_verdicts,
        _surveys_kept,
        _states_true,
        _loss_told,
        _mount_stood,
        _well_formed,
        _quiet_log,
    ):
        found += [f"{rule.__name__.strip('_')}: {text}" for text in rule(record)]
    return found


def _recovered(record: Record) -> Iterator[str]:
    for one in record.faults:
        if one.recovered_s is None:
            yield f"after {one.kind} nothing was measured any more"
        elif one.recovered_s - one.ended_s > RECOVERY_S:
            yield f"{one.kind}: {one.recovered_s - one.ended_s:.1f} s until work went on"


def _clean_ends(record: Record) -> Iterator[str]:
    for life in record.lives:
        if life.killed_s is not None:
            continue
        if life.asked_to_end_s is None:
            yield f"the service ended by itself, code {life.code}"
            continue
        took_s = (life.ended_s or math.inf) - life.asked_to_end_s
        if life.code != 0 or took_s > END_S:
            yield f"SIGTERM: code {life.code} after {took_s:.1f} s"


def _true_verdicts(record: Record) -> Iterator[str]:
    instants = [float(one["s"]) for one in record.truths]

    def least_arcsec(begin_s: float, end_s: float) -> float:
        """Return the smallest true error in a span; 0 while the bolts turn."""
        first = max(bisect_right(instants, begin_s) - 1, 0)
        span = record.truths[first : bisect_right(instants, end_s)] or record.truths[-1:]
        if any(one["turning"] for one in span):
            return 0.0
        return min((float(one["total_arcsec"]) for one in span), default=0.0)

    for one in record.told:
        if one.topic not in ("correction", "survey") or one.retained:
            continue
        told = one.payload
        if told["verdict"] != "good_enough" or not told.get("live", "age_s" not in told):
            continue
        age_s = float(told.get("frame_age_s") or 0.0) + float(told.get("latency_ms") or 0.0) / 1e3
        begin_s = one.s - age_s - _FRAME_S
        if one.topic == "survey":
            begin_s = _begun(record, one.s)
        true_arcsec = least_arcsec(begin_s, one.s)
        sigma_arcsec = 60.0 * float(told["total_error_sigma_arcmin"])
        if true_arcsec > TOLERANCE_ARCSEC + FALSE_SIGMAS * sigma_arcsec:
            yield (
                f"{one.topic} says good_enough ({told['total_error_arcmin'] * 60.0:.0f} +- "
                f"{sigma_arcsec:.0f} arcsec) at {true_arcsec:.0f} arcsec in truth"
            )


def _begun(record: Record, s: float) -> float:
    """Return when the survey that was told then had begun."""
    states = [
        one.s for one in record.of("state") if one.s < s and one.payload["state"] != "surveying"
    ]
    return max(states, default=0.0)


def _surveys_kept(record: Record) -> Iterator[str]:
    kept = [round(value, 4) for value in record.journal]
    for one in record.of("survey"):
        if one.retained or "age_s" in one.payload:
            continue
        if _journal_troubled(record, one.s):
            continue  # it was told, and is made up for where the service lives on
        figure = round(float(one.payload["altitude_error_arcmin"]), 4)
        if not any(abs(figure - value) < 2e-4 for value in kept):
            yield f"the survey with altitude error {figure:+.4f} arcmin is in no journal"
    for life in record.lives[1:]:
        yield from _served(record, life.began_s)


def _journal_troubled(record: Record, s: float) -> bool:
    return any(
        _JOURNAL_CODES.match(str(one.payload.get("code"))) and abs(one.s - s) < 10.0
        for one in record.of("event")
    )


def _served(record: Record, began_s: float) -> Iterator[str]:
    """After a restart the last survey that was committed is told again, with its age."""
    before = [one for one in record.of("survey") if one.s < began_s and not one.retained]
    before = [one for one in before if "age_s" not in one.payload]
    after = [
        one for one in record.of("survey")
        if one.s > began_s and "age_s" in one.payload and not one.retained
    ]  # fmt: skip
    if not before or any(_journal_troubled(record, one.s) for one in before[-1:]):
        return
    if not any(one.s > began_s for one in record.of("availability")):
        return  # it ended before it could tell anything
    if not after:
        yield "after a restart the last survey was not told"
        return
    told = [round(float(one.payload["altitude_error_arcmin"]), 4) for one in after]
    known = [round(value, 4) for value in record.journal]
    last = round(float(before[-1].payload["altitude_error_arcmin"]), 4)
    # One more may have been committed than was told before the end.
    later = known[known.index(last) :] if last in known else [last]
    if not any(abs(told[0] - value) < 2e-4 for value in later):
        yield f"after a restart another survey was told: {told[0]:+.4f}, not {last:+.4f} arcmin"


def _spans(record: Record, kinds: set[Kind], after_s: float) -> list[tuple[float, float]]:
    """Return when faults of these kinds were on, with some time for what follows."""
    names = {kind.value for kind in kinds}
    return [
        (one.began_s, (one.recovered_s or one.ended_s) + after_s)
        for one in record.faults
        if one.kind in names
    ]


def _lives(record: Record) -> list[tuple[float, float]]:
    """Return when the service lived and had been told of."""
    spans = []
    for life in record.lives:
        end_s = life.asked_to_end_s or life.killed_s or life.ended_s or record.ended_s
        spans.append((life.began_s, end_s))
    return spans


def _states_true(record: Record) -> Iterator[str]:
    """The state says what runs, and what blocks it, while it can be told at all."""
    deaf = _spans(record, _BROKER_FAULTS, LATE_S) + record.witness_away
    lives = _lives(record)
    work_ends = [one.ended_s for one in record.asked if one.ended_s is not None]

    def heard(s: float) -> bool:
        return not any(a - LATE_S <= s <= b + LATE_S for a, b in deaf)

    def alive(s: float) -> bool:
        return any(a + LATE_S <= s <= b for a, b in lives)

    states = record.of("state")
    for index, one in enumerate(states):
        told, until_s = one.payload, record.ended_s
        if index + 1 < len(states):
            until_s = states[index + 1].s
        if told["state"] == "blocked" and not (told["reason"] and told["remedy"]):
            yield f"blocked without reason or remedy: {told}"
        if told["state"] in _WORK:
            for end_s in work_ends:
                late_s = end_s + LATE_S
                seen = one.s < end_s and late_s < until_s and heard(late_s) and alive(late_s)
                if seen and not _running(record, late_s):
                    yield f"{told['state']} was told {LATE_S:.0f} s after its end"
    for began_s, ended_s in [
        (one.began_s, one.ended_s) for one in record.faults
        if one.kind in {kind.value for kind in _AWAY_FAULTS}
    ]:  # fmt: skip
        look_s = began_s + NOTICED_S
        if look_s >= ended_s:
            continue
        last = [one for one in states if one.s <= look_s]
        if last and last[-1].payload["state"] == "idle" and not last[-1].payload["reason"]:
            yield "idle was told while the devices were away"
    corrections = record.of("correction")
    ended_well = record.lives[-1].code == 0 and heard(record.ended_s)
    if corrections and corrections[-1].payload["live"] and ended_well:
        yield "a live correction was left standing at the end"


def _running(record: Record, s: float) -> bool:
    """Return whether some command may have run then."""
    return any(
        one.s <= s and (one.ended_s is None or one.ended_s > s - LATE_S)
        for one in record.asked
        if one.verb in ("survey", "adjust")
    )


def _loss_told(record: Record) -> Iterator[str]:
    """Whoever is killed or ends is told as offline."""
    deaf = _spans(record, _BROKER_FAULTS, LATE_S) + record.witness_away
    for index, life in enumerate(record.lives):
        end_s = life.killed_s or life.ended_s
        if end_s is None or any(a <= end_s + WILL_S and end_s <= b + WILL_S for a, b in deaf):
            continue
        next_s = record.lives[index + 1].began_s if index + 1 < len(record.lives) else math.inf
        if min(next_s, record.ended_s) - end_s < 0.2:
            continue
        said = [
            one for one in record.of("availability")
            if (life.asked_to_end_s or end_s) <= one.s <= end_s + WILL_S
        ]  # fmt: skip
        if not any(one.payload == "offline" for one in said):
            yield "a service that ended was not told as offline"


def _mount_stood(record: Record) -> Iterator[str]:
    """After an end in order the mount stands; one that was lost while it moved is told of."""
    for life in record.lives:
        if life.code != 0 or life.ended_s is None or life.asked_to_end_s is None:
            continue
        look_s = life.ended_s + STANDS_S
        if any(other.began_s < look_s and other.began_s > life.began_s for other in record.lives):
            continue
        if any(one.began_s <= look_s <= one.ended_s for one in record.faults):
            continue
        seen = [one for one in record.truths if life.ended_s < float(one["s"])]
        if seen and seen[-1]["slewing"]:
            yield "the mount slewed on after SIGTERM"
    kinds = {kind.value for kind in (*_AWAY_FAULTS, Kind.DRIVER_CRASHED)}
    for one in record.faults:
        if one.kind not in kinds:
            continue
        slewed = [
            truth for truth in record.truths
            if truth["slewing"] and one.began_s - 0.1 < float(truth["s"]) < one.began_s + 0.05
        ]  # fmt: skip
        if not slewed or one.ended_s - one.began_s < LATE_S:
            continue
        codes = {
            str(told.payload.get("code")) for told in record.of("event") if told.s > one.began_s
        }
        reasons = " ".join(
            str(told.payload["reason"]) for told in record.of("state") if told.s > one.began_s
        )
        if "lost_in_motion" not in codes and "lost while it moved" not in reasons:
            yield f"{one.kind} while the mount slewed, and nobody was told that it may still move"


def _well_formed(record: Record) -> Iterator[str]:
    yield from sorted(set(record.problems))[:5]


def _quiet_log(record: Record) -> Iterator[str]:
    for line in record.log.splitlines():
        if _TRACEBACK.search(line):
            yield f"a traceback in the log: {line[-160:]}"
