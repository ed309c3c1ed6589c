"""Every projection follows from ledger and pages: made again from nothing, each is as it was."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from kit import BOOT, Collecting, batch, clock_at, reading, site, soak, state, stream_id
from record_kit import Recording
from test_verify import _Note

from collector import rebuild_command
from collector.projections import TABLES
from collector.schema import FILE_NAME


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """Pages, a clock that was set late, a loss that was found in part, late readings, a changed requirement."""
    collecting = Collecting(tmp_path / "data")
    first = soak(800_000)
    collecting.take(batch(first, clock=clock_at(first[-1].ms, synced=False)))
    number = len(first) + 1
    later = soak(750_000, start_ms=900_000)
    cut = 300
    collecting.take(batch(later[cut + 20 :], number + cut + 20))
    collecting.take(state((stream_id(1), number + cut + 20, number + len(later) - 1), ms=2_000_000))
    assert collecting.rows("SELECT count(*) FROM lost")[0][0]
    collecting.take(batch(later[:cut], number))
    collecting.take(batch(later[cut + 5 : cut + 12], number + cut + 5))
    collecting.restart(site(contact="10m"))
    second = [reading(ms, "open") for ms in range(3_000, 10_000, 1_000)]
    collecting.take(batch(second, stream=stream_id(2), boot=BOOT[:-1] + "7"))
    collecting.take(state((stream_id(2), 1, 7), ms=11_000, boot=BOOT[:-1] + "7"))
    assert collecting.rows("SELECT count(*) FROM closure WHERE superseded_by IS NOT NULL")[0][0]
    collecting.close()
    return tmp_path / "data"


def content(data: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        return {table: connection.execute(f"SELECT * FROM {table}").fetchall() for table in (*TABLES, "boot", "site")}


def run(data: Path, *words: str) -> tuple[int, str]:
    result = CliRunner().invoke(rebuild_command.command, ["--data", str(data), *words])
    return result.exit_code, result.output.splitlines()[-1]


def test_made_again_everything_is_as_it_was(data: Path) -> None:
    before = content(data)
    assert run(data) == (0, "Every projection follows from ledger and pages, as it stands.")
    assert content(data) == before
    assert all(before[table] for table in ("basin", "requirement", "lost", "closure", "page_index", "page_course"))


def test_what_people_declared_is_made_again(recording: Recording) -> None:
    for turn in range(5):
        recording.desk.do(_Note(note=f"note {turn}"), "tina", once=f"k{turn}")
    recording.close()
    before = content(recording.data)
    assert run(recording.data) == (0, "Every projection follows from ledger and pages, as it stands.")
    assert content(recording.data) == before
    assert len(before["once"]) == 5


@pytest.mark.parametrize(
    ("sql", "table"),
    [
        ("UPDATE closure SET verdict = 'met'", "closure"),
        ("DELETE FROM closure WHERE id = 1", "closure"),
        ("UPDATE page_index SET minutes = x''", "page_index"),
        ("UPDATE page_course SET body = x''", "page_course"),
        ("DELETE FROM page_course", "page_course"),
        ("UPDATE requirement SET since_ms = since_ms + 1", "requirement"),
        ("DELETE FROM lost", "lost"),
        ("UPDATE basin SET label = 'x'", "basin"),
        ("UPDATE boot SET synced_utc_ms = 5 WHERE synced_ms IS NOT NULL", "boot"),
        ("INSERT INTO thing VALUES ('fill', 'F1', 'n1/b1', 1, 1, 1, '{}')", "thing"),
    ],
)
def test_a_table_that_was_tampered_with_is_named_and_mended(data: Path, sql: str, table: str) -> None:
    before = content(data)
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        connection.execute(sql)
        connection.commit()
    after = content(data)
    code, line = run(data, "--check")
    assert code == 1
    assert line.startswith("Not as ledger and pages say: ")
    assert table in line
    assert line.endswith("Nothing was changed; run it without --check to make them again.")
    assert content(data) == after
    code, line = run(data)
    assert (code, line.rpartition(". ")[2]) == (1, "They were made again.")
    assert content(data) == before


def test_a_collector_at_work_is_not_disturbed(tmp_path: Path) -> None:
    collecting = Collecting(tmp_path / "data")
    try:
        assert run(tmp_path / "data") == (
            3,
            f"soakledger rebuild: A collector is using {tmp_path / 'data'}. Stop it first, then run this again.",
        )
    finally:
        collecting.close()


def test_a_damaged_page_stops_it_and_nothing_is_changed(data: Path) -> None:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        connection.execute("DROP TRIGGER page_update")
        connection.execute("UPDATE page SET body = x'00' WHERE first = 1")
        connection.commit()
    before = content(data)
    code, line = run(data)
    assert code == 3
    assert line.endswith("Nothing was changed.")
    assert content(data) == before
