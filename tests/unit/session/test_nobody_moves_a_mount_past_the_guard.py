"""No line of the daemon moves a mount but the guard's own, and the driver's adapter below it."""

import ast
import functools
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3] / "daemon" / "polewright"

MOTIONS = {"slew_to", "set_tracking", "park", "unpark", "sync", "move"}
# Who may call a motion, and which.
GUARD = {"session/safety.py": {"slew_to", "set_tracking", "sync"}}
# INDI properties that move a mount, or shift where its next motion ends.
PROPERTIES = {
    "EQUATORIAL_EOD_COORD", "EQUATORIAL_COORD", "HORIZONTAL_COORD", "TELESCOPE_PARK",
    "TELESCOPE_TRACK_STATE", "TELESCOPE_MOTION_NS", "TELESCOPE_MOTION_WE", "TELESCOPE_HOME",
    "TELESCOPE_TIMED_GUIDE_NS", "TELESCOPE_TIMED_GUIDE_WE", "ON_COORD_SET", "TARGET_EOD_COORD",
}  # fmt: skip
SENDING = {"send_numbers", "send_switch", "send_text", "switch", "_switch_park"}
# The adapter of the mount: it does what the port says, and only the guard asks it.
ADAPTER = {"adapters/indi/mount.py", "adapters/indi/goto.py", "adapters/indi/sync.py"}

# The person of a rehearsal, who points the simulated mount by its own keys, as another client.
REHEARSED = {"app/day_rehearsal.py", "app/rehearsed_person.py"}


@functools.cache
def _sources() -> tuple[tuple[str, ast.Module], ...]:
    return tuple(
        (path.relative_to(ROOT).as_posix(), ast.parse(path.read_text("utf-8")))
        for path in sorted(ROOT.rglob("*.py"))
    )


def _motions(tree: ast.Module) -> set[str]:
    """Every motion that is asked for: by its name, or by a text that may be looked up."""
    asked = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    texts = {
        node.args[1].value
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("getattr", "methodcaller")
        and len(node.args) > 1
        and isinstance(node.args[1], ast.Constant)
    }
    return (asked | texts) & MOTIONS


def _sent(tree: ast.Module) -> set[str]:
    """The moving properties that are named in a call which sends something."""
    sent = set()
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        if node.func.attr in SENDING:
            sent |= {
                part.value
                for argument in node.args
                for part in ast.walk(argument)
                if isinstance(part, ast.Constant) and part.value in PROPERTIES
            }
    return sent


def test_only_the_guard_asks_a_mount_to_move():
    asked = {name: motions for name, tree in _sources() if (motions := _motions(tree))}
    assert asked == GUARD


def test_only_the_mounts_adapter_sends_what_moves_a_mount():
    senders = {name for name, tree in _sources() if _sent(tree)}
    assert senders
    assert senders - REHEARSED <= ADAPTER


def test_only_the_guard_and_those_who_hand_it_over_know_a_mount_that_moves():
    knowing = {
        name
        for name, tree in _sources()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        and node.module == "polewright.ports"
        and "MovingMount" in {alias.name for alias in node.names}
    }
    assert knowing == {
        "session/safety.py", "session/guarding.py", "session/attached.py", "session/evening.py",
    }  # fmt: skip


@pytest.mark.parametrize(
    "line", ["rig.mount.slew_to(1, 2)", "getattr(mount, 'park')()", "m = rig.mount.unpark"]
)
def test_a_line_that_goes_round_the_guard_is_seen(line):
    assert _motions(ast.parse(line))


def test_a_line_that_sends_a_motion_is_seen():
    line = "connection.send_numbers('Kudu', 'EQUATORIAL_EOD_COORD', {'RA': 1.0, 'DEC': 2.0})"
    assert _sent(ast.parse(line)) == {"EQUATORIAL_EOD_COORD"}
