"""A journal's file that is torn in other ways, or that the disk does not let have its place.

Whatever is found there, nothing is deleted, and surveys go on being kept where they can be.
"""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from polewright.adapters.journal.writing import SqliteJournal
from tests.unit.adapters.journal_records import NIGHT, frame_record, survey_record


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "kudu.sqlite"


async def kept_after(path, told):
    """Return what the journal says after it took up what is there and kept one more survey."""
    async with SqliteJournal(
        path, now=lambda: NIGHT, on_trouble=lambda trouble: told.append(trouble)
    ) as journal:
        before = await journal.last_survey()
        frames = tuple(frame_record(70 + index) for index in range(3))
        trouble = await journal.commit_survey(survey_record(7, frames), frames)
        return before, trouble, journal.put_aside


async def filled(path):
    async with SqliteJournal(path, now=lambda: NIGHT) as journal:
        for number in range(1, 6):
            frames = tuple(frame_record(10 * number + index) for index in range(3))
            assert await journal.commit_survey(survey_record(number, frames), frames) is None
        log = path.with_name("kudu.sqlite-wal").read_bytes()
        whole = path.read_bytes()
    return whole, log


async def test_a_folder_in_its_place_is_set_aside_with_all_that_it_holds(path):
    path.mkdir(parents=True)
    (path / "letter.txt").write_text("not yours")
    told = []
    before, trouble, aside = await kept_after(path, told)
    assert (before, trouble) == (None, None)
    assert [one.code for one in told] == ["journal_set_aside"]
    assert "a folder stands in its place" in told[0].text
    assert aside is not None
    assert (path.parent / aside / "letter.txt").read_text() == "not yours"


@pytest.mark.parametrize("size", [1, 15, 16, 50, 99, 100, 511, 4095, 4097, 6000, 12288 + 700])
async def test_a_head_or_a_page_that_is_torn_anywhere_sets_the_file_aside_whole(path, size):
    """A file cut inside its head (100 bytes), or inside a page (4096 bytes)."""
    await filled(path)
    whole = path.read_bytes()
    assert len(whole) > 20000
    path.write_bytes(whole[:size])
    told = []
    before, trouble, aside = await kept_after(path, told)
    assert (before, trouble) == (None, None)
    assert [one.code for one in told] == ["journal_set_aside"]
    assert aside is not None
    kept = path.with_name(aside.rsplit("/", 1)[1])
    assert kept.read_bytes() == whole[:size], "as it was found"


@pytest.mark.parametrize("head", [b"", b"\0" * 32, b"\xff" * 32, b"\x37\x7f\x06\x82" + b"\0" * 28])
async def test_a_log_with_a_torn_head_gives_the_file_without_it(path, head):
    """The log's 32 byte head (sqlite.org/fileformat2.html, 4.1): without it nothing is replayed."""
    whole, log = await filled(path)
    path.write_bytes(whole)
    path.with_name("kudu.sqlite-wal").write_bytes(head + log[len(head) :] if head else b"")
    told = []
    before, trouble, aside = await kept_after(path, told)
    # All of it was in the log still: what the torn head leaves is an empty, whole file.
    assert trouble is None
    assert before is None or before.estimate.chi2 <= 5.0
    assert (told, aside) == ([], None)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


TRY = """
import asyncio, json, sys
from pathlib import Path
from polewright.adapters.journal.writing import SqliteJournal
from tests.unit.adapters.journal_records import frame_record, survey_record

path, told = Path(sys.argv[1]), []

async def main():
    tell = lambda trouble: told.append([trouble.code, trouble.text, trouble.remedy])
    async with SqliteJournal(path, on_trouble=tell) as journal:
        last = await journal.last_survey()
        journal.record_frame(frame_record(1))
        trouble = await journal.commit_survey(survey_record(9), ())
        print(json.dumps([last and last.estimate.chi2, trouble and trouble.code, told,
                          journal.trouble and journal.trouble.code, journal.put_aside]))

asyncio.run(main())
"""


def tried(command):
    ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    if ended.returncode == 77 or "unshare failed" in ended.stderr:
        pytest.skip("no file systems may be mounted here")
    assert ended.returncode == 0, ended.stderr
    return json.loads(ended.stdout)


async def test_on_a_file_system_that_may_only_be_read_it_is_told_once_and_served_if_it_can(path):
    await filled(path)
    before = path.read_bytes()
    script = (
        f'mount --bind "{path.parent}" "{path.parent}" && '
        f'mount -o remount,bind,ro "{path.parent}" || exit 77; exec "$@"'
    )
    command = ["unshare", "-rm", "sh", "-c", script, "sh", sys.executable, "-c", TRY, str(path)]
    _, trouble, told, now, aside = tried(command)
    assert trouble == now == "journal_not_writable"
    assert [code for code, _, _ in told] == ["journal_not_writable"]
    assert "measuring goes on" in told[0][1]
    assert told[0][2]
    assert aside is None
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*damaged*"))


@pytest.mark.parametrize("what", ["file", "folder"])
async def test_without_the_right_to_write_it_is_told_and_nothing_is_touched(path, what):
    """An administrator may write everywhere: tried without that right."""
    await filled(path)
    before = path.read_bytes()
    command = [sys.executable, "-c", TRY, str(path)]
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("an administrator's rights cannot be laid down here")
        command = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search", *command]
    path.chmod(0o000 if what == "file" else 0o444)
    path.parent.chmod(0o755 if what == "file" else 0o555)
    try:
        _, trouble, told, now, aside = tried(command)
    finally:
        path.parent.chmod(0o755)
        path.chmod(0o644)
    assert trouble == now == "journal_not_writable"
    assert [code for code, _, _ in told] == ["journal_not_writable"]
    assert "permissions" in told[0][2]
    assert aside is None
    assert path.read_bytes() == before
