"""A short slice of every target, and every kept input: the law holds for all of them."""

import logging
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from tests.fuzz.dice import Dice
from tests.fuzz.law import Judge, Target
from tests.fuzz.state import State
from tests.fuzz.table import TARGETS
from tests.fuzz.worker import Try, inputs, mutated

# Targets that wait for sockets or disks get fewer.
_FEW = {
    "indi_server": 0,
    "page_requests": 10,
    "journal_file": 4,
    "journal_rows": 4,
    "picture": 20,
    "evening": 3,
}


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("name", TARGETS)
def test_any_input_gives_a_result_or_one_of_our_errors(name: str) -> None:
    target = TARGETS[name]
    judge = Judge(target)
    found = {}

    @settings(
        max_examples=_FEW.get(name, 25) or 1, database=None, deadline=None, derandomize=True,
        phases=[Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(inputs(target.seeds(), target.tokens, target.longest))
    def thrown(data: bytes) -> None:
        if (breach := judge.breach(data)) is not None:
            found[breach.key] = (data, breach.story)

    try:
        kept = target.seeds() if name != "indi_server" else []
        for data in kept:
            if (breach := judge.breach(data)) is not None:
                found[breach.key] = (data, breach.story)
        if _FEW.get(name, 25):
            thrown()
    finally:
        judge.close()
    assert not found


def _target(run: Try) -> Target:
    class Made(Target):
        def prepare(self) -> Try:
            return run

    return Made(name="made", about="", maker="")


def _key(run: Try) -> str | None:
    judge = Judge(_target(run))
    try:
        breach = judge.breach(b"x")
    finally:
        judge.close()
    return None if breach is None else breach.key


def test_the_law_sees_exceptions_logged_tracebacks_errors_and_what_costs_too_much(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    nothing: dict[str, int] = {}

    def lacks(_data: bytes) -> None:
        nothing.pop("x")

    def logs(_data: bytes) -> None:
        try:
            raise OSError("x")
        except OSError:
            logging.getLogger("polewright.x").exception("went wrong")

    def hangs(_data: bytes) -> None:
        while True:
            pass

    def says_bug(_data: bytes) -> None:
        logging.getLogger("polewright.x").error("Bug")

    assert (_key(lacks) or "").startswith("raised KeyError")
    assert (_key(logs) or "").startswith("logged OSError")
    assert (_key(says_bug) or "").startswith("logged")
    assert _key(lambda _data: logging.getLogger("polewright.x").info("%d", "x")) is not None
    monkeypatch.setattr("tests.fuzz.law.HANGS_AFTER_S", 0.05)
    assert (_key(hangs) or "").startswith("hang")
    assert _key(lambda _data: None) is None


def test_our_own_errors_are_answers() -> None:
    from polewright.core.errors import UsageError

    def refuses(_data: bytes) -> None:
        raise UsageError("no", remedy="")

    assert _key(refuses) is None


def test_what_a_worker_did_is_known_though_it_died(tmp_path: Path) -> None:
    state = State(tmp_path / "x")
    state.begin(b"first")
    state.begin(b"second one")
    assert (State(tmp_path / "x").seen, State(tmp_path / "x").at_hand) == (2, b"second one")


def test_dice_run_out_without_an_end_and_mutations_are_bytes() -> None:
    dice = Dice(b"")
    assert (dice.below(9), dice.text(), dice.json()) == (0, "", None)
    assert isinstance(mutated(b"abc", bytes(range(24)), [b"de"], (b"token",)), bytes)
