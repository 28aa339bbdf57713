"""A worker: one target under one engine, in a process of its own.

``python -m tests.fuzz.worker TARGET ENGINE INPUTS SECONDS FOLDER SEED``
"""

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.fuzz.dice import Dice
from tests.fuzz.law import Judge
from tests.fuzz.state import State
from tests.fuzz.table import TARGETS

Try = Callable[[bytes], None]

# hypothesis remembers what it has tried: memory stays small in heaps.
_HEAP = 2000


def mutated(base: bytes, script: bytes, seeds: list[bytes], tokens: tuple[bytes, ...]) -> bytes:
    """Return an input changed as a script of dice says."""
    dice, made = Dice(script), bytearray(base)
    while dice.left:
        at = dice.below(len(made) + 1) if len(made) < 256 else dice.below(65536) % (len(made) + 1)
        match dice.below(8):
            case 0:
                made[at:at] = dice.take(1 + dice.below(8))
            case 1:
                del made[at : at + 1 + dice.below(32)]
            case 2 | 3 if tokens:
                made[at:at] = dice.pick(tokens)
            case 4:
                made[at:at] = made[at : at + dice.below(64)] * (1 + dice.below(4))
            case 5 if seeds:
                made[at:] = dice.pick(seeds)[at:]
            case _:
                piece = dice.take(1 + dice.below(2))
                made[at : at + len(piece)] = piece
    return bytes(made)


def inputs(seeds: list[bytes], tokens: tuple[bytes, ...], longest: int) -> st.SearchStrategy[bytes]:
    """Return hypothesis's way to inputs: bytes for the dice, and kept ones changed."""
    free = st.binary(max_size=min(longest, 300))
    if not seeds:
        return free
    changed = st.builds(
        lambda base, script: mutated(base, script, seeds, tokens),
        st.sampled_from(seeds),
        st.binary(min_size=1, max_size=24),
    )
    return st.one_of(free, changed, changed)


def by_hypothesis(
    attempt: Try, strategy: st.SearchStrategy[bytes], count: int, until_s: float, first: int
) -> None:
    """Try so many inputs in heaps, each from a seed of its own."""
    left, number = count, first
    while left > 0 and time.monotonic() < until_s:

        @seed(number)
        @settings(
            max_examples=min(left, _HEAP),
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(strategy)
        def heap(data: bytes) -> None:
            if time.monotonic() < until_s:
                attempt(data)

        heap()
        left, number = left - _HEAP, number + 1


def by_atheris(
    attempt: Try,
    corpus: Path,
    tokens: tuple[bytes, ...],
    longest: int,
    count: int,
    seconds: float,
    first: int,
    seeds: list[bytes],
) -> None:
    """Let libFuzzer follow the coverage; it ends the process by itself."""
    import atheris

    corpus.mkdir(parents=True, exist_ok=True)
    for number, one in enumerate(seeds):
        (corpus / f"seed-{number}").write_bytes(one)
    words = corpus.with_name("tokens.txt")
    words.write_text(
        "".join('"' + "".join(f"\\x{byte:02x}" for byte in one) + '"\n' for one in tokens)
    )
    options = [
        f"-atheris_runs={count}",
        f"-max_total_time={max(1, int(seconds))}",
        f"-max_len={longest}",
        "-timeout=0",
        "-rss_limit_mb=0",
        f"-seed={first}",
        "-print_final_stats=1",
        "-close_fd_mask=0",
        *([f"-dict={words}"] if tokens else []),
        f"-artifact_prefix={corpus.parent}/",
        str(corpus),
    ]
    atheris.Setup([sys.argv[0], *options], attempt)
    atheris.Fuzz()


def main() -> None:
    """Work as the arguments say."""
    name, engine, count, seconds, folder, first = sys.argv[1:]
    target, state = TARGETS[name], State(Path(folder))
    os.nice(10)
    if engine == "atheris":
        import atheris

        assert "polewright.core" not in sys.modules, "what is imported already is not instrumented"
        with atheris.instrument_imports(include=["polewright", "polewright_drivers"]):
            judge = Judge(target)
    else:
        judge = Judge(target)
    begun = state.count

    def attempt(data: bytes) -> None:
        if state.count - begun >= int(count):
            return
        state.begin(data)
        if (breach := judge.breach(data)) is not None:
            state.keep(breach, data)

    seeds, until_s = target.seeds(), time.monotonic() + float(seconds)
    if engine == "atheris":
        by_atheris(
            attempt,
            Path(folder) / "corpus",
            target.tokens,
            target.longest,
            int(count),
            float(seconds),
            int(first),
            seeds,
        )
    else:
        strategy = inputs(seeds, target.tokens, target.longest)
        by_hypothesis(attempt, strategy, int(count), until_s, int(first))


if __name__ == "__main__":
    main()
