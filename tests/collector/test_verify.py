"""What holds is said to hold; whatever is changed in ledger or pages is found, and named."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from click.testing import CliRunner
from kit import Collecting, batch, soak
from record_kit import Recording

from collector import verify_command
from collector.ledger import TAG, Head, Ledger, Record, hashed, head, records
from collector.record.deed import HANDS, Deed, deed
from collector.record.things import Handover, Note, Thing
from collector.schema import FILE_NAME, connect, migrate
from collector.verify import verify


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A few records and two pages, to be copied."""
    folder = tmp_path_factory.mktemp("pattern")
    collecting = Collecting(folder)
    readings = soak(70_000)
    collecting.take(batch(readings))
    later = soak(65_000, start_ms=100_000)
    collecting.take(batch(later, len(readings) + 1))
    assert collecting.rows("SELECT count(*) FROM page") == [(2,)]
    collecting.store.db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    collecting.close()
    return folder


@pytest.fixture
def data(tmp_path: Path, pattern: Path) -> Path:
    shutil.copytree(pattern, tmp_path / "data")
    return tmp_path / "data"


def unguarded(data: Path) -> sqlite3.Connection:
    """Somebody who first takes the guards away."""
    connection = sqlite3.connect(data / FILE_NAME)
    names = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in names:
        connection.execute(f"DROP TRIGGER {name}")
    return connection


def guarded(connection: sqlite3.Connection, data: Path) -> None:
    """And puts them back, so that nothing shows."""
    fresh = connect(data.parent / "fresh.sqlite")
    migrate(fresh)
    for (sql,) in fresh.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(sql)
    fresh.close()
    connection.commit()


def test_what_was_written_holds(data: Path) -> None:
    outcome = verify(data)
    assert outcome.wrong is None
    assert (outcome.pages, outcome.readings) == (2, 73 + 68)
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        assert outcome.head == head(connection)
        kinds = [record.kind for record in records(connection)]
    assert kinds == [
        *("site-named", "basin", "requirement", "stream", "clock-synchronised"),
        *("closure", "page", "closure", "page"),
    ]


def test_a_hash_is_of_the_tag_and_the_canonical_json(data: Path) -> None:
    """By hand, with the RFC 8785 library and hashlib (FIPS 180-4), over all that the design names."""
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        site = connection.execute("SELECT content FROM site WHERE name = 'ledger'").fetchone()[0]
        previous = "0" * 64
        for record in records(connection):
            whole = {
                "site": site,
                "number": record.number,
                "previous": previous,
                "format": 1,
                "kind": record.kind,
                "at_ms": record.at_ms,
                "who": record.who,
                "software": record.software,
                "body": record.content(),
                "reason": record.reason,
            }
            assert hashlib.sha256(TAG + rfc8785.dumps(whole)).hexdigest() == record.hash
            previous = record.hash


FIPS_180_4 = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
}
"""The messages of FIPS 180-4's examples, from memory; the digests are recomputed here by what the ledger uses."""


@pytest.mark.parametrize(("message", "digest"), FIPS_180_4.items())
def test_sha256_is_the_standard_one(message: bytes, digest: str) -> None:
    assert hashlib.sha256(message).hexdigest() == digest


def test_the_canonical_form_is_that_of_rfc_8785() -> None:
    """RFC 8785 3.2.3, the order of keys by UTF-16 code units, and 3.2.2.2, how strings are written."""
    keys = {
        "€": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\x80": "Control",
        "ö": "Latin Small Letter O With Diaeresis",
    }
    written = rfc8785.dumps(keys).decode()
    order = ["Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign"]
    order += ["Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh"]
    assert [written.index(f'"{text}"') for text in order] == sorted(written.index(f'"{text}"') for text in order)
    strings = '€$\x0f\nA\'B"\\\\"/'
    assert rfc8785.dumps(strings).decode() == '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE ledger SET reason = 'x' WHERE number = 1",
        "DELETE FROM ledger WHERE number = 8",
        "INSERT OR REPLACE INTO ledger SELECT 3, kind, at_ms, who, software, body, reason, hash, format FROM ledger "
        "WHERE number = 1",
        "INSERT INTO ledger SELECT 11, kind, at_ms, who, software, body, reason, hash, format FROM ledger "
        "WHERE number = 1",
        "UPDATE page SET body = x'00'",
        "DELETE FROM page",
        "INSERT OR REPLACE INTO page SELECT * FROM page",
    ],
)
def test_the_database_itself_refuses(data: Path, sql: str) -> None:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        before = (
            connection.execute("SELECT * FROM ledger").fetchall(),
            connection.execute("SELECT * FROM page").fetchall(),
        )
        with pytest.raises(sqlite3.IntegrityError, match=r"append-only|without a gap|a page of these"):
            connection.execute(sql)
        connection.rollback()
        after = (
            connection.execute("SELECT * FROM ledger").fetchall(),
            connection.execute("SELECT * FROM page").fetchall(),
        )
    assert before == after


