"""The judge finds what is violated, and nothing where all is well: each rule on its own record."""

import copy
from typing import Any

import pytest

from tests.faults.judging import violations
from tests.faults.record import Asked, Done, Life, Record, Told
from tests.faults.schedule import KINDS, Kind, schedule


def told(s: float, topic: str, payload: Any, retained: bool = False) -> Told:
    return Told(s=s, topic=topic, payload=payload, retained=retained)


def state(
    s: float,
    name: str,
    step: str = "",
    reason: str | None = None,
    remedy: str | None = None,
    frames: int = 0,
) -> Told:
    payload = {"state": name, "step": step, "reason": reason, "remedy": remedy, "frames": frames}
    return told(s, "state", payload)


def correction(s: float, verdict: str = "not_yet", total: float = 3.0, live: bool = True) -> Told:
    return told(
        s,
        "correction",
        {
            "verdict": verdict, "live": live, "total_error_arcmin": total,
            "total_error_sigma_arcmin": 0.1, "frame_age_s": 0.2, "latency_ms": 50.0,
        },
    )  # fmt: skip


def truth(s: float, arcsec: float, turning: bool = False, slewing: bool = False) -> dict[str, Any]:
    return {"s": s, "total_arcsec": arcsec, "turning": turning, "slewing": slewing}


def good_record() -> Record:
    """An evening of one survey, an adjustment with one fault in it, and an end in order."""
    survey = {
        "verdict": "not_yet", "total_error_arcmin": 3.0, "total_error_sigma_arcmin": 0.1,
        "altitude_error_arcmin": 2.5,
    }  # fmt: skip
    return Record(
        told=[
            told(0.5, "availability", "online"),
            state(0.6, "idle", "ready"),
            state(1.0, "surveying"),
            told(5.0, "survey", survey),
            state(5.0, "idle"),
            state(5.5, "adjusting"),
            correction(6.0),
            correction(9.0, "good_enough", 0.3),
            correction(12.0, live=False),
            state(12.0, "idle"),
            told(12.1, "availability", "offline"),
        ],
        asked=[
            Asked(s=0.9, verb="survey", accepted_s=0.9, ended_s=5.0),
            Asked(s=5.4, verb="adjust", accepted_s=5.4, ended_s=12.0),
        ],
        faults=[Done(kind="clouds", began_s=6.5, ended_s=8.0, recovered_s=9.0)],
        lives=[Life(began_s=0.0, asked_to_end_s=11.9, ended_s=12.2, code=0)],
        truths=[truth(0.2, 180.0), truth(7.0, 100.0, turning=True), truth(7.5, 17.0)],
        journal=[2.50001],
        log="{}",
        ended_s=13.0,
    )


def test_an_evening_without_fault_is_not_blamed() -> None:
    assert violations(good_record()) == []


def broken(name: str) -> Record:
    """Break one thing, and return the record with the word that must be found."""
    record = copy.deepcopy(good_record())
    match name:
        case "never works again":
            record.faults[0].recovered_s = None
        case "works too late":
            record.faults[0].recovered_s = 18.1
        case "dies":
            record.lives[0].asked_to_end_s = None
            record.lives[0].code = 1
        case "ends with a failure":
            record.lives[0].code = 1
        case "ends too late":
            record.lives[0].ended_s = 17.0
        case "false verdict":
            record.truths[-1] = truth(7.5, 60.0 + 3.0 * 6.0 + 1.0)
        case "survey lost":
            record.journal = [1.0]
        case "blocked without a word":
            record.told.insert(4, state(4.0, "blocked", reason="because"))
        case "claims to work":
            record.told = [one for one in record.told if one.s != 5.5 and one.topic != "correction"]
            record.told[4:5] = []
            record.asked[1] = Asked(s=11.0, verb="stop", accepted_s=11.0, ended_s=11.0)
        case "idle without devices":
            record.told = [one for one in record.told if not 5.2 < one.s < 5.8]
            record.faults.append(
                Done(kind=Kind.SERVER_KILLED.value, began_s=1.0, ended_s=12.0, recovered_s=12.5)
            )
            surveying = state(1.0, "surveying")
            record.told = [one for one in record.told if one != surveying]
        case "live for ever":
            record.told = [one for one in record.told if one.s != 12.0 or one.topic == "state"]
        case "not told as gone":
            record.told.pop()
        case "slews on":
            record.truths.append(truth(12.5, 17.0, slewing=True))
        case "breaks its schema":
            record.problems = ["state: [] 'since' is a required property"]
        case "traceback":
            record.log = '{"text": "x", "traceback": "Traceback (most recent call last):\\n"}'
        case "another survey served":
            record.lives[0] = Life(began_s=0.0, killed_s=12.0, ended_s=12.0, code=-9)
            record.lives.append(Life(began_s=14.0, asked_to_end_s=20.0, ended_s=20.1, code=0))
            record.told += [
                told(14.5, "availability", "online"),
                told(
                    14.5, "survey",
                    {"age_s": 9.0, "altitude_error_arcmin": 7.7, "verdict": "not_yet"},
                ),
                told(20.0, "availability", "offline"),
            ]  # fmt: skip
            record.journal = [7.7, 2.5]
            record.ended_s = 21.0
        case "loss in motion untold":
            record.truths.insert(1, truth(6.49, 180.0, slewing=True))
            record.faults[0] = Done(
                kind=Kind.DRIVER_CRASHED.value, began_s=6.5, ended_s=8.6, recovered_s=9.0
            )
    return record


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("never works again", "nothing was measured any more"),
        ("works too late", "10.1 s until work went on"),
        ("dies", "ended by itself"),
        ("ends with a failure", "SIGTERM: code 1"),
        ("ends too late", "SIGTERM: code 0 after 5.1 s"),
        ("false verdict", "says good_enough"),
        ("survey lost", "in no journal"),
        ("blocked without a word", "without reason or remedy"),
        ("claims to work", "was told 2 s after its end"),
        ("idle without devices", "idle was told while the devices were away"),
        ("live for ever", "left standing"),
        ("not told as gone", "not told as offline"),
        ("slews on", "slewed on after SIGTERM"),
        ("breaks its schema", "required property"),
        ("traceback", "a traceback in the log"),
        ("another survey served", "another survey was told"),
        ("loss in motion untold", "may still move"),
    ],
)
def test_each_rule_finds_what_it_is_for(name: str, word: str) -> None:
    assert word in "\n".join(violations(broken(name)))


def test_a_verdict_just_within_three_sigmas_is_no_lie() -> None:
    record = good_record()
    record.truths[-1] = truth(7.5, 60.0 + 3.0 * 6.0 - 1.0)
    assert violations(record) == []


def test_a_seed_gives_its_schedule_again_and_another_seed_another_one() -> None:
    assert schedule(7) == schedule(7)
    assert schedule(7) != schedule(8)
    assert schedule(7, Kind.CLOUDS).faults[0].after_s == schedule(7).faults[0].after_s


def test_every_kind_comes_first_once_in_as_many_seeds() -> None:
    first = [schedule(seed).faults[0].kind for seed in range(len(KINDS))]
    assert sorted(first) == sorted(KINDS)
