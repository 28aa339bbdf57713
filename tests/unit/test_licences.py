"""Licences: nothing runs with polewright whose terms nobody has read."""

import pytest

from tests.docs.licences import (
    WITH_CONDITIONS,
    is_permissive,
    licence_of,
    pinned,
)


def test_every_package_at_run_time_is_permissive_or_was_read_by_a_person() -> None:
    unread = {
        pin.name: licence_of(pin.name)
        for pin in pinned()
        if pin.name not in WITH_CONDITIONS and not is_permissive(licence_of(pin.name))
    }
    assert unread == {}


def test_what_was_read_by_a_person_is_still_what_the_package_states() -> None:
    here = {pin.name for pin in pinned()}
    assert here, "no pins at all"
    for name, (licence, words) in WITH_CONDITIONS.items():
        assert words
        if name in here:
            assert licence_of(name) == licence, name
            assert not is_permissive(licence), f"{name} needs no words"


@pytest.mark.parametrize(
    ("expression", "permissive"),
    [
        ("MIT", True),
        ("Apache-2.0 AND MIT", True),
        ("EPL-2.0 OR BSD-3-Clause", True),
        ("MIT AND CC-BY-SA-4.0", False),
        ("GPL-3.0-or-later", False),
        ("unknown", False),
    ],
)
def test_an_expression_is_as_free_as_its_strictest_part(expression: str, permissive: bool) -> None:
    assert is_permissive(expression) is permissive
