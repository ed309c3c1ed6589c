"""`soakledger migrate`: what an upgrade asks of data, and data of a newer version."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from kit import Collecting, batch, soak

from collector.migrate_command import command
from collector.schema import FILE_NAME

RELEASED = Path(__file__).parents[1] / "databases" / "0003.sql"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as database:
        database.executescript(RELEASED.read_text())
    return tmp_path


def run(data: Path, *options: str) -> Result:
    return CliRunner().invoke(command, ["--data", str(data), *options])


def state(data: Path) -> dict[str, object]:
    found = run(data, "--state")
    assert found.exit_code == 0
    told: dict[str, object] = json.loads(found.stdout)
    return told


def test_a_look_changes_nothing_and_tells_what_would(data: Path) -> None:
    before = hashlib.sha256((data / FILE_NAME).read_bytes()).digest()
    told = state(data)
    pending = told["pending"]
    assert isinstance(pending, list)
    assert pending[0] == "m0004_course"
    assert told["readings"] == 725
    assert hashlib.sha256((data / FILE_NAME).read_bytes()).digest() == before


def test_it_is_done_once_and_a_copy_of_before_stays(data: Path) -> None:
    first = run(data)
    assert first.exit_code == 0
    assert "is of this version. Made: m0004_course" in first.stdout
    assert (data / "before-m0004_course.sqlite").is_file()
    assert state(data)["pending"] == []
    assert run(data).stdout == f"{data / FILE_NAME} is of this version. Nothing had to be changed.\n"


def test_what_comes_in_is_counted(tmp_path: Path) -> None:
    collecting = Collecting(tmp_path)
    collecting.take(batch(soak(20_000)[:10]))
    before = state(tmp_path)
    collecting.take(batch(soak(20_000)[10:], 11))
    collecting.close()
    after = state(tmp_path)
    assert after["readings"] > before["readings"] > 0  # type: ignore[operator]
    assert after["declared"] == before["declared"] == 0


@pytest.mark.parametrize("options", [(), ("--state",)])
def test_data_of_a_newer_version_are_left_alone(data: Path, options: tuple[str, ...]) -> None:
    run(data)
    with closing(sqlite3.connect(data / FILE_NAME)) as database, database:
        database.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('collector', 'm9999_later', '')"
        )
    before = hashlib.sha256((data / FILE_NAME).read_bytes()).digest()
    refused = run(data, *options)
    assert (refused.exit_code, refused.stdout) == (3, "")
    assert refused.stderr == (
        "soakledger migrate: The data were written by a newer version of this program (unknown here: m9999_later). "
        "They were left as they are. Install that version again, or a newer one.\n"
    )
    assert hashlib.sha256((data / FILE_NAME).read_bytes()).digest() == before


def test_data_that_a_collector_works_on_are_left_alone(tmp_path: Path) -> None:
    collecting = Collecting(tmp_path)
    refused = run(tmp_path)
    collecting.close()
    assert refused.exit_code == 3
    assert "Another collector is using" in refused.stderr


def test_no_data(tmp_path: Path) -> None:
    refused = run(tmp_path)
    assert refused.exit_code == 3
    assert refused.stderr.startswith(f"soakledger migrate: There are no data in {tmp_path} (no {FILE_NAME}).")


def test_no_database(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"something else, long enough to be looked at" * 100)
    refused = run(tmp_path)
    assert refused.exit_code == 3
    assert "Traceback" not in refused.stderr
