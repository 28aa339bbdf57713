"""What fuzzing found, each with its cause: mended, and to stay so."""

import asyncio
import gzip
import io
import json
import logging
import sqlite3
import time
import tracemalloc
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from rich.console import Console

from polewright.adapters.indi.blobs import BlobFilter
from polewright.adapters.indi.client import readable
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.masking import MASK, masked
from polewright.adapters.indi.recording import (
    HEADER,
    RecordedElement,
    RecordedMessage,
    Recorder,
    read_recording,
)
from polewright.adapters.indi.snapshot import PropertyKind, PropertySnapshot, PropertyState
from polewright.adapters.journal.moments import read_moments
from polewright.adapters.journal.store import JournalStore
from polewright.adapters.mqtt.client import read_payload
from polewright.adapters.mqtt.commands import COMMANDS, StopCommand, read_command
from polewright.adapters.mqtt.payloads import Body
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.sensor_input import SensorInputPayload
from polewright.adapters.mqtt.topics import MountTopics, is_identifier
from polewright.adapters.mqtt.watch_input import WatchFramePayload, WatchInputs
from polewright.adapters.web.access import Tokens, is_same_origin
from polewright.adapters.web.greeting import message_text, read_message
from polewright.adapters.web.server import Page
from polewright.cli.display import EveningView
from polewright.cli.watching import screenful
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.imaging.decode import decode_picture
from polewright.session.fleet import FleetView
from polewright.settings.load import SettingsError, parse_settings
from polewright.settings.model import Settings
from polewright.settings.toml_lines import key_lines
from tests.unit.adapters.journal_records import NIGHT, survey_record

KUDU = MountTopics("polewright", "kudu")


# -- pictures -------------------------------------------------------------------------------------


def _fits(**cards: Any) -> bytes:
    unit = fits.PrimaryHDU(np.full((16, 16), 7, np.uint16))
    unit.header.update(cards)
    file = io.BytesIO()
    unit.writeto(file)
    return file.getvalue()


@pytest.mark.parametrize(
    "cards",
    [
        {"DATE-OBS": "2026-11-25T20:00:00", "EXPTIME": 1e20},
        {"DATE-OBS": "9999-12-31T23:59:59", "EXPTIME": 4.0},
        {"DATE-AVG": "9999-12-31T23:59:59.9999999"},
    ],
)
def test_an_instant_beyond_the_calendar_is_unknown_or_the_last_one(cards: dict[str, Any]) -> None:
    """A datetime ends with the year 9999; adding to it overflowed."""
    frame = decode_picture(_fits(**cards))
    assert frame.mid_exposure is None or frame.mid_exposure.year == 9999


def test_a_mosaic_offset_beyond_all_numbers_is_none() -> None:
    """A card may say 1E400, which reads as infinite."""
    card = f"{'XBAYROFF':8}= {'1E400':>20}".ljust(80).encode()
    data = _fits(BAYERPAT="RGGB", XBAYROFF=1).replace(
        f"{'XBAYROFF':8}= {1:>20}".ljust(80).encode(), card
    )
    assert card in data
    assert decode_picture(data).bayer_pattern == "RGGB"


@pytest.mark.parametrize("key", ["NAXIS", "naxis", "ZNAXIS", "TFIELDS"])
def test_a_header_that_counts_millions_of_axes_is_refused_at_once(key: str) -> None:
    """astropy made a list of that length first: minutes, and all memory."""
    card = f"{key:8}= {'99999999':>20}".ljust(80).encode()
    good = f"{'NAXIS':8}= {2:>20}".ljust(80).encode()
    data = _fits().replace(f"{'EXTEND':8}= {'T':>20}".ljust(80).encode(), card)
    data = data if key.startswith(("Z", "T")) else data.replace(good, card)
    with pytest.raises(MeasurementError, match="nobody can mean") as caught:
        decode_picture(data)
    assert caught.value.code == "not_a_picture"


def test_a_packed_file_that_holds_no_picture_is_not_unpacked() -> None:
    """A megabyte of gzip holds a gigabyte of zeros; only its beginning is looked at."""
    data = gzip.compress(bytes(50_000_000), 1)
    tracemalloc.start()
    try:
        with pytest.raises(MeasurementError, match="no FITS"):
            decode_picture(data)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak_bytes < 5_000_000


# -- settings -------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, "[site]\nlatitude_deg = " + "9" * 5000])
def test_settings_that_the_parser_gives_up_are_told_as_wrong(text: str) -> None:
    """tomllib lets a RecursionError and int's own ValueError out (Python 3.11)."""
    with pytest.raises(SettingsError, match="beyond reason") as caught:
        parse_settings(text, name="x.toml")
    assert caught.value.remedy


