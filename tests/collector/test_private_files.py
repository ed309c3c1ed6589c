"""Who else has an account on the machine reads neither the database nor pictures nor printed badges."""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from collector import health, labels_command
from collector.pictures import Pictures
from collector.schema import FILE_NAME, connect, migrate


@pytest.fixture(autouse=True)
def _an_open_hand() -> Iterator[None]:
    """Files are readable by everybody unless the program says otherwise."""
    before = os.umask(0)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_new_database_is_its_owners(tmp_path: Path) -> None:
    db = connect(tmp_path / FILE_NAME)
    migrate(db)
    assert {path.name: mode(path) for path in tmp_path.iterdir()} == {
        FILE_NAME: 0o600,
        f"{FILE_NAME}-wal": 0o600,
        f"{FILE_NAME}-shm": 0o600,
    }
    db.close()


def test_an_older_database_is_closed_to_others_but_not_to_a_group(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    connect(path).close()
    path.chmod(0o664)
    with closing(connect(path, read_only=True)):
        assert mode(path) == 0o664
    with closing(connect(path)):
        assert mode(path) == 0o660


def test_the_copy_before_a_migration_is_its_owners(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "old")) as source:
        source.execute("CREATE TABLE kept (x)")
        health._copy(source, tmp_path / "before.sqlite")
    assert mode(tmp_path / "before.sqlite") == 0o600


def test_pictures_are_their_owners(tmp_path: Path) -> None:
    kept = Pictures(tmp_path).keep(b"%PDF-1.7")
    assert mode(tmp_path / "pictures") == 0o700
    assert mode(tmp_path / "pictures" / f"{kept.sha256}.pdf") == 0o600


def test_a_page_of_badges_goes_into_a_new_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not through a link that somebody has put in its place, not even in the moment before it is written."""
    elsewhere, out = tmp_path / "elsewhere", tmp_path / "badges.html"
    elsewhere.touch()
    out.symlink_to(elsewhere)
    labels_command._write(out, "badges", secret=True)
    assert (mode(out), out.is_symlink(), out.read_text()) == (0o600, False, "badges")
    out.unlink()
    out.symlink_to(elsewhere)
    monkeypatch.setattr(Path, "unlink", lambda *_, **__: None)  # as if it were there again at once
    with pytest.raises(FileExistsError):
        labels_command._write(out, "badges", secret=True)
    assert elsewhere.read_text() == ""
