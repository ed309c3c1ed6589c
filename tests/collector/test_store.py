"""The store: one writer, all or nothing, older databases brought up, newer and damaged ones left as they are."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner
from deliveries import FlakyConnection
from kit import NEED, SENSOR, TERMS, Collecting, WallClock, batch, looking, site, soak, state, stream_id
from sqlite_utils import Database

from collector import rebuild_command, sign_ins
from collector.errors import DataError
from collector.read import Reader
from collector.readings import stored_readings
from collector.schema import FILE_NAME, connect, migrate, migrations
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from collector.sign_ins import Outcome, Place
from collector.store import Store
from collector.verify import verify
from soak.requirement import Requirement, SensorTerms

DATABASES = Path(__file__).parents[1] / "databases"


# One writer


def test_a_second_collector_on_the_same_folder_is_refused(tmp_path: Path) -> None:
    """Also one in another process, and the first one's data are not touched; when it ends, the next may come."""
    first = Store(tmp_path, WallClock())
    message = f"Another collector is using {tmp_path}. Two would write over each other; stop one of them first."
    with pytest.raises(DataError) as caught:
        Store(tmp_path, WallClock())
    assert str(caught.value) == message
    other = "import sys, pathlib, collector.store as s; s.Store(pathlib.Path(sys.argv[1]), lambda: 0)"
    done = subprocess.run([sys.executable, "-c", other, str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert message in done.stderr
    first.close()
    Store(tmp_path, WallClock()).close()


def test_a_killed_collector_lets_the_next_one_in(tmp_path: Path) -> None:
    held = "import sys, pathlib, collector.store as s; x = s.Store(pathlib.Path(sys.argv[1]), lambda: 0); "
    held += "print(1, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", held, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout
        other.stdout.readline()
        with pytest.raises(DataError):
            Store(tmp_path, WallClock())
        other.kill()
        other.wait(10)
    Store(tmp_path, WallClock()).close()


# What cannot be used


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(DataError) as caught:
        Store(tmp_path / "file", WallClock())
    advice = "Name a folder that this user may write, with --data."
    assert str(caught.value) == f"{tmp_path / 'file'} cannot be used (File exists). {advice}"
    with pytest.raises(DataError) as caught:
        Store(tmp_path / "file" / "data", WallClock())
    assert str(caught.value) == f"{tmp_path / 'file' / 'data'} cannot be used (Not a directory). {advice}"


def test_a_file_that_is_no_database_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"not a database, but somebody's only copy" * 40)
    for _ in range(2):  # the lock is free again after the first
        with pytest.raises(DataError) as caught:
            Store(tmp_path, WallClock())
        assert str(caught.value) == (
            f"{tmp_path / FILE_NAME} cannot be used (file is not a database). Nothing was changed or moved away. "
            "Check the folder's owner and free space; if the file is damaged, restore the last backup beside it."
        )
    assert (tmp_path / FILE_NAME).read_bytes() == b"not a database, but somebody's only copy" * 40


def test_a_newer_database_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    Store(tmp_path, WallClock()).close()
    db = Database(tmp_path / FILE_NAME)
    db["_sqlite_migrations"].insert({"migration_set": "collector", "name": "m9999_of_tomorrow", "applied_at": "2031"})
    db.close()
    before = (tmp_path / FILE_NAME).read_bytes()
    for attempt in (lambda: Store(tmp_path, WallClock()), lambda: Reader(tmp_path)):
        with pytest.raises(DataError) as caught:
            attempt()
        assert str(caught.value) == (
            "The data were written by a newer version of this program (unknown here: m9999_of_tomorrow). "
            "They were left as they are. Install that version again, or a newer one."
        )
    assert (tmp_path / FILE_NAME).read_bytes() == before


def test_readers_say_what_is_wrong_with_the_folder(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        Reader(tmp_path)
    assert str(caught.value) == (
        f"There are no data in {tmp_path} (no {FILE_NAME}). "
        "Name the collector's data folder with --data, or start the collector first."
    )
    (tmp_path / FILE_NAME).write_bytes(b"x" * 5_000)
    with pytest.raises(DataError, match=r"cannot be used \(file is not a database\)"):
        Reader(tmp_path)


# Tables


def _schema(path: Path) -> list[tuple[str, str, str]]:
    with sqlite3.connect(path) as connection:
        rows = connection.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE sql NOT NULL ORDER BY 1, 2"
        ).fetchall()
    connection.close()
    return rows


def test_every_table_is_strict(tmp_path: Path) -> None:
    Store(tmp_path, WallClock()).close()
    tables = [(name, sql) for kind, name, sql in _schema(tmp_path / FILE_NAME) if kind == "table"]
    ours = {name for name, _ in tables} - {"_sqlite_migrations"}
    with looking(tmp_path) as other:
        strict = {name for name, is_strict in other.execute("SELECT name, strict FROM pragma_table_list") if is_strict}
    assert ours
    assert ours <= strict


def test_text_for_a_number_is_refused(collecting: Collecting) -> None:
    """Without STRICT a column of whole numbers takes the text "hot"."""
    collecting.take(batch(soak(1_000)))
    with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in INTEGER column"):
        collecting.store.db.conn.execute("UPDATE stream SET stored = 'hot'")
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        collecting.store.db.conn.execute("INSERT INTO batch VALUES (77, 99, 1, 1, x'00')")


def test_what_is_committed_is_on_the_disk(tmp_path: Path) -> None:
    """WAL, and each commit waits for the disk: a receipt is a promise (SQLite's PRAGMA synchronous: 2 is FULL)."""
    store = Store(tmp_path, WallClock())
    connection = store.db.conn
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
    store.close()


def test_migrating_twice_changes_nothing(tmp_path: Path) -> None:
    Store(tmp_path, WallClock()).close()
    before = _schema(tmp_path / FILE_NAME), (tmp_path / FILE_NAME).read_bytes()
    db = connect(tmp_path / FILE_NAME)
    migrate(db)
    migrate(db)
    db.close()
    assert (_schema(tmp_path / FILE_NAME), (tmp_path / FILE_NAME).read_bytes()) == before


# Every schema that was ever released, as `.dump` of a small database


@pytest.fixture
def first_schema(tmp_path: Path) -> Path:
    return _dumped(tmp_path, "0001")


@pytest.fixture(params=["0001", "0002"])
def earlier_schema(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    return _dumped(tmp_path, request.param)


def _dumped(folder: Path, name: str) -> Path:
    with sqlite3.connect(folder / FILE_NAME) as connection:
        connection.executescript((DATABASES / f"{name}.sql").read_text(encoding="utf-8"))
    connection.close()
    return folder


def test_a_database_from_before_the_ledger_gets_one_that_holds(earlier_schema: Path) -> None:
    """Whatever was stored is in it: what follows from it, made again, is what was there."""
    Store(earlier_schema, WallClock()).close()
    outcome = verify(earlier_schema)
    assert (outcome.wrong, outcome.readings) == (None, 723)
    with looking(earlier_schema) as other:
        kinds = Counter(kind for (kind,) in other.execute("SELECT kind FROM ledger"))
        once_there = {
            "basin": "basin",
            "stream": "stream",
            "requirement": "requirement",
            "page": "page",
            "lost": "lost",
            "closure": "closure",
        }
        rows = {
            kind: other.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for kind, table in once_there.items()
        }
    assert {kind: kinds[kind] for kind in rows} == rows
    assert kinds.keys() - rows.keys() <= {"site-named", "clock-synchronised"}
    assert all(rows.values())
    checked = CliRunner().invoke(rebuild_command.command, ["--data", str(earlier_schema), "--check"])
    assert (checked.exit_code, checked.output.splitlines()[-1]) == (
        0,
        "Every projection follows from ledger and pages, as it stands.",
    )


def test_a_database_of_the_first_schema_is_brought_up(first_schema: Path, tmp_path: Path) -> None:
    """Opened twice it has the tables of a fresh one, and every reading and verdict it had."""
    for _ in range(2):
        Store(first_schema, WallClock()).close()
    fresh = tmp_path / "fresh"
    Store(fresh, WallClock()).close()
    assert _schema(first_schema / FILE_NAME) == _schema(fresh / FILE_NAME)
    with looking(first_schema) as other:
        assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert other.execute("PRAGMA foreign_key_check").fetchall() == []


def test_pages_of_before_get_their_course(tmp_path: Path) -> None:
    """Every page is opened once: what lies beside it then is what a rebuild makes of it."""
    Store(_dumped(tmp_path, "0003"), WallClock()).close()
    with looking(tmp_path) as other:
        assert other.execute(
            "SELECT min(length(body)) > 20, count(*) = (SELECT count(*) FROM page) FROM page_course"
        ).fetchone() == (1, 1)
    checked = CliRunner().invoke(rebuild_command.command, ["--data", str(tmp_path), "--check"])
    assert (checked.exit_code, checked.output.splitlines()[-1]) == (
        0,
        "Every projection follows from ledger and pages, as it stands.",
    )


def test_who_was_signed_in_stays_so_and_sign_ins_are_recorded_from_now_on(tmp_path: Path) -> None:
    """Its rows can only be added to, and only the oldest go."""
    with sqlite3.connect(_dumped(tmp_path, "0004") / FILE_NAME) as earlier:
        earlier.execute("INSERT INTO session VALUES ('digest', 'tina', 1, 2, 600000, NULL)")
    Store(tmp_path, WallClock()).close()
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        assert connection.execute("SELECT person FROM session").fetchall() == [("tina",)]
        place = Place("10.0.0.1", "ab" * 32)
        sign_ins.note(connection, Outcome.SIGNED_IN, 5, person="tina", how="badge", place=place)
        (row,) = sign_ins.rows(connection)
        assert row == (1, 5, "tina", "badge", Outcome.SIGNED_IN, "10.0.0.1", "abababab", 1, 5)
        for sql in (
            "UPDATE sign_in SET person = 'tom', times = 2",
            "UPDATE sign_in SET times = 0",
            "DELETE FROM sign_in",
            "INSERT INTO sign_in SELECT 3, at_ms, person, how, outcome, address, browser, 1, 5 FROM sign_in",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="record of sign-ins"):
                connection.execute(sql)
        assert sign_ins.rows(connection) == [row]


def test_a_reader_leaves_an_older_database_to_the_collector(first_schema: Path) -> None:
    before = (first_schema / FILE_NAME).read_bytes()
    later = [each.name for each in migrations.pending(Database(memory=True))][1:]
    with pytest.raises(DataError) as error:
        Reader(first_schema)
    assert str(error.value) == (
        f"The data were written by an older version of this program (without {', '.join(later)}). "
        "They were left as they are. "
        "Start the collector once on them: it makes a copy and brings them up to this version."
    )
    assert (first_schema / FILE_NAME).read_bytes() == before


def test_a_database_of_the_first_schema_goes_on(first_schema: Path) -> None:
    Store(first_schema, WallClock()).close()
    with Reader(first_schema) as reader:
        (closure,) = reader.closures()
        assert (closure.closure.verdict, closure.closure.credited_ms) == ("met", 720_000)
        every = sorted((each.id, each.closure.verdict) for each in reader.closures(superseded=True))
        assert every == [(1, "unproven"), (2, "unproven"), (3, "met")]
        ((_, now),) = reader.now().items()
        assert (now.number, now.lid) == (725, "closed")
        assert reader.parked_counts() == {"not-json": 1}
        assert len(list(reader.readings(1, 0, 1 << 50))) == 725
        (table,) = reader.minutes(1, 0, 1 << 50).values()
        assert sum(each.known + each.missing for each in table) == 725
    collecting = Collecting(first_schema)
    assert [number for number, _ in collecting.readings()] == list(range(1, 726))
    collecting.take(batch(soak(720_000, start_ms=801_000)[2:], 726))
    assert collecting.verdicts() == [(2, 722, "met"), (725, 1445, "met")]
    collecting.close()


# Names and requirements


def _stored_terms(collecting: Collecting) -> list[tuple[int | None, int]]:
    return [
        (each.requirement.contact_ms if each.requirement else None, each.terms[SENSOR].u_mc)
        for each in collecting.store.required(1)
    ]


def test_a_restart_takes_over_names_and_adds_requirements(collecting: Collecting) -> None:
    """A changed requirement holds from then on; what held before stays on record."""
    began_ms = collecting.clock.now_ms
    collecting.restart()
    assert _stored_terms(collecting) == [(720_000, 500)]
    changed = [
        BasinSettings(
            "n1",
            "b1",
            "Basin by the window",
            {SENSOR: SensorSettings(u_c="0.2")},
            place="Room 2",
            requirement=RequirementSettings("20", "5m"),
        )
    ]
    collecting.clock.now_ms += 5_000
    collecting.restart(site(basins=changed))
    assert _stored_terms(collecting) == [(720_000, 500), (300_000, 200)]
    assert [each.since_ms for each in collecting.store.required(1)] == [began_ms, began_ms + 5_000]
    with Reader(collecting.data_dir) as reader:
        (basin,) = reader.basins()
        assert reader.site()["name"] == "Clinic at the Mill"
    assert (basin.label, basin.place) == ("Basin by the window", "Room 2")
    assert (basin.requirement, basin.sensors) == (Requirement(20_000, 300_000), {SENSOR: SensorTerms(200)})


def test_what_is_taken_away_is_not_required_any_more(collecting: Collecting) -> None:
    collecting.clock.now_ms += 1
    collecting.restart(site(basins=[BasinSettings("n1", "b1", "Basin 1", {SENSOR: SensorSettings(u_c="0.5")})]))
    assert _stored_terms(collecting) == [(720_000, 500), (None, 500)]


def test_changes_within_a_millisecond_keep_their_order(collecting: Collecting) -> None:
    for contact in ("10m", "11m", "12m"):
        collecting.restart(site(contact=contact))
    assert [contact for contact, _ in _stored_terms(collecting)] == [720_000, 600_000, 660_000, 720_000]
    assert collecting.store.required(1)[0].requirement == NEED
    assert collecting.store.required(1)[0].terms == TERMS


def test_a_change_does_not_reach_back(collecting: Collecting) -> None:
    """The collector's clock was set back, or somebody wrote an early `since`: what held stays what held."""
    began_ms = collecting.clock.now_ms
    collecting.clock.now_ms -= 3_600_000
    collecting.restart(site(contact="5m"))
    assert [each.since_ms for each in collecting.store.required(1)] == [began_ms, began_ms + 1]


# All or nothing


def test_nothing_is_visible_before_the_commit(collecting: Collecting) -> None:
    """Somebody else looks after each statement of a batch of messages: nothing, nothing, … everything."""
    seen: list[tuple[int, ...]] = []
    counts = (
        "SELECT (SELECT count(*) FROM batch), (SELECT count(*) FROM page), (SELECT count(*) FROM closure), "
        "(SELECT count(*) FROM boot), (SELECT count(*) FROM stream), (SELECT count(*) FROM now), "
        "(SELECT count(*) FROM node), (SELECT count(*) FROM lost)"
    )

    class Watched(FlakyConnection):
        committed = False

        def _next(self) -> None:
            if not self.committed:
                seen.extend(collecting.rows(counts))

        def commit(self) -> None:
            super().commit()
            self.committed = True

    readings = soak(720_000)
    real = collecting.store.db.conn
    collecting.store.db.conn = Watched(real)  # type: ignore[assignment]
    collecting.take(batch(readings[5:], 6), batch(readings[:3]), state((stream_id(1), 6, 723), ms=722_000))
    assert len(seen) > 15
    assert set(seen) == {(0,) * 8}
    assert collecting.rows(counts) == [(0, 2, 2, 1, 1, 1, 1, 1)]
    collecting.store.db.conn = real


@pytest.mark.parametrize("fails_at", range(24))
def test_a_disk_that_fails_at_any_statement_leaves_the_store_usable(collecting: Collecting, fails_at: int) -> None:
    """The commit is one of them: it must not leave its transaction open, or nothing could be stored ever after."""
    readings = soak(720_000)
    flaky = FlakyConnection(collecting.store.db.conn)
    collecting.store.db.conn = flaky  # type: ignore[assignment]
    flaky.statements_left = fails_at
    try:
        collecting.take(batch(readings))
    except sqlite3.OperationalError:  # then nothing of it was kept
        assert collecting.rows("SELECT count(*) FROM stream") == [(0,)]
    finally:
        flaky.statements_left = None
    receipts = collecting.take(batch(readings))
    assert receipts["n1"].streams == {stream_id(1): [(1, 723)]}
    assert collecting.verdicts() == [(2, 722, "met")]


def test_a_failed_commit_leaves_no_transaction_open(collecting: Collecting) -> None:
    class Full(FlakyConnection):
        def commit(self) -> None:
            raise sqlite3.OperationalError("database or disk is full")

    real = collecting.store.db.conn
    collecting.store.db.conn = Full(real)  # type: ignore[assignment]
    with pytest.raises(sqlite3.OperationalError, match="disk is full"):
        collecting.take(batch(soak(1_000)))
    assert not real.in_transaction
    collecting.store.db.conn = real
    collecting.take(batch(soak(1_000)))
    assert len(collecting.readings()) == 4


def test_another_writer_gets_in_between(collecting: Collecting) -> None:
    """Nothing holds the database between two batches of messages."""
    collecting.take(batch(soak(1_000)))
    other = sqlite3.connect(collecting.data_dir / FILE_NAME, timeout=0)
    other.execute("BEGIN IMMEDIATE")
    other.execute("UPDATE basin SET place = 'moved'")
    other.commit()
    other.close()
    row = collecting.store.stream(stream_id(1))
    assert row
    assert len(list(stored_readings(collecting.store.db, row.id))) == 4