def bytewise(content: Any) -> Iterator[Any]:
    """The content with one byte changed, each byte in turn."""
    if isinstance(content, bytes):
        for at in range(len(content)):
            for bits in (0x01, 0xFF):
                yield content[:at] + bytes([content[at] ^ bits]) + content[at + 1 :]
    elif isinstance(content, int):
        for byte in range(8):
            changed = content ^ (1 << (8 * byte))
            if -(1 << 63) <= changed < 1 << 63:
                yield changed
    else:
        raw = content.encode()
        for at in range(len(raw)):
            yield (raw[:at] + bytes([raw[at] ^ 0x01]) + raw[at + 1 :]).decode()


@pytest.mark.parametrize("table", ["ledger", "page"])
def test_any_byte_changed_in_any_row_is_found(data: Path, table: str) -> None:
    """Column by column, row by row: with the guards taken away and put back, so that only the content tells."""
    with closing(sqlite3.connect(data / FILE_NAME, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("PRAGMA foreign_keys = OFF")
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        changes = 0
        for rowid, *row in connection.execute(f"SELECT rowid, * FROM {table}").fetchall():
            for column, content in zip(columns, row, strict=True):
                for changed in bytewise(content):
                    try:
                        put(connection, table, column, rowid, changed)
                    except sqlite3.IntegrityError:  # the database itself finds it impossible
                        continue
                    outcome = verify(data, processes=1)
                    assert outcome.wrong is not None, (column, changed)
                    changes += 1
                    put(connection, table, column, changed if column == "number" else rowid, content)
        assert verify(data, processes=1).wrong is None
        assert changes > 500


def put(connection: sqlite3.Connection, table: str, column: str, rowid: int, content: Any) -> None:
    """Change one cell; the guards are there again afterwards."""
    guards = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?"
    connection.execute("BEGIN")
    try:
        triggers = connection.execute(guards, (table,)).fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (content, rowid))
        for _, sql in triggers:
            connection.execute(sql)
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def wrong_after(data: Path, *statements: str) -> tuple[int | None, str]:
    with closing(unguarded(data)) as connection:
        for sql in statements:
            connection.execute(sql)
        connection.commit()
        guarded(connection, data)
    outcome = verify(data)
    assert outcome.wrong is not None
    return tuple(outcome.wrong)


def test_the_first_record_that_does_not_hold_is_named(data: Path) -> None:
    sql = "UPDATE ledger SET body = replace(body, 'Basin 1', 'Basin 2') WHERE number = 2"
    assert wrong_after(data, sql) == (
        2,
        "its content, or that of the record before, does not give its hash: something was changed.",
    )


def test_a_record_taken_out_is_named(data: Path) -> None:
    assert wrong_after(data, "DELETE FROM ledger WHERE number = 3") == (
        4,
        "it follows on record 2: records between are missing.",
    )


def test_records_swapped_are_named(data: Path) -> None:
    number, _ = wrong_after(
        data,
        "UPDATE ledger SET number = 100 WHERE number = 4",
        "UPDATE ledger SET number = 4 WHERE number = 6",
        "UPDATE ledger SET number = 6 WHERE number = 100",
    )
    assert number == 4


def test_a_page_taken_out_is_named(data: Path) -> None:
    number, text = wrong_after(data, "DELETE FROM page WHERE first = 1")
    assert (number, text) == (7, f"its page (stream {1:032x}, reading 1) is not there.")


def test_a_page_of_which_no_record_speaks_is_named(data: Path) -> None:
    number, text = wrong_after(data, "INSERT INTO page SELECT stream_id, 999, 1002, sha256, body FROM page LIMIT 1")
    assert (number, text) == (None, f"There is a page (stream {1:032x}, reading 999) of which no record speaks.")


def test_missing_guards_are_named(data: Path) -> None:
    with closing(unguarded(data)) as connection:
        connection.commit()
    wrong = verify(data).wrong
    assert wrong is not None
    assert wrong.text.startswith("The database no longer refuses changes (ledger_delete, ledger_insert, ")


def rewritten(connection: sqlite3.Connection, upto: int) -> None:
    """The chain written again from record 2 on, every hash right: nothing in it tells."""
    kept = list(records(connection))[:upto]
    site = connection.execute("SELECT content FROM site WHERE name = 'ledger'").fetchone()[0]
    connection.execute("DELETE FROM ledger WHERE number >= 2")
    previous = kept[0].hash
    for record in kept[1:]:
        changed = record._replace(reason="otherwise" if record.number == 2 else record.reason)
        changed = changed._replace(hash=hashed(site, changed, previous))
        connection.execute("INSERT INTO ledger VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", changed)
        previous = changed.hash


def test_a_chain_written_again_does_not_match_the_paper(data: Path) -> None:
    before = verify(data).head
    with closing(unguarded(data)) as connection:
        rewritten(connection, 9)
        guarded(connection, data)
    assert verify(data).wrong is None  # a chain alone cannot know
    outcome = verify(data, known=[before])
    assert outcome.wrong is not None
    assert outcome.wrong.number == 9
    assert outcome.wrong.text.endswith(f"but {before.hash} was printed for it: the chain was written again after that.")


def test_a_chain_cut_short_does_not_match_the_paper(data: Path) -> None:
    before = verify(data).head
    with closing(unguarded(data)) as connection:
        connection.execute("DELETE FROM ledger WHERE number >= 4")
        connection.execute("DELETE FROM page")
        connection.commit()
        guarded(connection, data)
    assert verify(data).wrong is None
    outcome = verify(data, known=[before])
    assert outcome.wrong == (None, "The chain ends at record 3, but record 9 was printed: it was cut short.")


def run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(verify_command.command, [str(word) for word in words])
    return result.exit_code, result.output.splitlines()[-1]


def test_the_command_prints_the_count_and_what_does_not_hold(data: Path) -> None:
    outcome = verify(data)
    code, line = run("--data", data)
    assert (code, line) == (
        0,
        f"9 records and 2 pages with 141 readings hold. The chain ends at 9:{outcome.head.hash}",
    )
    assert run("--data", data, "--known", f"9:{outcome.head.hash}")[0] == 0
    wrong_after(data, "UPDATE ledger SET at_ms = at_ms + 1 WHERE number = 4")
    code, line = run("--data", data, "--quiet")
    assert (code, line) == (
        1,
        "Record 4 does not hold: its content, or that of the record before, does not give its hash: something was "
        "changed. The 3 records before hold.",
    )


def test_the_command_says_what_is_wrong_with_what_it_was_given(tmp_path: Path, data: Path) -> None:
    assert run("--data", tmp_path / "nowhere") == (
        3,
        f"soakledger verify: There are no data in {tmp_path / 'nowhere'} (no {FILE_NAME}). "
        "Name the collector's data folder.",
    )
    code, line = run("--data", data, "--known", "7:abc")
    assert code == 2
    assert "'7:abc' is no record number with its hash" in line


@deed
class _Note(Deed, frozen=True, kw_only=True):
    """A note, for these tests."""

    NAME = "test-note"
    ROLES = HANDS
    note: Note

    def perform(self, book: Any) -> Thing:
        return book.put(Handover(id=book.next_id(Handover), by=book.who, at_ms=book.at_ms, note=self.note))  # type: ignore[no-any-return]


def test_collector_and_dashboard_append_side_by_side(recording: Recording) -> None:
    """Two connections by turns: one chain, and it holds."""
    other = recording.another_desk()
    for turn in range(10):
        (recording.desk if turn % 2 else other).do(_Note(note=f"note {turn}"), "tina")
    assert verify(recording.data).wrong is None


def test_a_record_outside_a_transaction_is_refused(recording: Recording) -> None:
    ledger = Ledger(recording.desk.connection, recording.clock)
    with pytest.raises(ValueError, match="only inside a transaction"):
        ledger.append("page", {})


def test_a_known_end_is_a_number_and_a_hash() -> None:
    assert Head(1, "ab") == (1, "ab")
    assert Record(1, "k", 0, "w", "s", "{}", "", "h").format == 1
