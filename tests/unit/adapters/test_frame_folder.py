"""The folder of frames: new files, half-written ones, old ones, floods, and what lies outside."""

import asyncio
import io
import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from polewright.adapters.frames import folder as folder_module
from polewright.adapters.frames.folder import FrameFolder
from polewright.core.errors import MeasurementError


def picture(level: int = 1) -> bytes:
    buffer = io.BytesIO()
    header = fits.Header({"DATE-OBS": "2026-11-25T20:00:00.0", "EXPTIME": 60.0})
    fits.PrimaryHDU(np.full((32, 48), level, np.uint16), header).writeto(buffer)
    return buffer.getvalue()


class Looks:
    """What happens before each look; ends the wait when there is nothing more to happen."""

    def __init__(self, *happenings):
        self.left = list(happenings)

    async def sleep(self, _seconds):
        if not self.left:
            raise asyncio.CancelledError
        self.left.pop(0)()


def nothing():
    return None


async def next_level(folder: FrameFolder) -> int:
    return int((await folder.next_frame()).pixels[0, 0])


def write(path: Path, data: bytes) -> None:
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_bytes(data)


async def test_a_new_file_is_read_and_old_ones_are_left_alone(tmp_path):
    write(tmp_path / "old.fits", picture(1))
    looks = Looks(lambda: write(tmp_path / "night" / "new.FIT", picture(2)), nothing, nothing)
    folder = FrameFolder(tmp_path, looks.sleep)
    assert await next_level(folder) == 2
    with pytest.raises(asyncio.CancelledError):
        await next_level(folder)


async def test_a_half_written_file_is_waited_for(tmp_path):
    whole = picture(7)
    path = tmp_path / "light.fits"

    def part(bytes_written):
        return lambda: write(path, whole[:bytes_written])

    # It stands still for three looks in the middle, as on a slow network drive.
    looks = Looks(part(100), part(2900), nothing, nothing, nothing, part(len(whole)), nothing)
    folder = FrameFolder(tmp_path, looks.sleep)
    assert await next_level(folder) == 7


async def test_what_never_becomes_a_picture_is_given_up_and_said(tmp_path):
    looks = Looks(
        lambda: write(tmp_path / "broken.fits", b"SIMPLE  = no"), *[nothing] * 40
    )  # fmt: skip
    folder = FrameFolder(tmp_path, looks.sleep)
    with pytest.raises(MeasurementError) as refused:
        await folder.next_frame()
    assert refused.value.code == "not_a_picture"
    assert "broken.fits" in refused.value.text


async def test_of_a_flood_the_newest_count(tmp_path):
    def flood():
        for number in range(10):
            write(tmp_path / f"{number}.fits", picture(number))
            os.utime(tmp_path / f"{number}.fits", (1_800_000_000 + number,) * 2)

    folder = FrameFolder(tmp_path, Looks(flood, nothing, nothing, nothing).sleep)
    assert [await next_level(folder) for _ in range(3)] == [7, 8, 9]
    assert folder.passed_over == 7


async def test_a_huge_folder_is_bounded(tmp_path, monkeypatch, caplog):
    monkeypatch.setattr(folder_module, "MOST_ENTRIES", 5)
    for number in range(8):
        write(tmp_path / f"{number}.txt", b"")
    folder = FrameFolder(tmp_path, Looks(nothing, nothing).sleep)
    with pytest.raises(asyncio.CancelledError):
        await folder.next_frame()
    assert sum("a folder of their own" in record.message for record in caplog.records) >= 1


async def test_a_file_named_is_read_only_below_the_folder(tmp_path):
    inside = tmp_path / "frames"
    write(tmp_path / "secret.fits", picture(1))
    write(inside / "a.fits", picture(5))
    (inside / "link.fits").symlink_to(tmp_path / "secret.fits")
    folder = FrameFolder(inside, Looks().sleep)
    with pytest.raises(asyncio.CancelledError):
        await folder.next_frame()
    for name in ("../secret.fits", str(tmp_path / "secret.fits"), "link.fits", "a.txt"):
        folder.name(name)
    with pytest.raises(asyncio.CancelledError):
        await folder.next_frame()


async def test_a_missing_folder_may_come_later(tmp_path):
    looks = Looks(nothing, lambda: write(tmp_path / "later" / "a.fits", picture(3)), nothing)
    assert await next_level(FrameFolder(tmp_path / "later", looks.sleep)) == 3
