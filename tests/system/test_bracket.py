"""The bracket driver as a program: over its standard streams, and under Debian's indiserver."""

import json
import os
import shutil
import socket
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import pytest

from polewright_drivers.indi.stream import ElementReader
from tests.system.indi_servers import free_port
from tests.system.test_sky_simulator_indi import dial, stop

pytestmark = pytest.mark.indi

PROGRAM = [sys.executable, "-m", "polewright_drivers.bracket.driver"]
GRAVITY = [0.5, 8.1, 5.4]
FIELD = [2.0, -9.0, -22.0]


def elements(process: subprocess.Popen[bytes]) -> Iterator[ET.Element]:
    assert process.stdout is not None
    reader = ElementReader()
    while data := os.read(process.stdout.fileno(), 1 << 16):
        yield from reader.feed(data)


def values(element: ET.Element) -> list[float]:
    return [float(member.text or "nan") for member in element]


def test_over_a_pipe_it_defines_its_properties_and_tells_what_a_sensor_sends():
    process = subprocess.Popen(
        [*PROGRAM, "--source", "udp:0", "--axes=y,-x,z"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdin is not None
        process.stdin.write(
            b'<getProperties version="1.7"/><newSwitchVector device="Bracket" name="CONNECTION">'
            b'<oneSwitch name="CONNECT">On</oneSwitch></newSwitchVector>'
        )
        process.stdin.flush()
        stream = elements(process)
        defined = {}
        for element in stream:
            defined[element.get("name")] = element
            if element.get("name") == "SOURCE":
                break
        for name in ("GRAVITY", "MAGNETIC_FIELD", "ROTATION_RATE"):
            assert [m.get("name") for m in defined[name]] == ["X", "Y", "Z"]
            assert defined[name].get("perm") == "ro"
            assert defined[name].get("state") == "Idle"
        port = int((defined["SOURCE"][0].text or "").strip().rpartition(":")[2])
        line = json.dumps({"gravity_ms2": GRAVITY, "field_ut": FIELD}).encode()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(line, ("127.0.0.1", port))
        told = {}
        for element in stream:
            told[element.get("name")] = element
            if "MAGNETIC_FIELD" in told and "GRAVITY" in told:
                break
        assert values(told["GRAVITY"]) == pytest.approx([8.1, -0.5, 5.4])
        assert values(told["MAGNETIC_FIELD"]) == pytest.approx([-9.0, -2.0, -22.0])
        process.stdin.close()
        assert process.wait(10) == 0, "it ends with its server"
    finally:
        stop(process)


def test_under_indiserver_it_takes_its_options_from_the_environment(tmp_path: Path):
    if shutil.which("indiserver") is None:
        pytest.skip("indiserver (Debian's indi-bin) is not installed")
    for kind, raw in (("accel", (0, 9, 3)), ("magn", (1, 2, 3))):
        for axis, value in zip("xyz", raw, strict=True):
            path = tmp_path / "tree" / "iio:device0" / f"in_{kind}_{axis}_raw"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{value}\n")
    port = free_port()
    process = subprocess.Popen(
        ["indiserver", "-p", str(port), "-u", f"{tmp_path}/socket", "polewright-bracket"],
        env={
            **os.environ,
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
            "POLEWRIGHT_BRACKET": f"--source 'iio:{tmp_path}/tree'",
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        client = dial(port)
        client.get_properties()
        client.connect("Bracket")
        client.wait_state("Bracket", "MAGNETIC_FIELD", "Ok")
        assert client.float("Bracket", "GRAVITY", "Y") == pytest.approx(9.0)
        assert client.float("Bracket", "MAGNETIC_FIELD", "X") == pytest.approx(100.0)
        assert client.values["Bracket", "DRIVER_INFO"]["DRIVER_EXEC"] == "polewright-bracket"
        client.close()
    finally:
        stop(process)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--source", "usb:1"], "none of udp:PORT"),
        (["--axes", "x,x,z"], "not three axes"),
        (["--source", "stdin"], "needs --port"),
    ],
)
def test_wrong_options_are_refused_before_anything_starts(options, words):
    done = subprocess.run([*PROGRAM, *options], capture_output=True, text=True, timeout=30)
    assert done.returncode == 2
    assert words in done.stderr


def test_the_menu_of_drivers_names_the_programs_and_devices_that_there_are():
    root = ET.parse(Path(__file__).parents[2] / "configs" / "indi_polewright.xml").getroot()
    named = {driver.text: driver.get("name") for driver in root.iter("driver")}
    assert named == {"polewright-bracket": "Bracket", "polewright-sky-simulator": "Kudu"}
    assert all((Path(sys.executable).parent / program).exists() for program in named)


def test_a_stream_of_lines_can_be_piped_in():
    process = subprocess.Popen(
        [*PROGRAM, "--source", "stdin", "--port", "0"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        port = int(process.stdout.readline().decode().rsplit(":", 1)[1])
        client = dial(port)
        client.get_properties()
        client.connect("Bracket")
        process.stdin.write(json.dumps({"gravity_ms2": GRAVITY}).encode() + b"\n")
        process.stdin.flush()
        client.wait_state("Bracket", "GRAVITY", "Ok")
        assert client.float("Bracket", "GRAVITY", "Y") == pytest.approx(8.1)
        client.close()
    finally:
        stop(process)
        if process.stdin is not None:
            process.stdin.close()
