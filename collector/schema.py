"""The database: its tables, and how an older one becomes a newer one.

Migrations are appended, never edited once released. Readings live in `batch` until they are sealed into `page`;
`closure` holds every verdict ever given. `now`, `node` and a page's minutes are projections that can be made again.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import time
from contextlib import suppress
from pathlib import Path

from sqlite_utils import Database, Migrations

from collector import course, minutes, views
from collector.begin import begin_ledger
from collector.errors import DataError
from collector.page import unseal
from collector.readings import dated, pack, synchronised_of
from soak.decoding import from_json
from soak.wire import Batch

FILE_NAME = "soakledger.sqlite"
migrations = Migrations("collector")


@migrations()
def m0001_first_light(db: Database) -> None:
    """Basins, streams, readings, closures, minutes, nodes, parked messages."""
    for statement in _M0001:
        db.execute(statement)


@migrations()
def m0002_nothing_lost(db: Database) -> None:
    """Compact rows, minutes beside their page, the moments at which nodes' clocks were synchronised."""
    for statement in _M0002:
        db.execute(statement)
    for stream_id, first, last, body in db.execute("SELECT stream_id, first, last, body FROM batch_0001").fetchall():
        batch = from_json(body, Batch)
        row = stream_id, first, last, pack(batch.readings, [(0, batch.clock)])
        db.execute("INSERT INTO batch (stream_id, first, last, body) VALUES (?, ?, ?, ?)", row)
    db.execute("DROP TABLE batch_0001")
    for row_id, sha256, body in db.execute("SELECT rowid, sha256, body FROM page").fetchall():
        first, readings, anchors = unseal(body, sha256)
        sums: minutes.Minutes = {}
        minutes.add(sums, dated(first, readings, anchors))
        undated = int(not all(clock.synced for _, clock in anchors))
        db.execute("UPDATE page SET minutes = ?, undated = ? WHERE rowid = ?", (minutes.pack(sums), undated, row_id))


