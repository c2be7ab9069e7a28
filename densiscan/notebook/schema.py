"""The tables of the notebook, and the steps that bring an older notebook to the form of today.

Every row that two notebooks could share has a `uid` or a natural key, so that one can be merged into the other. Nothing
is deleted: `removed` holds when a row was taken out, and `changes` what a run was before.
"""

from __future__ import annotations

from typing import Final

APPLICATION_ID: Final = 0x44454E53
"""The four letters that mark an SQLite file as a notebook of this program."""

KINDS: Final = ("wedge", "calibration", "film-test", "paper-test", "print", "exposure")
"""What the notebook keeps as whole documents."""

READ: Final = ("base_plus_fog", "fog", "shadow", "highlight", "density_range", "net_shadow", "net_highlight")
"""The densities of a reading. Each has a column, and one `..._standard` (k = 1; null: not known) beside it."""

CHANGES: Final = ("add", "correct", "remove", "restore", "measure", "remove-reading", "restore-reading")
"""What can be done to runs, and to readings of them."""

_READ_COLUMNS: Final = ", ".join(f"{name} REAL, {name}_standard REAL" for name in READ)
_FIRST_KINDS: Final = "'wedge', 'calibration', 'film-test', 'paper-test', 'print'"

_FIRST: Final = (
    """CREATE TABLE films (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, name TEXT NOT NULL, name_key TEXT NOT NULL UNIQUE,
        base_density REAL, base_density_standard REAL, note TEXT, changed TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE developers (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, name TEXT NOT NULL, name_key TEXT NOT NULL UNIQUE,
        note TEXT, changed TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE batches (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, developer_id INTEGER NOT NULL REFERENCES developers (id),
        name TEXT NOT NULL, name_key TEXT NOT NULL, mixed TEXT, discarded TEXT, note TEXT, changed TEXT NOT NULL,
        UNIQUE (developer_id, name_key)
    ) STRICT""",
    """CREATE TABLE runs (
        number INTEGER PRIMARY KEY AUTOINCREMENT, uid TEXT NOT NULL UNIQUE,
        film_id INTEGER NOT NULL REFERENCES films (id), developer_id INTEGER NOT NULL REFERENCES developers (id),
        batch_id INTEGER REFERENCES batches (id), use INTEGER NOT NULL CHECK (use >= 1), date TEXT NOT NULL,
        time_s REAL NOT NULL CHECK (time_s > 0), temperature_c REAL NOT NULL, dilution TEXT, exposure_index REAL,
        agitation TEXT, prewash TEXT, stop TEXT, fix TEXT, sheets INTEGER, sheet_width_mm REAL, sheet_height_mm REAL,
        volume_ml REAL, scene_stops REAL, note TEXT,
        removed TEXT, changed TEXT NOT NULL, version TEXT NOT NULL, arguments TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX runs_of_film ON runs (film_id, developer_id, date)",
    "CREATE INDEX runs_of_batch ON runs (batch_id)",
    """CREATE TABLE changes (
        id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES runs (number), made TEXT NOT NULL,
        what TEXT NOT NULL CHECK (what IN ('add', 'correct', 'remove', 'restore')), before TEXT,
        version TEXT NOT NULL, arguments TEXT NOT NULL
    ) STRICT""",
    f"""CREATE TABLE documents (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, kind TEXT NOT NULL CHECK (kind IN ({_FIRST_KINDS})),
        name TEXT NOT NULL, name_key TEXT NOT NULL, content_sha256 TEXT NOT NULL, scan_sha256 TEXT, made TEXT NOT NULL,
        version TEXT NOT NULL, arguments TEXT NOT NULL, document TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX documents_by_name ON documents (kind, name_key, made)",
    """CREATE TABLE negatives (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, scan_sha256 TEXT, piece INTEGER NOT NULL DEFAULT 0,
        file TEXT, run INTEGER REFERENCES runs (number), changed TEXT NOT NULL, UNIQUE (scan_sha256, piece)
    ) STRICT""",
    "CREATE INDEX negatives_of_run ON negatives (run)",
    f"""CREATE TABLE readings (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, negative_id INTEGER NOT NULL REFERENCES negatives (id),
        calibration_id INTEGER REFERENCES documents (id), options TEXT, content_key TEXT NOT NULL UNIQUE,
        made TEXT NOT NULL, removed TEXT, version TEXT NOT NULL, arguments TEXT NOT NULL, {_READ_COLUMNS}, document TEXT
    ) STRICT""",
    "CREATE INDEX readings_of_negative ON readings (negative_id, made)",
)

_PORTABLE_CHANGES: Final = (
    # What a run was before stood with the numbers of rows of this file; by names it means the same in any notebook.
    """UPDATE changes SET before = json_remove(json_set(before,
        '$.film', (SELECT name FROM films WHERE id = json_extract(before, '$.film_id')),
        '$.developer', (SELECT name FROM developers WHERE id = json_extract(before, '$.developer_id')),
        '$.batch', (SELECT name FROM batches WHERE id = json_extract(before, '$.batch_id'))
    ), '$.film_id', '$.developer_id', '$.batch_id') WHERE before IS NOT NULL""",
    "ALTER TABLE changes ADD COLUMN uid TEXT",
    "UPDATE changes SET uid = lower(hex(randomblob(16)))",
    "CREATE UNIQUE INDEX changes_by_uid ON changes (uid)",
)

_READINGS_FOR_RUNS: Final = (
    # Which run a reading was made for was not kept: the last one of a negative counted. So it does from here on, until
    # another is made for the run.
    "ALTER TABLE readings ADD COLUMN run INTEGER REFERENCES runs (number)",
    "UPDATE readings SET run = (SELECT run FROM negatives WHERE negatives.id = readings.negative_id)",
    # Changes of readings are kept too, some of no run, and those that one command made together. No constraint of a
    # table can be changed, so the table is made anew.
    f"""CREATE TABLE changes_of_readings_too (
        id INTEGER PRIMARY KEY, uid TEXT, run INTEGER REFERENCES runs (number), made TEXT NOT NULL,
        what TEXT NOT NULL CHECK (what IN ({", ".join(f"'{what}'" for what in CHANGES)})), before TEXT,
        version TEXT NOT NULL, arguments TEXT NOT NULL, act TEXT
    ) STRICT""",
    """INSERT INTO changes_of_readings_too (id, uid, run, made, what, before, version, arguments)
        SELECT id, uid, run, made, what, before, version, arguments FROM changes""",
    "DROP TABLE changes",
    "ALTER TABLE changes_of_readings_too RENAME TO changes",
    "CREATE UNIQUE INDEX changes_by_uid ON changes (uid)",
    "CREATE INDEX changes_by_time ON changes (made)",
    "CREATE INDEX changes_by_act ON changes (act)",
)

_EXPOSURES: Final = (
    # Exposures are kept by the number of their sheet. No constraint of a table can be changed, so the table is made
    # anew; readings point to its rows by their ids, which stay.
    f"""CREATE TABLE documents_with_exposures (
        id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL CHECK (kind IN ({", ".join(f"'{kind}'" for kind in KINDS)})),
        name TEXT NOT NULL, name_key TEXT NOT NULL, content_sha256 TEXT NOT NULL, scan_sha256 TEXT, made TEXT NOT NULL,
        version TEXT NOT NULL, arguments TEXT NOT NULL, document TEXT NOT NULL
    ) STRICT""",
    "INSERT INTO documents_with_exposures SELECT * FROM documents",
    "DROP TABLE documents",
    "ALTER TABLE documents_with_exposures RENAME TO documents",
    "CREATE INDEX documents_by_name ON documents (kind, name_key, made)",
)

MIGRATIONS: Final[tuple[tuple[str, ...], ...]] = (_FIRST, _PORTABLE_CHANGES, _READINGS_FOR_RUNS, _EXPOSURES)
"""The statements that make version 1 of nothing, version 2 of version 1, and so on."""
