"""A bundle holds what it says, and what it holds can be checked without this program."""

from __future__ import annotations

import csv
import hashlib
import json
import sqlite3
import zipfile
from contextlib import closing
from datetime import timedelta, timezone
from pathlib import Path
from typing import Any

import pagekit
import pytest
from bundlekit import MADE_MS, PICTURE, WHOLE, bundled, checked, copied, unpacked

from collector import credentials, sessions
from collector.bundle.archive import DamagedBundleError, read_back
from collector.bundle.gathered import Gathering
from collector.bundle.make import issued, stream, write_file
from collector.bundle.missing import EmptyRangeError, IncompleteError, NewerRecordError
from collector.bundle.span import BadSpanError, Span, span_of
from collector.credentials import Kind
from collector.errors import DataError
from collector.page import unpacked as page_text
from collector.record.desk import Desk
from collector.schema import FILE_NAME, connect
from soak.quantity import utc_ms


@pytest.fixture(scope="module")
def folder(clinic: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle of the whole clinic, unpacked."""
    out, _ = bundled(copied(clinic, tmp_path_factory.mktemp("whole") / "data"))
    return unpacked(out)


def manifest(folder: Path) -> Any:
    return json.loads((folder / "manifest.json").read_text())


def lines(path: Path) -> list[Any]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def values(data: Path, sql: str) -> list[Any]:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        return connection.execute(sql).fetchall()


def change(data: Path, *statements: str) -> None:
    """Somebody who takes the guards away first."""
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        connection.commit()


# What is in it


def test_everything_agrees_by_the_checker_that_travels_in_it(folder: Path) -> None:
    found = checked(folder)
    assert found.status == 0, found.said


def test_every_record_is_in_it_letter_for_letter(folder: Path, clinic: Path) -> None:
    found = lines(folder / "ledger.jsonl")
    kept = values(clinic, "SELECT number, kind, at_ms, who, software, reason, format, hash, body FROM ledger")
    assert [tuple(record.values()) for record in found] == kept
    told = manifest(folder)
    assert told["head"] == {"records": len(kept), "hash": kept[-1][7]}
    assert told["site"] == values(clinic, "SELECT content FROM site WHERE name = 'ledger'")[0][0]
    assert (told["site_name"], told["missing"], told["format"]) == (pagekit.CLINIC, [], 1)


def test_every_page_is_in_it_byte_for_byte(folder: Path, clinic: Path) -> None:
    found = {
        hashlib.sha256(line).hexdigest(): line
        for path in sorted((folder / "pages").iterdir())
        for line in path.read_bytes().splitlines()
    }
    kept = {sha256: page_text(body) for sha256, body in values(clinic, "SELECT sha256, body FROM page")}
    assert kept
    assert found == kept
    assert [path.name for path in (folder / "pages").iterdir()] == ["2026-03-03.jsonl"]


def test_the_manifest_has_the_digest_of_every_other_file(folder: Path) -> None:
    told = manifest(folder)["files"]
    there = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    del there["manifest.json"]
    assert told == {
        name: {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()} for name, content in there.items()
    }
    assert {"README.txt", "formats.md", "verify.py", "verdicts.csv", "profiles.json", "checks.json"} <= there.keys()


def test_verdicts_are_those_that_stand(folder: Path, clinic: Path) -> None:
    with (folder / "verdicts.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    kept = values(clinic, "SELECT number, verdict FROM closure WHERE superseded_by IS NULL ORDER BY closing_utc_ms, 1")
    assert [(int(row["record"]), row["verdict"]) for row in rows] == kept
    met = next(row for row in rows if row["verdict"] == "met")
    assert (met["basin"], met["contact_ms"], met["min_mc"], met["max_mc"]) == ("n1/b1", "720000", "20000", "")
    assert manifest(folder)["counts"]["verdicts"] == len(rows) > 5


def test_documents_are_there_to_be_read(folder: Path, clinic: Path) -> None:
    told = json.loads((folder / "profiles.json").read_text())
    kept = {
        kind: dict(values(clinic, f"SELECT id, body FROM thing WHERE kind = '{kind}'"))
        for kind in ("profile", "fill", "bottle", "mec-test", "strip-bottle")
    }
    assert all(kept.values())
    assert {kind: {each: json.loads(body) for each, body in kept[kind].items()} for kind in kept} == told
    assert (folder / "pictures" / f"{hashlib.sha256(PICTURE).hexdigest()}.pdf").read_bytes() == PICTURE


def test_the_readme_says_what_it_is_and_who_may_see_it(folder: Path) -> None:
    text = (folder / "README.txt").read_text()
    for words in ("python3 -I -S verify.py", "names people", "monitoring record", manifest(folder)["head"]["hash"]):
        assert words in text
    assert "WHAT IS MISSING" not in text


def test_the_same_data_give_the_same_bytes(data: Path, tmp_path: Path) -> None:
    out, _ = bundled(data)
    first = out.read_bytes()
    write_file(data, WHOLE, tmp_path / "other.zip", MADE_MS)
    assert (tmp_path / "other.zip").read_bytes() == first
    with zipfile.ZipFile(out) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert out.stat().st_mode & 0o777 == 0o600


def test_a_page_can_send_it(data: Path) -> None:
    out, made = bundled(data)
    told, pieces = stream(data, WHOLE, MADE_MS)
    assert b"".join(pieces) == out.read_bytes()
    assert told == made
    assert not list(data.glob("tmp*"))


def test_what_a_page_sends_has_the_record_of_its_issue(data: Path) -> None:
    with Desk(data, lambda: MADE_MS) as desk:
        record, made, pieces = issued(desk, data, WHOLE, "ada")
        assert (record.who, record.number) == ("ada", made.gathered.head.records)
        out = data.parent / "sent.zip"
        out.write_bytes(b"".join(pieces))
        assert checked(unpacked(out)).status == 0
        with pytest.raises(EmptyRangeError):
            issued(desk, data, Span(1, 2), "ada")
        assert values(data, "SELECT count(*) FROM ledger WHERE kind = 'evidence-bundle'") == [(1,)]


def test_the_collector_may_write_meanwhile(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of a bundle is of one moment: a page that is sealed after its records were walked over is not in it."""
    choose = Gathering._pages
    before = values(data, "SELECT max(number) FROM ledger")[0][0]

    def meanwhile(gathering: Gathering, needed: set[tuple[str, int]]) -> Any:
        player = pagekit.Player(data)
        spans = [pagekit.Span(60, "open"), pagekit.Span(800, "closed"), pagekit.Span(60, "open")]
        player.play("n1/b1", spans, [pagekit.sensor(1)], stream="z")
        player.close()
        return choose(gathering, needed)

    monkeypatch.setattr(Gathering, "_pages", meanwhile)
    out, made = bundled(data)
    assert values(data, f"SELECT count(*) FROM ledger WHERE kind = 'page' AND number > {before}")[0][0]
    assert (made.gathered.head.records, made.gathered.missing) == (before, [])
    assert checked(unpacked(out)).status == 0


# A part of the time


def test_a_bundle_of_an_hour_has_what_its_verdicts_rest_on(data: Path) -> None:
    """And no other page; but every record, so that its head is the one on paper."""
    soak_ms = next(iter(values(data, "SELECT closing_utc_ms FROM closure WHERE verdict = 'met' LIMIT 1")))[0]
    out, made = bundled(data, Span(soak_ms + 1_000, soak_ms + 2_000))
    counts = made.gathered.counts
    assert 0 < counts["pages"] < values(data, "SELECT count(*) FROM page")[0][0]
    assert 0 < counts["verdicts"] < 10
    assert counts["records"] == values(data, "SELECT max(number) FROM ledger")[0][0]
    found = checked(unpacked(out))
    assert found.status == 0, found.said


def test_readings_on_no_page_yet_are_named(data: Path) -> None:
    out, made = bundled(data)
    waiting = made.gathered.unsealed
    kept = values(data, "SELECT sum(last - first + 1) FROM batch")[0][0]
    on_pages = values(
        data,
        """SELECT ifnull(sum(min(p.last, b.last) - max(p.first, b.first) + 1), 0) FROM batch b JOIN page p
           ON p.stream_id = b.stream_id AND p.first <= b.last AND p.last >= b.first""",
    )[0][0]
    assert sum(each.readings for each in waiting) == kept - on_pages > 0
    folder = unpacked(out)
    assert manifest(folder)["unsealed"][0].keys() == {"basin", "stream", "first", "last", "readings"}
    assert "WHAT IS NOT COVERED" in (folder / "README.txt").read_text()
    assert checked(folder).status == 0


def test_an_empty_range_is_said_and_nothing_is_made(data: Path) -> None:
    with pytest.raises(EmptyRangeError, match=r"There is nothing in the range 2001-01-01T00:00:00.000Z to"):
        bundled(data, Span(utc_ms("2001-01-01T00:00:00Z"), utc_ms("2002-01-01T00:00:00Z")))
    assert [each.name for each in data.parent.iterdir()] == ["data"]


@pytest.mark.parametrize(
    ("begin", "end", "expected"),
    [
        ("2026-03-29", "2026-03-29", ("2026-03-29T00:00:00+01:00", "2026-03-30T00:00:00+01:00")),
        ("2026-03-01", "2026-03-31", ("2026-03-01T00:00:00+01:00", "2026-04-01T00:00:00+01:00")),
        ("2026-03-01T10:00:00Z", "2026-03-01T12:00:00+01:00", ("2026-03-01T10:00:00Z", "2026-03-01T11:00:00Z")),
    ],
)
def test_days_are_those_of_the_site_and_count_whole(begin: str, end: str, expected: tuple[str, str]) -> None:
    assert span_of(begin, end, timezone(timedelta(hours=1))) == Span(*map(utc_ms, expected))


@pytest.mark.parametrize(
    ("begin", "end", "said"),
    [
        ("yesterday", "2026-03-01", "'yesterday' is no day such as 2026-03-02"),
        ("2026-02-30", "2026-03-01", "'2026-02-30' is no day"),
        ("2026-03-01T10:00:00", "2026-03-01", "'2026-03-01T10:00:00' is no day"),
        ("2026-03-02", "2026-03-01", "The range ends (2026-03-01) before it begins (2026-03-02)"),
        ("2026-03-01", "9999-12-31", "'9999-12-31' is no day"),
    ],
)
def test_what_is_no_range_is_refused_in_one_line(begin: str, end: str, said: str) -> None:
    with pytest.raises(BadSpanError) as caught:
        span_of(begin, end, timezone(timedelta(hours=1)))
    assert str(caught.value).startswith(said)
    assert "\n" not in str(caught.value)


# What is not in it

BADGE, PASSWORD, PIN, PARKED = "HXQP-7K2M-W4ZT-93RD", "copper lantern walks north", "836152", "words set aside"


def test_nothing_that_opens_anything_is_in_it(data: Path) -> None:
    """Badges, PINs, passwords, sessions and what was set aside: neither they nor their digests, in any spelling."""
    db = connect(data / FILE_NAME)
    credentials.set_badge(db.conn, "tina", BADGE)
    credentials.set_secret(db.conn, "tina", Kind.PASSWORD, PASSWORD)
    credentials.set_secret(db.conn, "tina", Kind.PIN, PIN)
    token = sessions.begin(db.conn, "tina", MADE_MS, idle_ms=60_000, proven=True)
    db.conn.execute(
        "INSERT INTO parked (sha256, topic, reason, detail, bytes, start, times, first_ms, last_ms) "
        "VALUES ('ab', 'soakledger/1/n1/readings', 'x', ?, 1, ?, 1, 1, 1)",
        (PARKED, PARKED.encode()),
    )
    db.conn.commit()
    hidden = {text for (text,) in db.conn.execute("SELECT hash FROM credential UNION SELECT token_sha256 FROM session")}
    db.close()
    out, _ = bundled(data)
    with zipfile.ZipFile(out) as archive:
        everything = b"\n".join(archive.read(name) for name in archive.namelist()) + out.read_bytes()
    assert b"Tina Test" in everything  # the search finds what is there
    assert len(hidden) == 4
    secrets = (BADGE, PASSWORD, PIN, PARKED, token)
    for secret in (*secrets, *hidden, *(hashlib.sha256(each.encode()).hexdigest() for each in secrets)):
        assert secret.encode() not in everything, secret


# What is damaged

DAMAGED_PAGE = "UPDATE page SET body = CAST(substr(body, 1, length(body) - 9) || zeroblob(9) AS BLOB) WHERE rowid = 2"


def test_a_damaged_page_is_named_and_no_bundle_is_made(data: Path) -> None:
    change(data, DAMAGED_PAGE)
    with pytest.raises(IncompleteError) as caught:
        bundled(data)
    (lacks,) = caught.value.missing
    assert lacks.words().endswith("its page is not kept as it was sealed: bytes were changed.")
    assert [each.name for each in data.parent.iterdir()] == ["data"]


def test_a_bundle_that_lacks_a_page_says_so_everywhere(data: Path) -> None:
    change(data, DAMAGED_PAGE)
    out, made = bundled(data, incomplete=True)
    folder = unpacked(out)
    (lacks,) = manifest(folder)["missing"]
    assert (lacks["what"], lacks["record"]) == ("page", made.gathered.missing[0].record)
    assert {"stream", "first", "last"} <= lacks.keys()
    assert made.gathered.counts["pages"] == values(data, "SELECT count(*) - 1 FROM page")[0][0]
    assert "This bundle is incomplete" in (folder / "README.txt").read_text()
    assert checked(folder).status != 0


def test_a_page_that_is_gone_is_named(data: Path) -> None:
    change(data, "DELETE FROM page WHERE rowid = 1")
    with pytest.raises(IncompleteError) as caught:
        bundled(data)
    assert "is not there" in caught.value.missing[0].text


def test_a_page_that_is_gone_from_another_time_does_not_stand_in_the_way(data: Path) -> None:
    (closing_ms,) = values(data, "SELECT max(closing_utc_ms) FROM closure")[0]
    later = Span(closing_ms, closing_ms + 1)
    _, made = bundled(data, later)
    change(data, "DELETE FROM page WHERE rowid = 1")
    assert bundled(data, later)[1].gathered._replace(unsealed=[]) == made.gathered._replace(unsealed=[])


def test_a_picture_that_is_gone_or_changed_is_named(data: Path) -> None:
    picture = next((data / "pictures").iterdir())
    picture.write_bytes(PICTURE + b"x")
    with pytest.raises(IncompleteError) as caught:
        bundled(data)
    assert "is damaged" in caught.value.missing[0].text
    picture.unlink()
    with pytest.raises(IncompleteError) as caught:
        bundled(data)
    assert caught.value.missing[0].what == "picture"


def test_a_changed_record_is_named(data: Path) -> None:
    change(data, "UPDATE ledger SET body = replace(body, '\"met\"', '\"not met\"') WHERE kind = 'closure'")
    with pytest.raises(IncompleteError) as caught:
        bundled(data)
    first = caught.value.missing[0]
    assert (first.what, first.record) == (
        "record",
        values(data, "SELECT min(number) FROM ledger WHERE body LIKE '%not met%'")[0][0],
    )


def test_a_record_of_a_newer_version_is_refused(data: Path) -> None:
    change(data, "UPDATE ledger SET format = 2 WHERE number = 5")
    with pytest.raises(NewerRecordError, match="Record 5 has format 2; this version knows 1"):
        bundled(data, incomplete=True)


def test_a_database_of_a_newer_version_is_refused(data: Path) -> None:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        connection.execute("INSERT INTO _sqlite_migrations VALUES (99, 'collector', 'm0099_later', '2030-01-01')")
        connection.commit()
    with pytest.raises(DataError, match="newer version"):
        bundled(data)


def test_a_bundle_is_never_written_over_unasked(data: Path) -> None:
    out = data.parent / "bundle.zip"
    out.write_bytes(b"an earlier one")
    with pytest.raises(FileExistsError):
        write_file(data, WHOLE, out, MADE_MS)
    assert out.read_bytes() == b"an earlier one"


# What is changed in it afterwards


def _spoilt(folder: Path, name: str, old: str, new: str) -> None:
    path = folder / name
    text = path.read_bytes().decode()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())


