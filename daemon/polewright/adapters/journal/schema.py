"""Schema: the journal's tables, and the way from every released version to the present one."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from functools import lru_cache

# Written into the file's header, so that other databases are told from journals ('PLWR').
APPLICATION_ID = 0x504C5752

_VERSION_1 = (
    """
    CREATE TABLE evening (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        started_at TEXT NOT NULL,
        software TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE frame (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        key TEXT NOT NULL UNIQUE,
        instant TEXT NOT NULL,
        camera TEXT NOT NULL,
        label TEXT NOT NULL,
        matched_stars INTEGER NOT NULL,
        scale_arcsec_px REAL,
        rms_arcsec REAL,
        solver TEXT NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE survey (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        committed_at TEXT NOT NULL,
        method TEXT NOT NULL,
        target_pole TEXT NOT NULL,
        tolerance_arcmin REAL,
        altitude_error_arcmin REAL,
        azimuth_error_arcmin REAL,
        total_error_arcmin REAL,
        total_error_sigma_arcmin REAL,
        verdict TEXT NOT NULL,
        frames INTEGER NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE survey_frame (
        survey_id INTEGER NOT NULL REFERENCES survey (id),
        position INTEGER NOT NULL,
        frame_id INTEGER NOT NULL REFERENCES frame (id),
        PRIMARY KEY (survey_id, position)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE live (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        survey_id INTEGER REFERENCES survey (id),
        frame_id INTEGER REFERENCES frame (id),
        at TEXT NOT NULL,
        sequence INTEGER NOT NULL,
        altitude_error_arcmin REAL,
        azimuth_error_arcmin REAL,
        total_error_arcmin REAL,
        total_error_sigma_arcmin REAL,
        verdict TEXT NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE transition (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        before TEXT NOT NULL,
        after TEXT NOT NULL,
        happening TEXT NOT NULL,
        code TEXT
    ) STRICT
    """,
)

# What the mount and the optics taught: every row is the whole of what was known then.
_VERSION_2 = (
    """
    CREATE TABLE knob (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        mount TEXT NOT NULL,
        bolt TEXT NOT NULL,
        arcmin_per_turn REAL,
        slack_turns REAL NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE train (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        camera TEXT NOT NULL,
        width_px INTEGER NOT NULL,
        height_px INTEGER NOT NULL,
        pixel_size_um REAL,
        scale_arcsec_px REAL NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
)

# What surveys taught of the brackets of sensors: one row for each survey.
_VERSION_3 = (
    """
    CREATE TABLE bracket (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        mount TEXT NOT NULL,
        bracket TEXT NOT NULL,
        altitude_off_arcmin REAL NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
)

# What star alignments found of mounts and the telescopes on them.
_VERSION_4 = (
    """
    CREATE TABLE pointing (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        mount TEXT NOT NULL,
        camera TEXT NOT NULL,
        cone_arcsec REAL NOT NULL,
        non_perpendicularity_arcsec REAL NOT NULL,
        goto_arcsec REAL NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
)

# Where the feet stood; and the last correction after each survey, found without reading them all.
_VERSION_5 = (
    """
    CREATE TABLE placement (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        mount TEXT NOT NULL,
        name TEXT NOT NULL,
        new_marks INTEGER NOT NULL,
        bolts_turned INTEGER NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
    "CREATE INDEX live_of_survey ON live (survey_id, id)",
)

# What commands asked for as the evening's plan; the newest row holds.
_VERSION_6 = (
    """
    CREATE TABLE plan (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        cleared INTEGER NOT NULL,
        record BLOB NOT NULL
    ) STRICT
    """,
)

# What everybody was told: alarms, verifications, what blocked.
_VERSION_7 = (
    """
    CREATE TABLE notice (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        evening_id INTEGER NOT NULL REFERENCES evening (id),
        at TEXT NOT NULL,
        level TEXT NOT NULL,
        code TEXT NOT NULL,
        text TEXT NOT NULL
    ) STRICT
    """,
)

MIGRATIONS: Sequence[Sequence[str]] = (
    _VERSION_1, _VERSION_2, _VERSION_3, _VERSION_4, _VERSION_5, _VERSION_6, _VERSION_7,
)  # fmt: skip
"""Step ``n`` leads from version ``n`` to ``n + 1``; released steps are never changed."""


class NotAJournalError(Exception):
    """A database that is somebody else's, or of a newer version: left as it is."""

    def __init__(self, text: str, remedy: str) -> None:
        super().__init__(text)
        self.text = text
        self.remedy = remedy


def version_of(connection: sqlite3.Connection) -> int:
    """Return the version of a file's tables, 0 for a new one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def tables_of(connection: sqlite3.Connection) -> dict[str, str]:
    """Return the names of a file's tables and the statements that made them."""
    rows = connection.execute(
        "SELECT name, sql FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    )
    return {str(name): str(sql) for name, sql in rows}


@lru_cache(maxsize=1)
def present_tables() -> dict[str, str]:
    """Return what :func:`tables_of` finds in a whole file of the present version."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection)
        return tables_of(connection)


def refuse_foreign(
    connection: sqlite3.Connection, migrations: Sequence[Sequence[str]] = MIGRATIONS
) -> None:
    """Refuse a database that this version cannot have written.

    Raises
    ------
    NotAJournalError
        It is another program's, or a newer polewright's.
    """
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    version = version_of(connection)
    if mark != APPLICATION_ID and (mark or version or tables_of(connection)):
        raise NotAJournalError(
            "it is another program's database",
            "Name another folder in [journal] directory, or move the file away.",
        )
    if version > len(migrations):
        raise NotAJournalError(
            f"a newer polewright wrote it (version {version}; this one knows {len(migrations)})",
            "Update polewright, or move the file away to begin a new journal.",
        )


def migrate(
    connection: sqlite3.Connection, migrations: Sequence[Sequence[str]] = MIGRATIONS
) -> int:
    """Bring the tables to the present version, each step wholly or not at all.

    Returns
    -------
    int
        The version that was found.
    """
    refuse_foreign(connection, migrations)
    found = version_of(connection)
    for version in range(found, len(migrations)):
        connection.execute("BEGIN IMMEDIATE")
        try:
            if version_of(connection) == version:  # nobody else was faster
                for statement in migrations[version]:
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return found
