"""The bracket driver: lines, axes and the kernel's files in, an INDI device out."""

import asyncio
import json
import math
import socket
from pathlib import Path

import numpy as np
import pytest

from polewright_drivers.bracket.device import SILENT_S, Bracket
from polewright_drivers.bracket.iio import IioSensors
from polewright_drivers.bracket.readings import (
    LONGEST_LINE_BYTES,
    Arrangement,
    BadReadingError,
    Mean,
    Reading,
    axes_of,
    lines_of,
    parse,
)
from polewright_drivers.bracket.sources import SourceError, source_of
from polewright_drivers.indi.driver import Driver
from tests.unit.drivers.wire import Wire, wired

LINE = b'{"gravity_ms2": [0.1, 8.2, 5.3], "field_ut": [3, -10.1, -21.0], "who": "me"}\n'


def test_a_line_is_read_whatever_else_is_in_it():
    reading = parse(LINE)
    assert reading.gravity_ms2 == pytest.approx([0.1, 8.2, 5.3])
    assert reading.field_ut == pytest.approx([3.0, -10.1, -21.0])
    assert reading.rate_deg_s is None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 4000, "not JSON"),
        (b"[1, 2, 3]", "not a JSON object"),
        (b'{"gravity": [1, 2, 3]}', "none of"),
        (b'{"gravity_ms2": [1, 2]}', "three numbers"),
        (b'{"gravity_ms2": [1, 2, true]}', "True"),
        (b'{"gravity_ms2": [1, 2, NaN]}', "nan"),
        (b'{"gravity_ms2": [1, 2, 1e999]}', "inf"),
        (b'{"gravity_ms2": [1, 2, "9.8"]}', "9.8"),
        (b'{"field_ut": [1, 2, 1e5]}', "within 10000"),
        (b'{"field_ut": [1, 2, ' + b"7" * 400 + b"]}", "within 10000"),
        (b'{"gravity_ms2": [1, 2, ' + b"1" * 5000 + b"]}", "longer"),
    ],
)
def test_a_line_that_is_no_reading_is_refused_with_a_reason(line, words):
    with pytest.raises(BadReadingError, match=words):
        parse(line)


def test_axes_are_turned_and_gravity_is_turned_up():
    """A board on its side: its x up, its z to the right."""
    turned = Arrangement(axes=axes_of("z,x,y"), field_axes=axes_of("x,-z,y"), gravity_down=True)
    out = turned.applied(parse(b'{"gravity_ms2": [-9.8, 0, 0], "field_ut": [1, 2, 3]}'))
    assert out.gravity_ms2 == pytest.approx([0.0, 9.8, 0.0])
    assert out.field_ut == pytest.approx([1.0, -3.0, 2.0])
    assert out.rate_deg_s is None


@pytest.mark.parametrize("text", ["x,y", "x,x,z", "x,y,w", "x y z", ""])
def test_axes_that_are_none_are_refused(text):
    with pytest.raises(BadReadingError, match="not three axes"):
        axes_of(text)


@pytest.mark.parametrize("text", ["-x,y,z", "y,x,z", "-x,-y,-z"])
def test_axes_that_mirror_are_refused(text):
    with pytest.raises(BadReadingError, match="mirrors"):
        axes_of(text)


def test_readings_between_two_looks_are_averaged_and_a_flood_is_cut():
    mean = Mean()
    for value in (1.0, 2.0, 6.0):
        mean.add(Reading(gravity_ms2=np.array([value, 0.0, 0.0])))
    taken = mean.take()
    assert taken.gravity_ms2 == pytest.approx([3.0, 0.0, 0.0])
    assert taken.field_ut is None
    assert mean.take().gravity_ms2 is None
    for _ in range(1000):
        if not mean.full:
            mean.add(Reading(field_ut=np.ones(3)))
    assert mean.full


def test_a_piece_of_data_is_cut_into_lines():
    assert list(lines_of(b"a\n\nb\r\n  \nc")) == [b"a", b"b", b"c"]


# the kernel's files


def kernel_tree(root: Path) -> Path:
    """A tree as two chips make it: an accelerometer with a scale for all axes, a magnetometer
    with one of each, mounted turned."""
    accel, magn = root / "iio:device0", root / "iio:device1"
    files = {
        accel / "name": "one",
        accel / "in_accel_x_raw": "100",
        accel / "in_accel_y_raw": "-200",
        accel / "in_accel_z_raw": "16000",
        accel / "in_accel_scale": "0.000598",
        accel / "in_accel_offset": "12",
        accel / "in_anglvel_x_raw": "10",
        accel / "in_anglvel_y_raw": "0",
        accel / "in_anglvel_z_raw": "-10",
        accel / "in_anglvel_scale": "0.001",
        magn / "name": "two",
        magn / "in_magn_x_raw": "1000",
        magn / "in_magn_y_raw": "2000",
        magn / "in_magn_z_raw": "3000",
        magn / "in_magn_x_scale": "0.0001",
        magn / "in_magn_y_scale": "0.0002",
        magn / "in_magn_z_scale": "0.0001",
        magn / "in_mount_matrix": "0, 1, 0; -1, 0, 0; 0, 0, 1",
    }
    for path, text in files.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text + "\n")
    return root


