"""A damaged, missing or foreign database is named and left as it is: never moved away, never begun anew."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from kit import WallClock, batch, reading, soak, stream_id
from running import CollectorProcess, NodeSide

from collector import health, schema, status
from collector.errors import DataError
from collector.health import Place, back_up_before_migrating, check, condition_of
from collector.schema import FILE_NAME
from collector.store import Store

A = stream_id(1)
SOAK = soak(720_000)


@pytest.fixture
def data_dir(tmp_path: Path) -> Path:
    """A folder with a database in it, closed."""
    Store(tmp_path / "data", WallClock()).close()
    return tmp_path / "data"


def _content(data_dir: Path) -> dict[str, bytes]:
    return {each.name: each.read_bytes() for each in data_dir.iterdir()}


def _refused(data_dir: Path) -> str:
    """What is said; and nothing in the folder was changed for it."""
    before = _content(data_dir)
    with pytest.raises(DataError) as caught:
        check(data_dir)
    assert _content(data_dir) == before
    assert caught.value.exit_code == 3
    return str(caught.value)


def test_a_sound_database_and_a_new_folder_pass(data_dir: Path, tmp_path: Path) -> None:
    check(data_dir)
    check(tmp_path / "new")
    assert not (tmp_path / "new").exists()
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "collector.lock").touch()  # a first start that ended before it made a database
    (tmp_path / "new" / FILE_NAME).touch()
    check(tmp_path / "new")


@pytest.mark.parametrize("largest_bytes", [health.WHOLE_CHECK_BYTES, 0], ids=["whole", "needed tables"])
def test_a_damaged_table_is_found(data_dir: Path, monkeypatch: pytest.MonkeyPatch, largest_bytes: int) -> None:
    """The root page of a table that every message needs is overwritten."""
    monkeypatch.setattr(health, "WHOLE_CHECK_BYTES", largest_bytes)
    path = data_dir / FILE_NAME
    with closing(sqlite3.connect(path)) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'stream'").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xff" * 200)
    said = _refused(data_dir)
    assert said.startswith(f"{path} is damaged (")
    assert said.endswith(
        "Nothing was changed or moved away; nodes keep their readings. Copy the folder, check the disk, then restore "
        "the last backup in its place and start again."
    )


@pytest.mark.parametrize("content", [b"not a database at all, but long enough" * 100, b"\x00" * 8192])
def test_what_is_no_database_is_named(data_dir: Path, content: bytes) -> None:
    (data_dir / FILE_NAME).write_bytes(content)
    assert f"{FILE_NAME} is damaged (it does not begin as a database does)" in _refused(data_dir)


def test_a_database_cut_short_is_found(data_dir: Path) -> None:
    path = data_dir / FILE_NAME
    os.truncate(path, path.stat().st_size // 2)
    assert f"{path} is damaged (" in _refused(data_dir)


@pytest.mark.parametrize("left", [status.FILE_NAME, f"{FILE_NAME}-wal"])
@pytest.mark.parametrize("empty", [False, True])
def test_a_folder_that_had_a_database_does_not_begin_anew(data_dir: Path, left: str, empty: bool) -> None:
    path = data_dir / FILE_NAME
    path.unlink()
    if empty:
        path.touch()
    (data_dir / left).write_bytes(b"something")
    assert _refused(data_dir) == (
        f"{path} is {'empty' if empty else 'not there'}, but {left} beside it says that this folder had a database. "
        "Nothing was changed. Put it back with the files that belong to it, or restore the last backup; to begin with "
        "nothing, name an empty folder with --data."
    )


def test_every_kind_of_refusal_has_a_condition() -> None:
    def code(number: int) -> str:
        error = sqlite3.OperationalError("said")
        error.sqlite_errorcode = number
        return condition_of(error)

    assert code(sqlite3.SQLITE_FULL) == "disk-full"
    assert code(sqlite3.SQLITE_READONLY_DBMOVED) == "read-only"
    assert code(sqlite3.SQLITE_BUSY_SNAPSHOT) == "database-locked"
    assert {code(each) for each in (sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_IOERR_WRITE)} == {"disk-errors"}
    assert {code(each) for each in (sqlite3.SQLITE_CORRUPT_INDEX, sqlite3.SQLITE_NOTADB)} == {"database-damaged"}
    assert code(sqlite3.SQLITE_NOMEM) == condition_of(sqlite3.OperationalError("said")) == "cannot-store"


def test_a_file_that_was_replaced_is_not_the_same(data_dir: Path) -> None:
    place = Place(data_dir / FILE_NAME)
    assert place.kept()
    copy = data_dir / "copy"
    shutil.copy(place.path, copy)
    copy.rename(place.path)
    assert not place.kept()
    place.path.unlink()
    assert not place.kept()


# Before a migration


def _as_of_the_first_release(data_dir: Path, wanted: str) -> None:
    """The database forgets that its newest migration was ever applied."""
    with closing(sqlite3.connect(data_dir / FILE_NAME)) as db, db:
        db.execute("DELETE FROM _sqlite_migrations WHERE name = ?", (wanted,))


def test_a_copy_is_kept_before_the_database_is_changed(data_dir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert back_up_before_migrating(data_dir) is None  # nothing to come
    names = [each.name for each in schema.migrations._migrations]  # type: ignore[attr-defined]
    with closing(sqlite3.connect(data_dir / FILE_NAME)) as db, db:
        db.execute("INSERT INTO site VALUES ('kept', 'yes')")
        db.execute("INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('collector', 'm0', 'x')")
    _as_of_the_first_release(data_dir, names[-1])
    copy = back_up_before_migrating(data_dir)
    assert copy == data_dir / f"before-{names[-1]}.sqlite"
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("SELECT content FROM site WHERE name = 'kept'").fetchall() == [("yes",)]
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    first = copy.read_bytes()
    assert back_up_before_migrating(data_dir) is None  # the first copy stays what it is
    assert copy.read_bytes() == first
    assert not list(data_dir.glob("*.unfinished"))


def test_a_new_folder_has_nothing_to_copy(tmp_path: Path) -> None:
    assert back_up_before_migrating(tmp_path) is None
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as db, db:
        db.execute("PRAGMA user_version = 1")
    assert back_up_before_migrating(tmp_path) is None


def test_without_room_for_a_copy_nothing_is_changed(data_dir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(health, "_pending", lambda _: ["m9999_next"])
    monkeypatch.setattr(health, "_copy", full)
    with pytest.raises(DataError) as caught:
        back_up_before_migrating(data_dir)
    assert str(caught.value) == (
        f"{data_dir / FILE_NAME} must be changed for this version, and a copy of it could not be kept (database or "
        "disk is full). Nothing was changed. Make room for a second copy in its folder, then start again."
    )


# While running


@pytest.fixture
def working(tmp_path: Path, broker: Callable[[], Any]) -> Iterator[tuple[CollectorProcess, NodeSide]]:
    """A collector with half a soak."""
    port = broker().port
    collector, node = CollectorProcess(tmp_path / "collector", port), NodeSide(port)
    collector.start()
    node.wait_orders()
    node.send(batch(SOAK[:400]))
    node.wait_covered(A, 400)
    yield collector, node
    collector.close()
    node.close()


def _ended(collector: CollectorProcess) -> int | None:
    assert collector.process
    return collector.process.poll()


def _last_words(collector: CollectorProcess) -> str:
    (said,) = [line for line in collector.log().splitlines() if line.startswith("soakledger collector: ")]
    return said


@pytest.mark.broker
def test_a_database_that_is_damaged_under_it_is_named_and_ends_it(
    working: tuple[CollectorProcess, NodeSide], wait_until: Callable[..., None]
) -> None:
    """Overwritten from end to end: no receipt for what comes then, a condition, and no endless trying."""
    collector, node = working
    path = collector.data_dir / FILE_NAME
    with closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = path.stat().st_size
        with path.open("r+b") as file:
            file.write(b"\xff" * size)
    covered = node.covered[A].count()
    node.send(batch([reading(1, "open")], stream=stream_id(7)), batch(SOAK[400:500], 401))
    wait_until(lambda: _ended(collector) is not None, 40)
    assert _ended(collector) == 3
    said = _last_words(collector)
    assert said.startswith(f"soakledger collector: {path} is damaged (")
    assert "raised database-damaged: " in collector.log()
    assert node.covered[A].count() == covered
    seen = status.read(collector.data_dir)
    assert seen.problem == "It was stopped."
    assert seen.status
    assert [each.code for each in seen.status.conditions] == ["database-damaged"]
    assert path.stat().st_size == size
    again = CollectorProcess(collector.data_dir.parent, 9)
    again.start()
    assert again.process
    assert again.process.wait(20) == 3  # and it does not start on it either


@pytest.mark.broker
@pytest.mark.parametrize("how", ["moved", "replaced"])
def test_a_database_that_is_moved_under_it_ends_it(
    working: tuple[CollectorProcess, NodeSide], wait_until: Callable[..., None], how: str
) -> None:
    """SQLite would write on into the moved file, and receipts would be given for it."""
    collector, node = working
    path = collector.data_dir / FILE_NAME
    moved = path.with_name("moved.sqlite")
    if how == "replaced":
        shutil.copy(path, path.with_name("older"))
    path.rename(moved)
    if how == "replaced":
        path.with_name("older").rename(path)
    covered = node.covered[A].count()
    node.send(batch(SOAK[400:500], 401))
    wait_until(lambda: _ended(collector) is not None)
    assert _ended(collector) == 3
    said = _last_words(collector)
    assert said == (
        f"soakledger collector: {path} was moved away or replaced while the collector wrote to it. It has stopped, "
        "with no receipt for what came last. Put the right database there, with its files, and start again."
    )
    assert node.covered[A].count() == covered
    if how == "moved":
        collector.start()
        assert collector.process
        assert collector.process.wait(20) == 3
        assert "this folder had a database" in collector.log()
        moved.rename(path)
        collector.start()
        node.wait_orders()
        wait_until(lambda: collector.log().count("broker connected") == 2)
        node.send(batch(SOAK[400:500], 401))
        node.wait_covered(A, 500)
