"""What imaging programs hand over by MQTT: bounded, checked, never retained."""

from datetime import UTC, datetime

import pytest

from polewright.adapters.mqtt.watch_input import WatchInputs

NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


@pytest.fixture
def taken():
    class Taken:
        files: list = []
        offsets: list = []

    taken = Taken()
    taken.files, taken.offsets = [], []
    taken.inputs = WatchInputs(taken.files.append, taken.offsets.append, lambda: NOW)
    return taken


def test_an_offset_without_a_time_is_of_now(taken):
    taken.inputs.take_guide(b'{"declination_arcsec": -1.5, "new_reference": true}', False)
    (offset,) = taken.offsets
    assert (offset.instant, offset.declination_arcsec, offset.anew) == (NOW, -1.5, True)


def test_a_file_is_handed_on_by_name(taken):
    taken.inputs.take_frame(b'{"v": 1, "file": "night/light_1.fits"}', False)
    assert taken.files == ["night/light_1.fits"]


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"[]", b'{"declination_arcsec": "1"}', b'{"declination_arcsec": NaN}',
        b'{"declination_arcsec": 1e9}', b'{"declination_arcsec": 1, "what": 2}',
        b'{"declination_arcsec": 1, "at": "2026-11-25T20:00:00"}', b" " * 2000,
    ],
)  # fmt: skip
def test_what_is_not_fit_is_passed_over(taken, payload):
    taken.inputs.take_guide(payload, False)
    assert taken.offsets == []
    assert taken.inputs.refused == 1


def test_what_is_retained_is_passed_over(taken):
    taken.inputs.take_guide(b'{"declination_arcsec": 1.0}', True)
    taken.inputs.take_frame(b'{"file": "a.fits"}', True)
    assert (taken.offsets, taken.files, taken.inputs.refused) == ([], [], 2)
