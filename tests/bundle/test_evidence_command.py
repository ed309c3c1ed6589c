"""`soakledger evidence`: what it says, how it ends, and that its issue is on record."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import msgspec
import pytest
from bundlekit import copied
from click.testing import CliRunner, Result
from doorkit import PASSWORD

from collector import credentials
from collector.bundle import command
from collector.credentials import Kind
from collector.schema import FILE_NAME, connect
from soakledger import main

RANGE = ("--from", "2026-03-03", "--to", "2026-03-03")


def run(data: Path, *more: str, span: tuple[str, ...] = RANGE, stdin: str = "") -> Result:
    out = data.parent / "bundle.zip"
    return CliRunner().invoke(main, ["evidence", "--data", str(data), *span, "--out", str(out), *more], input=stdin)


def issues(data: Path) -> list[tuple[int, str, Any]]:
    """Number, who and body of the records of bundles."""
    db = connect(data / FILE_NAME, read_only=True)
    rows = db.conn.execute("SELECT number, who, body FROM ledger WHERE kind = 'evidence-bundle'").fetchall()
    db.close()
    return [(number, who, json.loads(body)["said"]) for number, who, body in rows]


def manifest(data: Path) -> Any:
    with zipfile.ZipFile(data.parent / "bundle.zip") as archive:
        return json.loads(archive.read("manifest.json"))


def test_it_says_what_is_in_the_bundle_and_that_it_has_names(data: Path) -> None:
    done = run(data)
    assert done.exit_code == 0, done.output
    told = manifest(data)
    assert f"The chain ends at {told['head']['records']}:{told['head']['hash']}" in done.stdout
    for words in ("18 pages", "names of people", "python3 -I -S verify.py", "are on no page yet"):
        assert words in done.stdout


def test_its_issue_is_a_record_within_the_chain_it_carries(data: Path) -> None:
    assert run(data).exit_code == 0
    ((number, who, said),) = issues(data)
    assert who == "collector"
    assert (said["from_ms"], said["to_ms"]) == (1_772_492_400_000, 1_772_578_800_000)  # a day at the site, not in UTC
    assert said["account"]
    assert manifest(data)["head"]["records"] == number


def test_a_person_who_issues_it_proves_who_they_are(data: Path) -> None:
    db = connect(data / FILE_NAME)
    credentials.set_secret(db.conn, "ada", Kind.PASSWORD, PASSWORD)
    db.close()
    wrong = run(data, "--as", "ada", stdin="something else\n")
    assert (wrong.exit_code, issues(data)) == (5, [])
    assert "Id and password do not fit" in wrong.stderr
    assert run(data, "--as", "ada", stdin=f"{PASSWORD}\n").exit_code == 0
    assert [(who, "account" in said) for _, who, said in issues(data)] == [("ada", False)]


def test_it_can_be_left_unrecorded_and_says_so(data: Path) -> None:
    done = run(data, "--no-record")
    assert (done.exit_code, issues(data)) == (0, [])
    assert "No record of this issue was made, as asked." in done.stdout


def test_data_that_cannot_be_written_are_read_all_the_same(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "can_be_recorded", lambda _data: False)
    done = run(data)
    assert (done.exit_code, issues(data)) == (0, [])
    assert f"No record of this issue was made: {data} cannot be written." in done.stdout


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may not write")
def test_an_auditors_copy_in_a_folder_that_nobody_writes(data: Path) -> None:
    """No file may be made beside the database there, as SQLite would."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        copy = copied(data, Path(folder) / "data")
        db = connect(copy / FILE_NAME)
        db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.close()
        for each in (copy, *copy.rglob("*")):
            each.chmod(0o555 if each.is_dir() else 0o444)
        program = (
            "import os, sys; from pathlib import Path; import collector.bundle.command as c;"
            "from collector.ledger import canonical; canonical({'a': 1});"  # all of Python first, where only root reads
            "os.setuid(65534);"
            "from collector.bundle.make import looking; from collector.bundle.issue import can_be_recorded;"
            "from collector.verify import verify;"
            "data = Path(sys.argv[1]); db = looking(data); found = db.__enter__();"
            "print(found.conn.execute('SELECT count(*) > 50 FROM ledger').fetchone()[0], can_be_recorded(data));"
            "print(verify(data, processes=1).wrong)"
        )
        done = subprocess.run(
            [sys.executable, "-c", program, str(copy)], capture_output=True, text=True, check=False, cwd="."
        )
    assert done.stdout == "1 False\nNone\n", done.stderr


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (("--from", "yesterday", "--to", "2026-03-03"), "'yesterday' is no day such as"),
        (("--from", "2026-03-04", "--to", "2026-03-03"), "The range ends (2026-03-03) before it begins (2026-03-04)"),
    ],
)
def test_a_wrong_range_is_one_line(data: Path, span: tuple[str, ...], said: str) -> None:
    done = run(data, span=span)
    assert (done.exit_code, done.stdout, issues(data)) == (2, "", [])
    assert done.stderr.startswith(f"soakledger evidence: {said}")
    assert done.stderr.count("\n") == 1


def test_an_empty_range_is_no_bundle_and_no_record(data: Path) -> None:
    done = run(data, span=("--from", "2001-01-01", "--to", "2001-12-31"))
    assert (done.exit_code, issues(data)) == (1, [])
    assert "There is nothing in the range" in done.stderr
    assert not (data.parent / "bundle.zip").exists()


def test_there_are_no_data(tmp_path: Path) -> None:
    done = run(tmp_path / "elsewhere")
    assert done.exit_code == 3
    assert "There are no data" in done.stderr


def test_a_file_is_left_as_it_is_unless_told(data: Path) -> None:
    out = data.parent / "bundle.zip"
    out.write_bytes(b"an earlier one")
    done = run(data)
    assert (done.exit_code, out.read_bytes(), issues(data)) == (2, b"an earlier one", [])
    assert "--replace" in done.stderr
    assert run(data, "--replace").exit_code == 0
    assert zipfile.is_zipfile(out)


def test_a_place_that_cannot_be_written(data: Path) -> None:
    done = run(data, "--out", str(data.parent / "nowhere" / "bundle.zip"))
    assert done.exit_code == 3
    assert done.stderr.splitlines()[-1].startswith(
        f"soakledger evidence: {data.parent / 'nowhere' / 'bundle.zip'} cannot"
    )


def test_what_is_damaged_is_named_and_a_bundle_without_it_fails(data: Path) -> None:
    next((data / "pictures").iterdir()).unlink()
    done = run(data)
    assert done.exit_code == 1
    assert "its picture" in done.stderr
    assert not (data.parent / "bundle.zip").exists()
    done = run(data, "--incomplete")
    assert done.exit_code == 1
    assert "is incomplete; it says so" in done.stderr
    assert len(manifest(data)["missing"]) == 1
    assert msgspec.json.encode(manifest(data)["missing"]).count(b"picture") > 1