def test_a_long_list_is_read_once_and_the_line_behind_it_is_right() -> None:
    """Every line of it was read again for each line that followed: minutes for a long one."""
    lines = "\n".join('"kudu", # [' for _ in range(20_000))
    text = f"[page]\nnames = [\n{lines}\n]\nport = 'x'\n"
    begun_s = time.process_time()
    found = key_lines(text)
    assert found["page", "port"] == 20_004
    assert time.process_time() - begun_s < 2.0


def test_a_home_of_nobody_is_a_wrong_path_and_no_bug() -> None:
    with pytest.raises(SettingsError, match="token_file"):
        parse_settings("[page]\ntoken_file = '~nobody-is-called-so/t'\n", name="x.toml")


# -- INDI -----------------------------------------------------------------------------------------


def test_a_drivers_latin_1_is_read_and_can_be_sent_on() -> None:
    """Bytes that are no UTF-8 came as lone surrogates; the reply that held them was dropped."""
    assert readable("12\udcb0 \udce9tat, 12° état") == "12° état, 12° état"


def test_half_a_letter_does_not_cost_a_message() -> None:
    publisher = MqttPublisher(KUDU)
    told: list[str] = []
    publisher.tell_also(lambda _topic, text, _retain: told.append(text))
    error = {"code": "device_refused", "text": "Kudu\udcb0 failed", "remedy": "Look."}
    assert publisher.send(
        "reply/a", {"id": "a", "ok": False, "status": "failed", "error": error}, retain=False
    )
    assert json.loads(told[0].encode())["error"]["text"] == "Kudu? failed"


@pytest.mark.parametrize("value", ["inf", "-inf", "nan", "1e999", "1:inf"])
def test_a_place_that_is_no_number_is_masked_and_does_not_end_the_relay(value: str) -> None:
    """Rounding it raised in the relay's thread, which ended the connection."""
    values, _ = masked("GEOGRAPHIC_COORD", {"LAT": value}, "", with_place=False)
    assert values == {"LAT": MASK}
    file = io.StringIO()
    data = (
        f"<setNumberVector device='Kudu' name='GEOGRAPHIC_COORD'><oneNumber name='LAT'>{value}"
        "</oneNumber></setNumberVector>"
    )
    Recorder(file, with_place=False).received(data.encode(), BlobFilter())
    assert MASK in file.getvalue()


@pytest.mark.parametrize("text", ["a\u2028b", "a\x85b", "a\x0cb\x1c"])
def test_a_text_with_odd_ends_of_lines_stays_one_line_of_a_recording(
    tmp_path: Path, text: str
) -> None:
    """They end a line for str.splitlines, and JSON leaves them as they are."""
    element = RecordedElement(tag="oneText", attributes={"name": "A"}, text=text)
    message = RecordedMessage(at_s=0.5, sent=False, tag="setTextVector", elements=(element,))
    path = tmp_path / "odd.txt"
    path.write_text(f"{HEADER}\n{message.line()}\n", "utf-8")
    assert read_recording(path) == (message,)


@pytest.mark.parametrize("data", [b"\xff\xfe", HEADER.encode() + b"\n 0.000 < x a=" + b"[" * 9000])
def test_what_is_no_text_or_nested_beyond_reason_is_no_recording(
    tmp_path: Path, data: bytes
) -> None:
    path = tmp_path / "bad.txt"
    path.write_bytes(data)
    with pytest.raises(UsageError) as caught:
        read_recording(path)
    assert caught.value.code == "not_a_recording"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_number_that_is_none_counts_as_not_told(value: float) -> None:
    """The camera's size was rounded from it, which raised."""

    class Told:
        def read(self, _device: str, name: str) -> PropertySnapshot:
            return PropertySnapshot(
                device="Hoopoe", name=name, kind=PropertyKind.NUMBER, state=PropertyState.OK,
                numbers=MappingProxyType({"CCD_MAX_X": value, "CCD_MAX_Y": 960.0}),
            )  # fmt: skip

    device = IndiDevice(Told(), "Hoopoe", essential="CCD_INFO", role="camera")  # type: ignore[arg-type]
    assert device.number("CCD_INFO", "CCD_MAX_X") is None
    assert device.number("CCD_INFO", "CCD_MAX_Y") == 960.0


# -- MQTT -----------------------------------------------------------------------------------------


def test_a_line_end_behind_a_name_is_no_part_of_a_topic() -> None:
    """``$`` matches before it: answers went out on topics that nobody can subscribe to."""
    assert not is_identifier("a\n")
    assert KUDU.relative("polewright/kudu/command/stop\n") is None
    with pytest.raises(ValueError, match="not a topic"):
        KUDU.full("reply/a\n")
    with pytest.raises(ValueError, match="topic root"):
        MountTopics("polewright", "kudu\n")


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59Z"])
def test_an_offset_of_another_age_is_passed_over(at: str) -> None:
    """The sky's calculation refuses such years, which ended the watch."""
    offsets: list[Any] = []
    watch = WatchInputs(
        lambda _file: None, offsets.append, lambda: datetime(2026, 11, 25, 20, tzinfo=UTC)
    )
    watch.take_guide(json.dumps({"declination_arcsec": 1.0, "at": at}).encode(), False)
    assert (offsets, watch.refused) == ([], 1)