@pytest.mark.parametrize(
    ("name", "old", "new", "manifest_follows"),
    [
        ("ledger.jsonl", '\\"verdict\\":\\"not met\\"', '\\"verdict\\":\\"met\\"', True),
        ("ledger.jsonl", '"who":"tina"', '"who":"tom"', True),
        ("pages/2026-03-03.jsonl", '"closed"', '"open"', True),
        ("verdicts.csv", "not met", "met", True),
        ("profiles.json", '"peracetic acid"', '"another"', True),
        ("README.txt", "Records:", "Records;", False),
        ("README.txt", "Records:", "Records;", True),
        ("manifest.json", '"hash": "', '"hash": "0', False),
    ],
)
def test_a_change_is_found(folder: Path, tmp_path: Path, name: str, old: str, new: str, manifest_follows: bool) -> None:
    """Also where whoever changed it made the manifest fit; but a text that is no evidence is not held to anything."""
    changed = copied(folder, tmp_path / "changed")
    _spoilt(changed, name, old, new)
    if manifest_follows:
        told, content = manifest(changed), (changed / name).read_bytes()
        told["files"][name] = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        (changed / "manifest.json").write_text(json.dumps(told))
    found = checked(changed)
    assert (found.status == 0) is (manifest_follows and name == "README.txt"), found.said


def test_a_bundle_that_does_not_read_back_is_noticed(data: Path, tmp_path: Path) -> None:
    out, _ = bundled(data)
    content = bytearray(out.read_bytes())
    with zipfile.ZipFile(out) as archive:
        entry = archive.getinfo("ledger.jsonl")
    content[entry.header_offset + 200] ^= 1
    spoilt = tmp_path / "spoilt.zip"
    for wrong in (bytes(content), bytes(content[:-40])):
        spoilt.write_bytes(wrong)
        with spoilt.open("rb") as file, pytest.raises(DamagedBundleError):
            read_back(file)
    with out.open("rb") as file:
        read_back(file)
