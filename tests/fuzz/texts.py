"""Texts: settings, recordings, the lines of a sensor's driver, and names and addresses."""

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from polewright.adapters.indi.blobs import BlobFilter
from polewright.adapters.indi.recording import Recorder, parse_line, read_recording
from polewright.settings.load import load_settings
from polewright.settings.model import Settings
from tests.fuzz.dice import Dice

Run = Callable[[bytes], None]


def _toml_value(dice: Dice) -> str:
    match dice.below(8):
        case 0:
            return repr(dice.number())
        case 1:
            return dice.pick(("true", "false", "inf", "-nan", "0x1F", "1_000", "1e400", "9" * 5000))
        case 2:
            return "[" * dice.pick((1, 2, 30, 3000)) + "1" + "]" * dice.pick((1, 2, 30, 3000))
        case 3:
            return dice.pick(("2026-11-25", "20:00:00", "2026-11-25T20:00:00Z", "0001-01-01"))
        case 4:
            return "{ " + f"{dice.text()} = {dice.below(9)}" + " }"
        case 5:
            return '"""' + dice.text() + '"""'
        case _:
            return '"' + dice.text().replace('"', "") + '"'


def _toml(dice: Dice) -> str:
    lines = []
    sections = list(Settings.model_fields)
    for _ in range(1 + dice.below(3)):
        section = dice.pick(sections)
        kind = Settings.model_fields[section].annotation
        keys = list(getattr(kind, "model_fields", {"x": None}))
        lines.append(f"[{section}]" if not dice.one_in(9) else dice.text())
        lines += [f"{dice.pick(keys)} = {_toml_value(dice)}" for _ in range(dice.below(4))]
    return "\n".join(lines) + "\n"


def settings(folder: Path) -> Run:
    """TOML as a person may break it, through the file that the service reads."""
    path = folder / "polewright.toml"

    def run(data: bytes) -> None:
        dice = Dice(data)
        text = _toml(dice).encode("utf-8", "replace") if dice.below(2) else dice.rest()
        path.write_bytes(text)
        load_settings(path)

    return run


def recording(folder: Path) -> Run:
    """A recording's text; what is read is written again and read as the same."""
    path = folder / "recording.txt"

    def run(data: bytes) -> None:
        path.write_bytes(data)
        for message in read_recording(path):
            again = parse_line(message.line())
            # A line tells milliseconds.
            assert replace(again, at_s=message.at_s) == message, "a line does not say itself"
            assert abs(again.at_s - message.at_s) < 1e-3
            message.xml()

    return run


def traffic() -> Run:
    """A server's bytes, cut anywhere: BLOBs are taken out, and the rest is recorded as text."""

    def run(data: bytes) -> None:
        dice = Dice(data)
        count, blobs, file = 1 + dice.below(6), BlobFilter(), io.StringIO()
        cuts = [1 + dice.below(64) for _ in range(count)]
        recorder = Recorder(file, with_place=bool(dice.below(2)))
        recorder.opened()
        stream, at = dice.rest(), 0
        while at < len(stream):
            size = cuts[at % count]
            rest = blobs.feed(stream[at : at + size])
            if rest:
                recorder.received(rest, blobs)
            at += size
        for device, name in blobs.summaries:
            blobs.take(device, name)
        for line in file.getvalue().split("\n")[1:-1]:
            parse_line(line)

    return run


def sensor_lines() -> Run:
    """Lines of a small sensor, as the bracket's driver reads them."""
    from polewright_drivers.bracket.readings import Mean, axes_of, lines_of, parse

    def run(data: bytes) -> None:
        mean = Mean()
        for line in lines_of(data):
            mean.add(parse(line))
        mean.take()
        axes_of(data.decode("utf-8", "replace"))

    return run
