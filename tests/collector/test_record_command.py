"""`soakledger people` and `soakledger record` as an administrator's script runs them: real process, real data."""

from __future__ import annotations

import json
import os
import pty
import sqlite3
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner, Result

from collector.guesses import WAITING_RULE
from collector.record.all import DEEDS
from collector.record.things import KINDS
from collector.schema import FILE_NAME, connect, migrate
from soakledger import main

PASSWORD = "copper lantern walks north"  # noqa: S105
OTHER = "seven lamps under the bridge"
ROOT = Path(__file__).parents[2]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A collector's data folder without people."""
    db = connect(tmp_path / FILE_NAME)
    migrate(db)
    db.close()
    return tmp_path


def run(*arguments: str | Path, typed: str | bytes = "") -> Result:
    return CliRunner().invoke(main, [str(each) for each in arguments], input=typed)


def people(data: Path, *arguments: str, typed: str = "") -> Result:
    return run("people", "--data", data, *arguments, typed=typed)


def begun(data: Path) -> None:
    result = people(data, "first", "ada", "--name", "Ada Test", typed=f"{PASSWORD}\n")
    assert (result.exit_code, result.stdout) == (0, "1 person ada\n"), result.output


def record(data: Path, deed: str, fields: object, *more: str, who: str = "ada", password: str = PASSWORD) -> Result:
    typed = f"{password}\n{json.dumps(fields)}"
    return run("record", deed, "--data", data, "--as", who, "--json", "-", *more, typed=typed)


def records(data: Path) -> list[tuple[str, str]]:
    db = sqlite3.connect(data / FILE_NAME)
    found = db.execute("SELECT kind, who FROM ledger ORDER BY number").fetchall()
    db.close()
    return found


NORA = {"id": "nora", "name": "Nora New", "roles": ["technician"]}


def test_the_first_administrator_records_the_others(data: Path) -> None:
    begun(data)
    result = record(data, "record-person", NORA)
    assert (result.exit_code, result.stdout) == (0, "3 person nora\n"), result.output
    assert records(data) == [("first-administrator", "ada"), ("credential-set", "ada"), ("record-person", "ada")]


def test_there_is_one_first_administrator(data: Path) -> None:
    begun(data)
    result = people(data, "first", "eve", "--name", "Eve", typed=f"{OTHER}\n")
    assert (result.exit_code, result.stderr) == (
        5,
        "soakledger people: There are people in the record already. Let an administrator record the new person.\n",
    )


def test_a_weak_password_begins_nothing(data: Path) -> None:
    result = people(data, "first", "ada", "--name", "Ada Test", typed="too short\n")
    assert (result.exit_code, result.stderr) == (
        5,
        "soakledger people: A password has 12 to 200 characters; this has 9. "
        "Several words in a row are easy to remember. Choose another one.\n",
    )
    assert records(data) == []


def test_what_is_refused_is_told_and_ends_with_5(data: Path) -> None:
    begun(data)
    record(data, "record-person", NORA)
    before = records(data)
    result = record(data, "record-person", NORA)
    assert (result.exit_code, result.stdout) == (5, "")
    assert result.stderr == (
        "soakledger record: 'nora' is Nora New. "
        "Choose another id; to change what is on file for that person, change the person.\n"
    )
    result = record(data, "hand-over", {"note": "x"})
    assert (result.exit_code, result.stderr) == (
        5,
        "soakledger record: Ada Test is an administrator; this takes a supervisor or a technician. "
        "Ask a supervisor or a technician to do it.\n",
    )
    result = record(data, "record-person", {**NORA, "id": "nils"}, password=OTHER)
    assert (result.exit_code, result.stderr) == (
        5,
        f"soakledger record: Id and password do not fit. {WAITING_RULE} "
        "Try again, or ask an administrator to set a new password.\n",
    )
    assert records(data) == before


def test_the_same_key_records_once(data: Path) -> None:
    begun(data)
    first = record(data, "record-person", NORA, "--once", "k1")
    again = record(data, "record-person", NORA, "--once", "k1")
    assert again.stdout == first.stdout
    assert again.stderr == "It had been recorded already under this key; nothing was recorded now.\n"
    assert len(records(data)) == 3


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (
            '{"id": 7}',
            "The fields cannot be used: Expected `str`, got `int` - at `$.id`. "
            "`soakledger record record-person --fields` lists them.",
        ),
        (
            "[]",
            "The fields cannot be used: Expected `object`, got `array`. "
            "`soakledger record record-person --fields` lists them.",
        ),
        (
            "{nope",
            "The fields are no JSON (JSON is malformed: object keys must be strings (byte 1)). "
            "Give one object, such as {}.",
        ),
    ],
)
def test_fields_that_cannot_be_used_end_with_2(data: Path, tmp_path: Path, content: str, text: str) -> None:
    begun(data)
    file = tmp_path / "fields.json"
    file.write_text(content)
    result = run("record", "record-person", "--data", data, "--as", "ada", "--json", file, typed=f"{PASSWORD}\n")
    assert (result.exit_code, result.stderr) == (2, f"soakledger record: {text}\n")


