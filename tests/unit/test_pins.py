"""Pins: every package by exact version and hash, nothing by address, all that is declared."""

import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.audit.__main__ import LISTS, told
from tests.docs.blocks import ROOT

_PIN = re.compile(r"^[a-z0-9][a-z0-9.\-]*==[^\s;]+( ; [^\\]+)?$")
_HASH = re.compile(r"^--hash=sha256:[0-9a-f]{64}$")


def pins(name: str) -> dict[str, list[Requirement]]:
    joined = (ROOT / "configs" / name).read_text("utf-8").replace("\\\n", "")
    found: dict[str, list[Requirement]] = {}
    for line in filter(None, joined.splitlines()):
        pin, *hashes = re.split(r"\s+(?=--hash)", line.strip())
        assert _PIN.match(pin.strip()), f"{name}: {pin}"
        assert hashes, f"{name}: {pin} has no hash"
        assert all(_HASH.match(one) for one in hashes), f"{name}: {pin}"
        requirement = Requirement(pin)
        found.setdefault(canonicalize_name(requirement.name), []).append(requirement)
    return found


@pytest.mark.parametrize("name", LISTS)
def test_every_package_is_pinned_by_version_and_hash(name: str) -> None:
    assert pins(name)
    assert "://" not in (ROOT / "configs" / name).read_text("utf-8")


def test_all_that_is_declared_is_pinned_within_what_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    declared = [*project["project"]["dependencies"]]
    for extra in project["project"]["optional-dependencies"].values():
        declared += extra
    used, tested = pins("requirements.txt"), pins("requirements-dev.txt")
    tests_only = [one for group in project["dependency-groups"].values() for one in group]
    for text, lists in [(one, (used, tested)) for one in declared] + [
        (one, (tested,)) for one in tests_only
    ]:
        wanted = Requirement(text)
        for held in lists:
            found = held.get(canonicalize_name(wanted.name))
            assert found, f"{wanted.name} is declared and not pinned"
            for pin in found:
                (version,) = (specifier.version for specifier in pin.specifier)
                assert wanted.specifier.contains(version), f"{pin} is not {wanted}"


def test_tests_run_with_the_versions_that_people_get() -> None:
    used, tested = pins("requirements.txt"), pins("requirements-dev.txt")
    for name, pin in used.items():
        assert [str(one) for one in tested[name]] == [str(one) for one in pin]


def test_an_audit_that_looked_up_nothing_does_not_call_it_clean() -> None:
    skipped = {"name": "rooibos", "skip_reason": "not found"}
    clean = {"name": "acacia", "version": "1.0", "vulns": []}
    flaw = {"id": "FLAW-1", "fix_versions": ["1.1"]}
    flawed = {"name": "aloe", "version": "1.0", "vulns": [flaw]}
    assert told([clean], "list") == (0, ["list: 1 packages looked up, 0 with known flaws"])
    code, lines = told([skipped, clean], "list")
    assert code == 3
    assert "1 of 2 packages were NOT looked up (rooibos)" in lines[0]
    code, lines = told([flawed, skipped], "list")
    assert code == 1
    assert "aloe 1.0: FLAW-1, mended in 1.1" in lines[0]
    assert told([], "list")[0] == 3