def test_the_kernels_files_are_read_in_their_units(tmp_path):
    """Linux, Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) * scale; a gauss is 100 uT."""
    sensors = IioSensors.found(kernel_tree(tmp_path))
    assert sensors is not None
    reading = sensors.read()
    assert reading.gravity_ms2 == pytest.approx([112 * 598e-6, -188 * 598e-6, 16012 * 598e-6])
    assert reading.field_ut == pytest.approx([40.0, -10.0, 30.0])
    assert reading.rate_deg_s == pytest.approx([math.degrees(0.01), 0.0, -math.degrees(0.01)])


def test_a_tree_without_an_accelerometer_is_none(tmp_path):
    assert IioSensors.found(tmp_path) is None
    assert IioSensors.found(tmp_path / "missing") is None


# the device


@pytest.mark.parametrize("text", ["", "udp", "udp:", "udp:x", "udp:70000", "usb:1", "stdin:3"])
def test_a_source_that_is_none_is_refused_with_those_that_are(text):
    with pytest.raises(SourceError, match=r"udp:PORT.*iio:PATH"):
        source_of(text)


def test_a_source_listens_on_this_machine_only_unless_it_is_told():
    assert source_of("udp:7625").name == "udp 127.0.0.1:7625"
    assert source_of("tcp:7625").name == "tcp 127.0.0.1:7625"
    assert source_of("udp:0.0.0.0:7625").name == "udp 0.0.0.0:7625"
    assert source_of("udp:[::1]:7625").name == "udp ::1:7625"


async def connected(wire: Wire) -> int:
    """Connect, and return the port that the source got."""
    await wire.switch("Bracket", "CONNECTION", "CONNECT")
    await wire.until("SOURCE", lambda e: e.tag == "defTextVector")
    return int(wire.last("SOURCE")["SOURCE"].rpartition(":")[2])


async def test_lines_in_datagrams_become_properties_and_silence_is_told():
    driver = Driver([Bracket(source_of("udp:0"), Arrangement())])
    async with wired(driver) as wire:
        port = await connected(wire)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(b"rubbish\n" + LINE, ("127.0.0.1", port))
        await wire.until("MAGNETIC_FIELD", lambda e: e.get("state") == "Ok")
        gravity = [float(v) for v in wire.last("GRAVITY").values()]
        assert gravity == pytest.approx([0.1, 8.2, 5.3])
        silent = await wire.until("GRAVITY", lambda e: e.get("state") == "Alert")
        assert f"for {SILENT_S:g} s" in silent.get("message", "")
        await wire.until("MAGNETIC_FIELD", lambda e: e.get("state") == "Alert")
        assert not any(
            e.get("name") == "ROTATION_RATE" and e.get("state") == "Alert" for e in wire.said
        ), "what never was there is not missed"


async def test_lines_over_a_connection_become_properties_and_an_endless_one_is_dropped():
    driver = Driver([Bracket(source_of("tcp:0"), Arrangement())])
    async with wired(driver) as wire:
        port = await connected(wire)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(json.dumps({"gravity_ms2": [0, 0, 9.8]}).encode() + b"\n")
        await wire.until("GRAVITY", lambda e: e.get("state") == "Ok")
        assert float(wire.last("GRAVITY")["Z"]) == pytest.approx(9.8)
        writer.write(b"9" * (3 * LONGEST_LINE_BYTES))
        assert await asyncio.wait_for(reader.read(), 5.0) == b""
        writer.close()


async def test_the_kernels_sensors_become_properties(tmp_path):
    driver = Driver([Bracket(source_of(f"iio:{kernel_tree(tmp_path)}"), Arrangement())])
    async with wired(driver) as wire:
        await wire.switch("Bracket", "CONNECTION", "CONNECT")
        await wire.until("ROTATION_RATE", lambda e: e.get("state") == "Ok")
        await wire.until("MAGNETIC_FIELD", lambda e: e.get("state") == "Ok")
        assert float(wire.last("GRAVITY")["Z"]) == pytest.approx(16012 * 598e-6, abs=1e-6)
        assert float(wire.last("MAGNETIC_FIELD")["X"]) == pytest.approx(40.0)


async def test_a_source_that_cannot_be_opened_is_told_and_the_device_stays_unconnected(tmp_path):
    driver = Driver([Bracket(source_of(f"iio:{tmp_path}"), Arrangement())])
    async with wired(driver) as wire:
        await wire.switch("Bracket", "CONNECTION", "CONNECT")
        refusal = await wire.until("CONNECTION", lambda e: e.get("state") == "Alert")
        assert "no accelerometer" in refusal.get("message", "")
        assert wire.last("CONNECTION") == {"CONNECT": "Off", "DISCONNECT": "On"}


async def test_a_device_that_is_disconnected_listens_no_more_and_can_be_connected_again():
    driver = Driver([Bracket(source_of("udp:0"), Arrangement())])
    async with wired(driver) as wire:
        port = await connected(wire)
        await wire.switch("Bracket", "CONNECTION", "DISCONNECT")
        await wire.until("CONNECTION", lambda e: e.get("state") == "Idle")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", port))
        wire.said.clear()
        assert await connected(wire) == port
