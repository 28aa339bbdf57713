"""The mutation tool: it makes the mistakes that it says, and believes no test that saw nothing."""

from pathlib import Path

import pytest

from tests.mutation.__main__ import interval
from tests.mutation.mutating import mutants_of
from tests.mutation.trying import Ground

MODULE = '''"""A lever."""

SLACK = 1e-30


def moment(force: float, arm: float) -> float:
    """Force times arm; nothing within the slack."""
    return force * arm + SLACK
'''
TESTS = """from lever import moment


def test_a_longer_arm_is_more():
    assert moment(3.0, 2.0) == 6.0
"""


def changes(source: str) -> set[str]:
    return {f"{one.kind}: {one.before} -> {one.after}" for one in mutants_of("x", source.encode())}


@pytest.mark.parametrize(
    ("source", "wanted"),
    [
        ("a = b - c", {"arithmetic: b - c -> (b + c)"}),
        ("a -= b", {"arithmetic: a -= b -> a += b"}),
        ("a = b < c", {"comparison: b < c -> (b <= c)", "comparison: b < c -> (b >= c)"}),
        ("a = b and c", {"boolean: b and c -> (b or c)"}),
        ("a = -b", {"sign: -b -> (b)"}),
        ("a = min(b, c)", {"function: min(b, c) -> max(b, c)"}),
        ("a = A @ B", {"order: A @ B -> (B @ A)"}),
        ("a = 2.5", {"constant: 2.5 -> 5.0"}),
        ("if a: b = c", {"condition: a -> not a"}),
        ("def f() -> int:\n    return a", {"return None: return a -> return None"}),
        ("a: 'list[int]' = b", set()),
        ('a = f"{b - c:.1f}"', set()),
        ("a = 'né' + b", {"arithmetic: 'né' + b -> ('né' - b)"}),
    ],
)  # fmt: skip
def test_the_mistakes_are_these(source: str, wanted: set[str]) -> None:
    assert changes(source) == wanted


def test_a_wrong_sign_is_killed_and_a_change_that_changes_nothing_survives(tmp_path: Path) -> None:
    (tmp_path / "daemon").mkdir()
    (tmp_path / "checks").mkdir()
    (tmp_path / "daemon" / "lever.py").write_text(MODULE, "utf-8")
    (tmp_path / "checks" / "test_lever.py").write_text(TESTS, "utf-8")
    ground = Ground(tmp_path, "daemon", ["checks"])
    try:
        ends = {one.after: ground.tried(one).end for one in ground.mutants("daemon/lever.py")}
    finally:
        ground.close()
    # 6 and 2e-30 are 6: nobody can tell these two from the original.
    assert ends.pop("2e-30") == "survived"
    assert ends.pop("(force * arm - SLACK)") == "survived"
    assert ends == {"(force / arm)": "killed", "return None": "killed"}
    assert (tmp_path / "daemon" / "lever.py").read_text("utf-8") == MODULE


def test_the_bounds_of_a_share_are_wilsons() -> None:
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I: 81 of 263, 15 of 148.
    assert interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert interval(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
