"""Recordings: lines and messages, and what is kept out of them."""

import io
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.indi.blobs import BlobFilter
from polewright.adapters.indi.masking import MASK, masked
from polewright.adapters.indi.recording import (
    RecordedElement,
    RecordedMessage,
    Recorder,
    parse_line,
    read_recording,
)
from polewright.core.errors import UsageError

NAMES = st.from_regex(r"[A-Za-z_][\w]{0,8}", fullmatch=True)
TEXTS = st.text(max_size=30)


@given(
    tag=NAMES,
    attributes=st.dictionaries(NAMES, TEXTS, max_size=4),
    elements=st.lists(
        st.builds(
            lambda tag, attributes, text: RecordedElement(
                tag=tag, attributes=attributes, text=text
            ),
            NAMES,
            st.dictionaries(NAMES, TEXTS, max_size=3),
            TEXTS,
        ),
        max_size=4,
    ),
    sent=st.booleans(),
)
def test_a_line_holds_a_whole_message(
    tag: str, attributes: dict[str, str], elements: list[RecordedElement], sent: bool
) -> None:
    message = RecordedMessage(
        at_s=12.345, sent=sent, tag=tag, attributes=attributes, elements=tuple(elements)
    )
    line = message.line()
    assert "\n" not in line
    assert parse_line(line) == message


@pytest.mark.parametrize("line", ["", "hello", "1.0 < a b", '1.0 < a b="c', "1.0 < a b=3", "x < a"])
def test_a_damaged_line_is_refused(line: str) -> None:
    with pytest.raises(ValueError):
        parse_line(line)


def test_a_damaged_recording_is_refused_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "kudu.txt"
    file.write_text("polewright recording 1\n# a comment\n\n    0.001 > connect\nrubbish\n")
    with pytest.raises(UsageError, match=r"kudu\.txt, line 5"):
        read_recording(file)
    file.write_text("something else\n")
    with pytest.raises(UsageError, match="not a recording"):
        read_recording(file)


def recorded(*streams: bytes, with_place: bool = False) -> list[RecordedMessage]:
    """Record what a server says; return the messages, the begin of the connection left out."""
    file = io.StringIO()
    recorder = Recorder(file, with_place=with_place)
    recorder.opened()
    blobs = BlobFilter()
    for stream in streams:
        recorder.received(blobs.feed(stream), blobs)
    return [parse_line(line) for line in file.getvalue().splitlines()[2:]]


SITE = (
    b"<setNumberVector device='Kudu' name='GEOGRAPHIC_COORD' state='Ok'>"
    b"<oneNumber name='LAT'>-32.4017</oneNumber><oneNumber name='LONG'>22:42:17.5</oneNumber>"
    b"<oneNumber name='ELEV'>1253</oneNumber></setNumberVector>"
)


def values(message: RecordedMessage) -> list[str]:
    return [one.text for one in message.elements]


def test_a_site_is_rounded_unless_it_is_asked_for() -> None:
    (rounded,) = recorded(SITE)
    assert values(rounded) == ["-32", "23", "1300"]
    (exact,) = recorded(SITE, with_place=True)
    assert values(exact) == ["-32.4017", "22:42:17.5", "1253"]


def test_a_frame_leaves_its_size_and_format_only() -> None:
    stream = (
        b"<setBLOBVector device='Hoopoe' name='CCD1' state='Ok'><oneBLOB name='CCD1' size='6'"
        b" format='.fits'>QUJDREVG</oneBLOB></setBLOBVector>"
    )
    (message,) = recorded(stream[:60], stream[60:])
    assert "QUJD" not in message.line()
    assert message.elements[0].attributes == {
        "name": "CCD1", "format": ".fits", "size": "6", "came": "6"
    }  # fmt: skip


class OneWriterOnly(io.StringIO):
    """A text file that takes its time, and notes a second writer meanwhile."""

    overlapped = False
    _busy = False

    def write(self, text: str) -> int:
        self.overlapped |= self._busy
        self._busy = True
        time.sleep(0.001)
        self._busy = False
        return super().write(text)


def test_both_directions_write_whole_lines() -> None:
    file = OneWriterOnly()
    recorder = Recorder(file, with_place=False)
    blobs = BlobFilter()
    ways = (
        threading.Thread(target=lambda: [recorder.sent(b"<getProperties/>") for _ in range(50)]),
        threading.Thread(target=lambda: [recorder.received(SITE, blobs) for _ in range(50)]),
    )
    for way in ways:
        way.start()
    for way in ways:
        way.join()
    assert not file.overlapped
    assert len([parse_line(line) for line in file.getvalue().splitlines()[1:]]) == 100


def test_what_is_no_xml_is_noted_and_ends_nothing() -> None:
    (message,) = recorded(b"<setNumberVector <<<", b"<message device='Kudu'/>")
    assert message.tag == "unreadable"


@pytest.mark.parametrize(
    ("name", "element", "text", "kept"),
    [
        ("WIFI", "WIFI_PASSWORD", "swordfish", MASK),
        ("MQTT_LOGIN", "USER", "anna", MASK),
        ("FITS_HEADER", "FITS_OBSERVER", "Anna", MASK),
        ("DEVICE_ADDRESS", "ADDRESS", "192.168.1.7", MASK),
        ("GPS_STATUS", "LATITUDE", "-32.40", "-32"),
        ("TIME_LST", "LST", "4.25", "0"),
        ("UPLOAD_SETTINGS", "UPLOAD_DIR", "/home/anna/frames", f"/home/{MASK}/frames"),
        ("DEVICE_PORT", "PORT", "/dev/serial/by-id/usb-X_123", f"/dev/serial/by-id/{MASK}"),
        ("TELESCOPE_TRACK_STATE", "TRACK_ON", "On", "On"),
        ("EQUATORIAL_EOD_COORD", "RA", "12.5", "12.5"),
        ("CCD_INFO", "CCD_PIXEL_SIZE", "3.75", "3.75"),
    ],
)
def test_secrets_and_places_are_masked_and_nothing_else(
    name: str, element: str, text: str, kept: str
) -> None:
    assert masked(name, {element: text}, "", with_place=False)[0] == {element: kept}


def test_words_about_the_site_lose_their_figures() -> None:
    said = "[INFO] Observer location updated: Latitude -32:24:06 Longitude 22:42:17"
    assert not any(letter in "12345" for letter in masked("", {}, said, with_place=False)[1])
    assert masked("", {}, said, with_place=True)[1] == said
    assert masked("", {}, "[INFO] Slewing to RA: 12:45", with_place=False)[1].endswith("12:45")