@pytest.mark.parametrize(
    "payload", [b'{"a":' * 5000, b'{"total_error_arcmin": 1e999}', b'{"at": NaN}', b"{"]
)
def test_a_topic_that_is_no_json_is_a_bare_text_to_displays(payload: bytes) -> None:
    """Nested without end it ended ``watch`` and ``fleet``; no number of JSON ended ``status``."""
    assert read_payload(payload) == payload.decode()


def test_a_figure_of_400_digits_in_the_fleet_is_none() -> None:
    fleet = FleetView()
    fleet.take("kudu", "survey", {"total_error_arcmin": 10**400}, retained=False)
    assert fleet.rows()[0].total_error_arcmin is None


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("correction", {"live": True, "verdict": "wonderful"}),
        ("survey", {"total_error_arcmin": "large"}),
        ("state", {"state": "surveying", "percent": "half"}),
        ("event", {"level": None}),
    ],
)
def test_somebody_elses_words_do_not_end_the_display(topic: str, payload: dict[str, Any]) -> None:
    view = EveningView()
    view.take("availability", "online")
    view.take(topic, payload)
    console = Console(file=io.StringIO(), width=80, height=24)
    console.print(screenful(view, "kudu", console))
    assert view.lines()


# -- the page -------------------------------------------------------------------------------------


@pytest.mark.parametrize("origin", ["http://[", "http://[::1", "https://[x]"])
def test_an_origin_that_is_no_address_is_foreign(origin: str) -> None:
    assert not is_same_origin(origin, "127.0.0.1")


def test_half_a_letter_is_no_token_and_comes_back_as_ascii() -> None:
    assert Tokens(command="c" * 32, look="l" * 32).role_of("\ud800") is None
    text = message_text("reply/refused", {"id": "\ud800"})
    assert json.loads(text.encode())["payload"] == {"id": "\ud800"}


def test_a_number_beyond_all_bounds_is_not_understood() -> None:
    """It came back as ``Infinity``, which no browser reads."""
    assert read_message('{"clock": 1e999}') is None
    assert read_message('{"clock": 1e9}') == {"clock": 1e9}


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"K\xde?\xef\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"GET / HTTP/9.9.9\r\n\r\n",
        b"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://[\r\n\r\n",
    ],
)
async def test_what_is_no_request_leaves_no_traceback_in_the_log(
    request_bytes: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    settings = Settings.model_validate({"mount": {"slug": "kudu"}, "page": {"port": 0}})
    page = Page(settings, lambda _verb, _payload: None, lambda: None)
    async with page.serving():
        reader, writer = await asyncio.open_connection("127.0.0.1", page.port)
        writer.write(request_bytes)
        async with asyncio.timeout(5.0):
            answer = await reader.read(64)
        writer.close()
    assert answer.startswith((b"HTTP/1.1 4", b"HTTP/1.0 4"))
    assert [one for one in caplog.records if one.exc_info or one.levelno >= logging.ERROR] == []


# -- the journal ----------------------------------------------------------------------------------


def test_an_instant_without_a_zone_in_a_journal_is_passed_over(tmp_path: Path) -> None:
    """Compared with one that has a zone, it raised."""
    path = tmp_path / "journal.sqlite3"
    with closing(JournalStore(path, now=lambda: NIGHT)) as store:
        store.commit_survey(survey_record(1), ())
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for at in ("2026-11-25T20:00:00", "2026-11-25T20:10:00+00:00"):
            connection.execute(
                "INSERT INTO transition (evening_id, at, before, after, happening) "
                "VALUES (1, ?, 'idle', 'adjusting', 'x')",
                (at,),
            )
        (moments,) = read_moments(connection).values()
    assert len(moments) == 2


@pytest.mark.parametrize("model", [StopCommand, SensorInputPayload, WatchFramePayload])
def test_a_contract_version_that_is_a_truth_is_refused_as_by_the_published_schema(
    model: type[Body],
) -> None:
    given = {"id": "a", "gravity_ms2": [0.0, 9.8, 0.0], "file": "a.fits"}
    fields = {name: value for name, value in given.items() if name in model.model_fields}
    assert model.model_validate_json(json.dumps(fields | {"v": 1}))
    with pytest.raises(ValueError, match="version"):
        model.model_validate_json(json.dumps(fields | {"v": True}))


def test_null_is_an_argument_left_out_and_never_a_word_about_the_filter() -> None:
    asked = read_command("adjust", b'{"id": "a", "by": null, "motors": null}', COMMANDS)
    assert asked.arguments() == {}
    with pytest.raises(UsageError, match="fitted = null is refused"):
        read_command(
            "confirm_solar_filter", b'{"id": "b", "camera": "Hoopoe", "fitted": null}', COMMANDS
        )
