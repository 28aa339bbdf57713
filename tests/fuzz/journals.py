"""Journals: files with bytes changed, rows that say odd things, and records signed anew."""

import contextlib
import io
import json
import shutil
import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from polewright.adapters.journal.copies import back_up
from polewright.adapters.journal.packing import _digest, pack, unpack
from polewright.adapters.journal.schema import NotAJournalError
from polewright.adapters.journal.store import JournalStore, is_damage
from polewright.cli.history import history
from polewright.cli.output import Output
from polewright.cli.parser import parser
from polewright.core.errors import PolewrightError
from polewright.core.records import (
    FrameRecord,
    LiveRecord,
    PlacementRecord,
    SurveyRecord,
)
from tests.fuzz.dice import Dice
from tests.unit.adapters.journal_records import (
    NIGHT,
    frame_record,
    live_record,
    placement_record,
    survey_record,
    transition_record,
)

Run = Callable[[bytes], None]

_ASKED = (
    ["list"],
    ["show", "1"],
    ["replay"],
    ["evenings"],
    ["adjustments"],
    ["placements"],
    ["learned"],
)
_PARSER = parser()


def make_journal(path: Path) -> None:
    """Write a small evening."""
    frames = tuple(frame_record(number, stars=6) for number in range(3))
    with closing(JournalStore(path, now=lambda: NIGHT)) as store:
        store.commit_survey(survey_record(1, frames), frames)
        store.commit_survey(survey_record(2, frames), frames)
        store.add_transition(transition_record(1))
        store.add_live(live_record(1))
        store.add_live(live_record(2))
        store.add_placement(placement_record("terrace"))


def _read(path: Path, dice: Dice) -> None:
    """Read a journal as a person does, all or some of it; nothing in it may change."""
    before = path.read_bytes()
    asked = [dice.pick(_ASKED) for _ in range(2)]
    try:
        for words in asked:
            as_json = ["--json"] if dice.below(2) else []
            options = _PARSER.parse_args(["history", *words, "--file", str(path), *as_json])
            with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(PolewrightError):
                history(options, Output(as_json=options.json))
        copy = path.with_name("copy.sqlite3")
        copy.unlink(missing_ok=True)
        with contextlib.suppress(PolewrightError):
            back_up(path, copy)
    finally:
        assert path.read_bytes() == before, "reading changed the journal"


def _opened(path: Path) -> None:
    """Open it as the service does; what that raises says whether the file is broken."""
    try:
        with closing(JournalStore(path, now=lambda: datetime.now(UTC))) as store:
            store.last_survey()
            store.lessons()
            store.axis_moments("")
    except (sqlite3.Error, OSError, NotAJournalError, ValueError) as trouble:
        is_damage(trouble)
    assert path.exists(), "the journal is gone"


def file(folder: Path) -> Run:
    """A journal with some bytes changed, cut or put in."""
    good = folder / "good.sqlite3"
    make_journal(good)
    whole = good.read_bytes()
    path = folder / "bad.sqlite3"

    def run(data: bytes) -> None:
        dice = Dice(data)
        made = bytearray(whole)
        for _ in range(1 + dice.below(12)):
            match dice.below(8):
                case 0:
                    page = 4096 * dice.below(len(made) // 4096 or 1)
                    made[page : page + 100] = dice.take(100)
                case 1:
                    del made[dice.below(len(made) or 1) :]
                case 2:
                    at = dice.below(100)
                    made[at : at + 1] = dice.take(1)
                case _:
                    at = dice.below(len(made) or 1)
                    piece = dice.take(1 + dice.below(6))
                    made[at : at + len(piece)] = piece
        _forget(path)
        path.write_bytes(made)
        _read(path, dice)
        _opened(path)

    return run


def rows(folder: Path) -> Run:
    """A whole database in which any column says anything, and records are odd but signed."""
    good = folder / "good.sqlite3"
    make_journal(good)
    path = folder / "odd.sqlite3"
    with closing(sqlite3.connect(good)) as connection:
        tables = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            if not name.startswith("sqlite_")
        ]
        columns = {
            table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            for table in tables
        }

    def run(data: bytes) -> None:
        dice = Dice(data)
        _forget(path)
        shutil.copy(good, path)
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute("PRAGMA ignore_check_constraints = ON")
            for _ in range(1 + dice.below(4)):
                table = dice.pick(tables)
                column = dice.pick(columns[table])
                value: object = dice.pick((dice.text(), dice.number(), dice.below(9), None))
                with contextlib.suppress(sqlite3.Error, UnicodeEncodeError):
                    if column == "record":
                        for (record,) in connection.execute(f"SELECT record FROM {table} LIMIT 1"):
                            value = _signed(record, dice)
                    connection.execute(f"UPDATE {table} SET {column} = ?", (value,))
            connection.execute("PRAGMA journal_mode = DELETE")
        _read(path, dice)
        _opened(path)

    return run


def _forget(path: Path) -> None:
    for tail in ("", "-wal", "-shm", "-journal"):
        Path(f"{path}{tail}").unlink(missing_ok=True)


def _signed(record: bytes, dice: Dice) -> bytes:
    """Return a record with something else in it, whole by its digest."""
    _, length = struct.unpack_from("<4sI", record)
    plain, arrays = json.loads(record[8 : 8 + length]), record[8 + length : -16]
    for _ in range(1 + dice.below(3)):
        place = plain
        for _ in range(4):
            if isinstance(place, dict) and place:
                key: object = dice.pick(sorted(place))
            elif isinstance(place, list) and place:
                key = dice.below(len(place))
            else:
                break
            if isinstance(place[key], dict | list) and dice.below(4):
                place = place[key]
                continue
            if dice.one_in(12) and isinstance(place, dict):
                del place[key]
            else:
                place[key] = dice.json(1)
            break
    header = json.dumps(plain).encode()
    body = (
        b"PWR1"
        + struct.pack("<I", dice.pick((len(header),) * 12 + (0, 2**32 - 1)))
        + header
        + arrays
    )
    return body + _digest(body)


def records() -> Run:
    """Records as bytes: of any kind, altered and signed anew, or not signed."""
    good = [
        (FrameRecord, pack(frame_record(1, stars=4))),
        (SurveyRecord, pack(survey_record(1))),
        (LiveRecord, pack(live_record(1))),
        (PlacementRecord, pack(placement_record("terrace"))),
    ]
    kinds = [kind for kind, _ in good]

    def run(data: bytes) -> None:
        dice = Dice(data)
        kind, record = dice.pick(good)
        if dice.one_in(8):
            kind, record = dice.pick(kinds), dice.rest()
        else:
            record = _signed(record, dice)
        unpack(kind, record)

    return run