@migrations()
def m0003_record(db: Database) -> None:
    """The ledger, the things that follow from it, who may sign in; what the ledger must hold of what is stored."""
    for statement in _M0003:
        db.execute(statement)
    begin_ledger(db.conn, now_ms=time.time_ns() // 1_000_000)
    for statement in _M0003_ONCE_BEGUN:
        db.execute(statement)


@migrations()
def m0004_course(db: Database) -> None:
    """What a page's readings say in short, for trends over weeks and years: every page is opened once for it.

    The newer version's first start waits for that: 61 s of one core for the 9,526 pages of 60 days of five basins, 6 ms
    a page, most of it for opening them; not measured on a Raspberry Pi, which takes longer. It is done here and not
    when somebody asks, so that no trend waits for pages and a rebuild finds the same rows.
    """
    for statement in _M0004:
        db.execute(statement)
    for (stream_id,) in db.execute("SELECT id FROM stream").fetchall():
        synchronised = synchronised_of(db, stream_id)
        pages = db.execute(
            """SELECT p.rowid, first, p.sha256, i.first_utc_ms, i.last_utc_ms
               FROM page p JOIN page_index i USING (stream_id, first)
               WHERE stream_id = ? ORDER BY first""",
            (stream_id,),
        ).fetchall()
        for row_id, first, sha256, *page_ms in pages:
            (body,) = db.execute("SELECT body FROM page WHERE rowid = ?", (row_id,)).fetchone()
            _, readings, anchors = unseal(body, sha256)
            packed = course.pack(course.course_of(dated(first, readings, anchors, synchronised)), tuple(page_ms))
            db.execute("INSERT INTO page_course (stream_id, first, body) VALUES (?, ?, ?)", (stream_id, first, packed))


@migrations()
def m0005_sign_ins(db: Database) -> None:
    """Who signed in and who tried to, and at which browsers people have proven who they are. Outside the ledger."""
    for statement in _M0005:
        db.execute(statement)


@migrations()
def m0006_views(db: Database) -> None:
    """What people who query the database may rely on."""
    for statement in views.VERSION_1:
        db.execute(statement)


_M0001 = (
    "CREATE TABLE site (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT, WITHOUT ROWID",
    # A basin as the settings name it, or as a node announced it: then without a label and a requirement.
    """CREATE TABLE basin (
        id INTEGER PRIMARY KEY, node TEXT NOT NULL, name TEXT NOT NULL, label TEXT NOT NULL, place TEXT NOT NULL,
        UNIQUE (node, name)) STRICT""",
    # What was required of a basin from when on (milliseconds since 1970, UTC): a row for every change.
    """CREATE TABLE requirement (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin, since_ms INTEGER NOT NULL,
        requirement TEXT, sensors TEXT NOT NULL) STRICT""",
    "CREATE INDEX requirement_by_basin ON requirement (basin_id, since_ms)",
    # stored: readings of it that are stored. over: a newer stream has taken its place and nothing of it will come.
    # resume: the number to read again from when the collector starts, so that a closure in progress is whole.
    """CREATE TABLE stream (
        id INTEGER PRIMARY KEY, stream TEXT NOT NULL UNIQUE, basin_id INTEGER NOT NULL REFERENCES basin,
        boot TEXT NOT NULL, first_heard_ms INTEGER NOT NULL, stored INTEGER NOT NULL DEFAULT 0,
        over INTEGER NOT NULL DEFAULT 0, resume INTEGER NOT NULL DEFAULT 0) STRICT""",
    "CREATE INDEX stream_by_basin ON stream (basin_id)",
    # Readings as they came, until a page holds them.
    """CREATE TABLE batch (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        body BLOB NOT NULL, PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID""",
    # Readings sealed: zlib over canonical JSON in columns; sha256 of the uncompressed bytes.
    """CREATE TABLE page (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        first_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL, sha256 TEXT NOT NULL, body BLOB NOT NULL,
        PRIMARY KEY (stream_id, first)) STRICT""",
    "CREATE INDEX page_by_time ON page (stream_id, first_utc_ms)",
    # Reading numbers that the node no longer holds and that never came. found_ms: they came after all.
    """CREATE TABLE lost (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        noticed_ms INTEGER NOT NULL, found_ms INTEGER, PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID""",
    # Every ended closure with its verdict; a later assessment supersedes, the earlier one stays.
    """CREATE TABLE closure (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin,
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        closing_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL,
        clock_synced INTEGER NOT NULL, verdict TEXT NOT NULL, body TEXT NOT NULL,
        assessed_ms INTEGER NOT NULL, superseded_by INTEGER REFERENCES closure) STRICT""",
    "CREATE INDEX closure_by_basin ON closure (basin_id, closing_utc_ms)",
    "CREATE INDEX closure_by_time ON closure (closing_utc_ms)",
    "CREATE INDEX closure_by_stream ON closure (stream_id, first)",
    "CREATE TABLE sensor (id INTEGER PRIMARY KEY, sensor TEXT NOT NULL UNIQUE) STRICT",
    # One minute of one sensor: lowest, highest and sum of what it indicated, with and without a value, lid open.
    """CREATE TABLE minute (
        basin_id INTEGER NOT NULL, sensor_id INTEGER NOT NULL, minute INTEGER NOT NULL,
        lowest_mc INTEGER, highest_mc INTEGER, sum_mc INTEGER NOT NULL, known INTEGER NOT NULL,
        missing INTEGER NOT NULL, lid_open INTEGER NOT NULL,
        PRIMARY KEY (basin_id, sensor_id, minute)) STRICT, WITHOUT ROWID""",
    "CREATE TABLE now (basin_id INTEGER PRIMARY KEY, at_utc_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT",
    """CREATE TABLE node (
        node TEXT PRIMARY KEY, heard_ms INTEGER NOT NULL, up INTEGER NOT NULL, body TEXT NOT NULL)
        STRICT, WITHOUT ROWID""",
    # Messages that could not be taken in, each kind once; the oldest go when the table is full, the counts stay.
    """CREATE TABLE parked (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL,
        bytes INTEGER NOT NULL, start BLOB NOT NULL, times INTEGER NOT NULL, first_ms INTEGER NOT NULL,
        last_ms INTEGER NOT NULL, UNIQUE (sha256, topic)) STRICT""",
    "CREATE TABLE parked_count (reason TEXT PRIMARY KEY, times INTEGER NOT NULL) STRICT, WITHOUT ROWID",
)


_M0002 = (
    # A start of a node. heard_ms: its uninterrupted clock when it last spoke for itself. synced: the earliest moment at
    # which its wall clock was known to be synchronised; what it took before with a clock that was not is dated back
    # from there.
    """CREATE TABLE boot (
        node TEXT NOT NULL, boot TEXT NOT NULL, heard_ms INTEGER, synced_ms INTEGER, synced_utc_ms INTEGER,
        PRIMARY KEY (node, boot)) STRICT, WITHOUT ROWID""",
    # Readings until a page holds them: rows are added at the end, whatever their stream, so that few pages change.
    "ALTER TABLE batch RENAME TO batch_0001",
    """CREATE TABLE batch (
        id INTEGER PRIMARY KEY, stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL,
        last INTEGER NOT NULL, body BLOB NOT NULL) STRICT""",
    "CREATE INDEX batch_by_stream ON batch (stream_id, last)",
    # How long after its closing the clock was synchronised that dates it; without: the clock that came with it does.
    "ALTER TABLE closure ADD COLUMN dated_back_ms INTEGER",
    # The page's readings added up by minute: a projection, see minutes.py. undated: a clock of it was not synchronised.
    "ALTER TABLE page ADD COLUMN minutes BLOB NOT NULL DEFAULT x''",
    "ALTER TABLE page ADD COLUMN undated INTEGER NOT NULL DEFAULT 0",
    "DROP INDEX page_by_time",
    "CREATE INDEX page_by_time ON page (stream_id, last_utc_ms, first_utc_ms)",
    "DROP TABLE minute",
    "DROP TABLE sensor",
)

_ONLY_APPENDED = "is append-only: a mistake is corrected by a later record that names the earlier one"

_M0003 = (
    # Everything that happened. previous is not kept: it is the hash of the row before.
    """CREATE TABLE ledger (
        number INTEGER PRIMARY KEY, kind TEXT NOT NULL, at_ms INTEGER NOT NULL, who TEXT NOT NULL,
        software TEXT NOT NULL, body TEXT NOT NULL, reason TEXT NOT NULL, hash TEXT NOT NULL,
        format INTEGER NOT NULL) STRICT""",
    "CREATE INDEX ledger_by_kind ON ledger (kind, number)",
    "CREATE INDEX ledger_said ON ledger (number) WHERE who <> 'collector'",
    f"""CREATE TRIGGER ledger_update BEFORE UPDATE ON ledger
        BEGIN SELECT RAISE(ABORT, 'The ledger {_ONLY_APPENDED}.'); END""",
    f"""CREATE TRIGGER ledger_delete BEFORE DELETE ON ledger
        BEGIN SELECT RAISE(ABORT, 'The ledger {_ONLY_APPENDED}.'); END""",
    """CREATE TRIGGER ledger_insert BEFORE INSERT ON ledger
        WHEN NEW.number IS NOT (SELECT ifnull(max(number), 0) + 1 FROM ledger)
        BEGIN SELECT RAISE(ABORT, 'Records of the ledger follow on without a gap.'); END""",
    # What stands beside a page is a projection, so that the page itself need never change.
    """CREATE TABLE page_index (
        stream_id INTEGER NOT NULL, first INTEGER NOT NULL, first_utc_ms INTEGER NOT NULL,
        last_utc_ms INTEGER NOT NULL, undated INTEGER NOT NULL, minutes BLOB NOT NULL,
        PRIMARY KEY (stream_id, first)) STRICT""",
    """INSERT INTO page_index SELECT stream_id, first, first_utc_ms, last_utc_ms, undated, minutes FROM page
       ORDER BY rowid""",
    "CREATE INDEX page_index_by_time ON page_index (stream_id, last_utc_ms, first_utc_ms)",
    "ALTER TABLE page RENAME TO page_0002",
    """CREATE TABLE page (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        sha256 TEXT NOT NULL, body BLOB NOT NULL, PRIMARY KEY (stream_id, first)) STRICT""",
    "INSERT INTO page SELECT stream_id, first, last, sha256, body FROM page_0002 ORDER BY rowid",
    "DROP TABLE page_0002",
    f"""CREATE TRIGGER page_update BEFORE UPDATE ON page
        BEGIN SELECT RAISE(ABORT, 'The table of pages {_ONLY_APPENDED}.'); END""",
    f"""CREATE TRIGGER page_delete BEFORE DELETE ON page
        BEGIN SELECT RAISE(ABORT, 'The table of pages {_ONLY_APPENDED}.'); END""",
    """CREATE TRIGGER page_insert BEFORE INSERT ON page
        WHEN EXISTS (SELECT 1 FROM page WHERE stream_id = NEW.stream_id AND first = NEW.first)
        BEGIN SELECT RAISE(ABORT, 'There is a page of these readings already.'); END""",
    # Which record holds a closure's verdict.
    "ALTER TABLE closure ADD COLUMN number INTEGER NOT NULL DEFAULT 0",
    # The things that people declare, as the ledger's records leave them; number: the last record that changed it.
    """CREATE TABLE thing (
        kind TEXT NOT NULL, id TEXT NOT NULL, grp TEXT NOT NULL, at_ms INTEGER NOT NULL, open INTEGER NOT NULL,
        number INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (kind, id)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX thing_by_group ON thing (kind, grp, at_ms)",
    "CREATE INDEX thing_by_time ON thing (kind, open, at_ms)",
    # Deeds that their sender gave a key, so that sending again does nothing twice.
    """CREATE TABLE once (
        who TEXT NOT NULL, key TEXT NOT NULL, number INTEGER NOT NULL, kind TEXT NOT NULL, id TEXT NOT NULL,
        PRIMARY KEY (who, key)) STRICT, WITHOUT ROWID""",
    # Outside ledger, evidence and rebuilding: how people prove who they are, and who is signed in where.
    # temporary: somebody else set it, so it proves nothing until its owner has changed it.
    """CREATE TABLE credential (
        person TEXT NOT NULL, kind TEXT NOT NULL, hash TEXT NOT NULL, set_ms INTEGER NOT NULL,
        temporary INTEGER NOT NULL DEFAULT 0, failures INTEGER NOT NULL DEFAULT 0, failed_ms INTEGER,
        PRIMARY KEY (person, kind)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX credential_by_hash ON credential (kind, hash)",
    # idle_ms: it ends when unused for so long. proven_ms: when PIN or password was last given; null: only a badge was.
    """CREATE TABLE session (
        token_sha256 TEXT PRIMARY KEY, person TEXT NOT NULL, began_ms INTEGER NOT NULL, seen_ms INTEGER NOT NULL,
        idle_ms INTEGER NOT NULL, proven_ms INTEGER) STRICT, WITHOUT ROWID""",
    "CREATE INDEX session_by_person ON session (person)",
)

_M0003_ONCE_BEGUN = (
    # What the rule said of a closure is in its record, and nowhere else.
    "ALTER TABLE closure DROP COLUMN body",
    """CREATE VIEW judged AS SELECT c.*, json_extract(l.body, '$.closure') AS body
       FROM closure c JOIN ledger l ON l.number = c.number""",
)

_M0004 = (
    # A projection, see course.py, not in the page's row of page_index: of the longer rows only two would fit in one of
    # the database's pages.
    """CREATE TABLE page_course (
        stream_id INTEGER NOT NULL, first INTEGER NOT NULL, body BLOB NOT NULL,
        PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID""",
)

_M0005 = (
    # browser: SHA-256 of the token in its cookie. kind: what was given there; a badge proves too little for tries to be
    # counted apart. proven: it was right once; failures: in a row since then.
    """CREATE TABLE known_browser (
        browser TEXT NOT NULL, person TEXT NOT NULL, kind TEXT NOT NULL, seen_ms INTEGER NOT NULL,
        proven INTEGER NOT NULL DEFAULT 0, failures INTEGER NOT NULL DEFAULT 0, failed_ms INTEGER,
        PRIMARY KEY (browser, person, kind)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX known_browser_by_person ON known_browser (person)",
    # times: so many alike from first to last_ms, which is one row's only change. The newest are kept, see sign_ins.py.
    """CREATE TABLE sign_in (
        number INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, person TEXT NOT NULL, how TEXT NOT NULL,
        outcome TEXT NOT NULL, address TEXT NOT NULL, browser TEXT NOT NULL, times INTEGER NOT NULL DEFAULT 1,
        last_ms INTEGER NOT NULL) STRICT""",
    "CREATE INDEX sign_in_by_person ON sign_in (person, number)",
    """CREATE TRIGGER sign_in_update BEFORE UPDATE ON sign_in
        WHEN (NEW.number, NEW.at_ms, NEW.person, NEW.how, NEW.outcome, NEW.address, NEW.browser)
            IS NOT (OLD.number, OLD.at_ms, OLD.person, OLD.how, OLD.outcome, OLD.address, OLD.browser)
            OR NEW.times <= OLD.times OR NEW.last_ms < OLD.last_ms
        BEGIN SELECT RAISE(ABORT, 'The record of sign-ins is append-only; only its counts rise.'); END""",
    """CREATE TRIGGER sign_in_delete BEFORE DELETE ON sign_in
        WHEN OLD.number > (SELECT max(number) FROM sign_in) - 100000
        BEGIN SELECT RAISE(ABORT, 'The newest 100,000 rows of the record of sign-ins are kept.'); END""",
    """CREATE TRIGGER sign_in_insert BEFORE INSERT ON sign_in
        WHEN NEW.number IS NOT (SELECT ifnull(max(number), 0) + 1 FROM sign_in)
        BEGIN SELECT RAISE(ABORT, 'Rows of the record of sign-ins follow on without a gap.'); END""",
)

_PAGE_BYTES = 1_024
"""A small commit writes whole pages, and a sealed page of readings fills few: small ones spare the card."""

_CHECKPOINT_PAGES = 4_000
_LARGEST_WAL_BYTES = 64 * 1024 * 1024
"""What is left of the write-ahead log after a long look by a reader."""


def connect(path: Path, *, read_only: bool = False, once: bool = False) -> Database:
    """Open the database for one thread.

    Args:
        path: The database file.
        read_only: For pages and commands that only look.
        once: For a command that looks once: it may be at a copy in a folder that nobody writes.

    Raises:
        DataError: It cannot be opened or is no database.
    """
    mode = "ro" if read_only else "rwc"
    connection: sqlite3.Connection | None = None
    try:
        if not read_only:
            _keep_private(path)
        unchanging = "&immutable=1" if once and _laid_aside(path) else ""
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}{unchanging}", uri=True, timeout=10)
        connection.execute("PRAGMA foreign_keys = ON")
        if not read_only:
            connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")  # only a new database takes it
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
            connection.execute(f"PRAGMA journal_size_limit = {_LARGEST_WAL_BYTES}")
        connection.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.Error as error:
        if connection:
            connection.close()
        raise DataError(
            f"{path} cannot be used ({error}). Nothing was changed or moved away. "
            "Check the folder's owner and free space; if the file is damaged, restore the last backup beside it."
        ) from None
    return Database(connection)


def _laid_aside(path: Path) -> bool:
    """A copy that nobody writes: SQLite cannot make the files beside it that it has for writers, and there are none."""
    return path.is_file() and not os.access(path.parent, os.W_OK) and not path.with_name(f"{path.name}-wal").exists()


def _keep_private(path: Path) -> None:
    """Nobody else on the machine reads it: whoever has the hash of a PIN finds its six digits within hours.

    A group that somebody let in stays in. SQLite gives its files beside the database the database's mode.
    """
    with suppress(OSError):  # whether it can be used is told by whoever opens it
        if not path.exists():
            os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
        for each in (path, *(path.with_name(path.name + ending) for ending in ("-wal", "-shm"))):
            if each.exists() and each.stat().st_mode & stat.S_IRWXO:
                each.chmod(stat.S_IMODE(each.stat().st_mode) & ~stat.S_IRWXO)


def refuse_newer(db: Database) -> None:
    """Leave alone what this version may misunderstand; the connection is given back.

    Raises:
        DataError: It was written by a newer version.
    """
    blank = Database(memory=True)
    known = {migration.name for migration in migrations.pending(blank)}
    blank.close()
    written = {migration.name for migration in migrations.applied(db)}
    if newer := written - known:
        db.close()
        raise DataError(
            f"The data were written by a newer version of this program (unknown here: {', '.join(sorted(newer))}). "
            "They were left as they are. Install that version again, or a newer one."
        )


def refuse_older(db: Database) -> None:
    """A reader cannot bring a database up to this version; the connection is given back.

    Raises:
        DataError: It was written by an older version.
    """
    pending = [migration.name for migration in migrations.pending(db)]
    if pending and migrations.applied(db):  # with none applied it is being made
        db.close()
        raise DataError(
            f"The data were written by an older version of this program (without {', '.join(pending)}). They were left "
            "as they are. Start the collector once on them: it makes a copy and brings them up to this version."
        )


def migrate(db: Database) -> None:
    """Bring the database up to this version.

    Raises:
        DataError: It was written by a newer version; it is closed then.
    """
    refuse_newer(db)
    migrations.apply(db)
