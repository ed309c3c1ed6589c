"""A ledger that somebody wrote again with every hash right, and pictures that are gone: named, never a crash."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from collector.ledger import Head, Ledger, Record, canonical, hashed, head, records, site_id
from collector.pictures import Pictures
from collector.schema import FILE_NAME, connect, migrate
from collector.verify import verify
from collector.verify_command import command

JPEG = b"\xff\xd8\xff of a label"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """An empty ledger."""
    db = connect(tmp_path / FILE_NAME)
    migrate(db)
    db.close()
    return tmp_path


def appended(data: Path, *bodies: dict[str, Any], who: str = "tina") -> Head:
    """Records as the program writes them."""
    with closing(connect(data / FILE_NAME).conn) as connection:
        connection.execute("BEGIN IMMEDIATE")
        for body in bodies:
            Ledger(connection, lambda: 0).append("said", body, who=who)
        connection.commit()
        return head(connection)


def forged(data: Path, body: str | bytes, **more: Any) -> None:
    """A record with a body of somebody's own; its hash is right as far as there can be one."""
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        last = head(connection)
        plain = body if isinstance(body, str) else ""
        record = Record(last.records + 1, "said", 0, "tina", "by hand", plain, "", "")._replace(**more)
        record = record._replace(hash=hashed(site_id(connection), record, last.hash))
        row = tuple(record._replace(body=body))  # type: ignore[arg-type]
        connection.execute("INSERT INTO ledger VALUES (?, ?, ?, ?, ?, CAST(? AS TEXT), ?, ?, ?)", row)
        connection.commit()


def run(data: Path, *words: str) -> tuple[int, str]:
    result = CliRunner().invoke(command, ["--data", str(data), "--quiet", *words])
    assert not isinstance(result.exception, Exception), result.exception
    return result.exit_code, result.output.splitlines()[-1]


@pytest.mark.parametrize(
    ("body", "text"),
    [
        ("[" * 100_000 + "]" * 100_000, "its body is nested more deeply than anything this program writes."),
        ('{"a":NaN}', "its body cannot be read (JSON is malformed: invalid character (byte 5))."),
        ('{"a":1e999}', "its body cannot be read (Number out of range - at"),
        ('{"a":' + "9" * 400 + "}", "its body cannot be read ("),
        ('{"a":9007199254740993}', "its body cannot be read ("),
        ('{"a":"\\ud800"}', "its body cannot be read ("),
        ('{"a":1,"a":1}', "its body is not canonical JSON (RFC 8785)."),
        ("", "its body cannot be read (Input data was truncated)."),
        (b'{"a":"\xff"}', "it is no text in UTF-8: bytes were changed."),
    ],
)
def test_a_body_that_nothing_reads_is_named(data: Path, body: str | bytes, text: str) -> None:
    before = appended(data, {"a": 1}).records
    forged(data, body)
    code, line = run(data)
    assert code == 1
    assert line.startswith(f"Record {before + 1} does not hold: {text}")


def test_a_page_record_that_says_no_page_is_named(data: Path) -> None:
    forged(data, canonical({"stream": 5}), kind="page")
    code, line = run(data)
    assert (code, line.partition(" (")[0]) == (1, "Record 1 does not hold: its body cannot be read")


def test_every_printed_hash_counts(data: Path) -> None:
    """Two papers for one record: one that does not fit is enough, in whatever order they are given."""
    end = appended(data, {"a": 1})
    other = f"{end.records}:{'0' * 64}"
    for known in ((other, f"{end.records}:{end.hash}"), (f"{end.records}:{end.hash}", other)):
        code, line = run(data, *(word for each in known for word in ("--known", each)))
        assert (code, f"but {'0' * 64} was printed for it" in line) == (1, True)


@pytest.mark.parametrize("known", ["0:" + "0" * 64, "-1:" + "0" * 64, "\u0661:" + "0" * 64, "1:" + "0" * 63, "1", ""])
def test_what_is_no_printed_head_is_refused(data: Path, known: str) -> None:
    appended(data, {"a": 1})
    result = CliRunner().invoke(command, ["--data", str(data), "--known", known])
    assert result.exit_code == 2
    assert f"{known!r} is no record number with its hash." in result.output


def test_every_picture_that_is_named_is_looked_at(data: Path) -> None:
    kept = Pictures(data).keep(JPEG)
    end = appended(
        data,
        {"said": {"picture_sha256": ""}},
        {"said": {"lines": [{"picture_sha256": kept.sha256}]}, "changes": {"picture_sha256": kept.sha256}},
    )
    assert verify(data).wrong is None
    assert run(data) == (
        0,
        f"{end.records} records and 0 pages with 0 readings and 1 picture of record hold. "
        f"The chain ends at {end.records}:{end.hash}",
    )
    path = data / "pictures" / f"{kept.sha256}.jpg"
    path.write_bytes(JPEG + b"!")
    named = f"Record {end.records} does not hold: its picture "
    assert run(data) == (
        1,
        f"{named}does not hold: {path} is damaged: its content is another than it was. Restore it from a backup.",
    )
    path.unlink()
    missing = f"{kept.sha256} is not in the folder pictures: restore that folder from a backup."
    assert run(data) == (1, f"{named}{missing}")
    path.mkdir()
    assert run(data) == (1, f"{named}{missing}")


def test_a_name_that_is_no_digest_reaches_no_other_file(data: Path) -> None:
    end = appended(data, {"said": {"picture_sha256": "../soakledger"}})
    assert run(data) == (
        1,
        f"Record {end.records} does not hold: its picture ../soakledger is not in the folder pictures: restore that "
        "folder from a backup.",
    )


def test_what_the_machine_says_of_digests_is_no_picture(data: Path) -> None:
    appended(data, {"page_sha256": "a" * 64}, who="collector")
    assert run(data)[0] == 0


def test_records_stay_readable_for_the_test(data: Path) -> None:
    """The kit above writes what the program itself reads."""
    forged(data, canonical({"a": 1}))
    with closing(connect(data / FILE_NAME, read_only=True).conn) as connection:
        assert [record.content() for record in records(connection)][-1] == {"a": 1}
    assert run(data)[0] == 0