def test_wrong_use_is_told_with_what_would_be_right(data: Path, tmp_path: Path) -> None:
    result = run("record", "teleport")
    assert result.exit_code == 2
    assert "There is no deed 'teleport'. `soakledger record --list` lists them." in result.stderr
    result = run("record", "hand-over")
    assert "Give --data and --as. `soakledger record --list` lists what can be recorded." in result.stderr
    empty = tmp_path / "empty"
    result = run("record", "hand-over", "--data", empty, "--as", "ada", typed=f"{PASSWORD}\n")
    assert result.exit_code in (2, 3)
    result = people(empty, "list")
    assert (result.exit_code, result.stderr) == (
        3,
        f"soakledger people: There are no data in {empty} (no soakledger.sqlite). "
        "Start the collector first, or name the right folder.\n",
    )


def test_everything_that_can_be_recorded_is_listed(data: Path) -> None:
    listed = run("record", "--list").stdout.splitlines()
    assert [line.split()[0] for line in listed] == sorted(DEEDS)
    schema = json.loads(run("record", "record-person", "--fields").stdout)
    assert set(schema["$defs"]["RecordPerson"]["properties"]) == set(DEEDS["record-person"].__struct_fields__)
    for name, kind in DEEDS.items():
        assert msgspec.json.schema(kind), name
    assert "person" in KINDS


def test_what_the_machine_sets_is_temporary_until_its_owner_changes_it(data: Path) -> None:
    begun(data)
    result = people(data, "set-password", "ada", typed=f"{OTHER}\n")
    assert (result.exit_code, result.stderr) == (
        0,
        "The password of ada is set. It signs nothing until they have changed it.\n",
    )
    assert records(data)[-1] == ("credential-set", "collector")
    refused = record(data, "record-person", NORA, password=OTHER)
    assert (refused.exit_code, refused.stderr) == (
        5,
        "soakledger record: This takes a PIN or password besides the badge. Enter your PIN.\n",
    )
    changed = people(data, "change-password", "ada", typed=f"{OTHER}\n{PASSWORD}\n")
    assert (changed.exit_code, changed.stderr) == (0, "The password of ada is changed.\n")
    assert record(data, "record-person", NORA).exit_code == 0


def test_badges_and_pins_are_given_and_listed_but_not_shown(data: Path) -> None:
    begun(data)
    record(data, "record-person", NORA)
    code = people(data, "new-badge", "nora").stdout
    assert code.startswith("PERSON")
    assert people(data, "set-pin", "nora", typed="836152\n").exit_code == 0
    assert people(data, "set-pin", "nobody", typed="836152\n").exit_code == 5
    listed = people(data, "list").stdout
    assert listed == "ada  Ada Test  administrator  password\nnora  Nora New  technician  badge, pin\n"
    assert "836152" not in listed


def test_at_a_terminal_the_password_is_typed_twice_and_not_seen(data: Path) -> None:
    """A slip is asked for again; nothing of it is echoed."""
    controller, terminal = pty.openpty()
    arguments = ["people", "--data", str(data), "first", "ada", "--name", "Ada Test"]
    process = subprocess.Popen(
        [sys.executable, "-m", "soakledger", *arguments],
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=terminal,
        cwd=ROOT,
        start_new_session=True,
    )
    os.close(terminal)
    seen = b""
    for typed in (PASSWORD, OTHER, PASSWORD, PASSWORD):
        wanted = seen.count(b": ") + 1
        while seen.count(b": ") < wanted or not seen.endswith(b": "):
            seen += os.read(controller, 1_000)
        os.write(controller, f"{typed}\n".encode())
    output, _ = process.communicate(timeout=60)
    os.close(controller)
    assert (process.returncode, output) == (0, b"1 person ada\n"), seen
    assert PASSWORD.encode() not in seen
    assert b"do not match" in seen


def test_what_was_recorded_can_be_verified_and_rebuilt(data: Path) -> None:
    """That a password or badge was set is part of the chain; what it is is not, and a rebuild leaves it alone."""
    begun(data)
    record(data, "record-person", NORA, "--once", "k1")
    people(data, "new-badge", "nora")
    assert run("verify", "--data", data).exit_code == 0
    rebuilt = run("rebuild", "--data", data)
    assert rebuilt.exit_code == 0, rebuilt.output
    assert record(data, "record-person", NORA, "--once", "k1").stdout == "3 person nora\n"
    assert people(data, "list").stdout == "ada  Ada Test  administrator  password\nnora  Nora New  technician  badge\n"
