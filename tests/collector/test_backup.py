"""A backup holds everything that is kept, is verified, is put back with one command; what is damaged is never used."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from kit import Collecting, batch, soak
from record_kit import SUPERVISOR, Recording

from collector import browsers, rebuild_command, sign_ins, verify_command
from collector.backup import command as backup_command
from collector.backup import manifest as manifests
from collector.backup import restore_command, taking
from collector.backup.restoring import restore
from collector.backup.schedule import last_backup
from collector.backup.taking import take
from collector.errors import DataError
from collector.pictures import Pictures
from collector.record.shifts.shifts import HandOver
from collector.schema import FILE_NAME, connect
from collector.sign_ins import Outcome
from collector.verify import verify

NOW_MS = 1_772_540_280_000
NAME = "soakledger-20260303T121800000Z"
PNG = b"\x89PNG\r\n\x1a\n a label"
SECRET = "5e55" * 16


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Readings, a picture, a session and a credential, to be copied."""
    folder = tmp_path_factory.mktemp("pattern") / "data"
    collecting = Collecting(folder)
    collecting.take(batch(soak(70_000)))
    collecting.store.db.conn.execute("INSERT INTO session VALUES (?, 'ada', 0, 0, 1, NULL)", (SECRET,))
    collecting.store.db.conn.execute(
        "INSERT INTO credential (person, kind, hash, set_ms) VALUES ('ada', 'pin', 'h', 0)"
    )
    collecting.store.db.conn.commit()
    Pictures(folder).keep(PNG)
    collecting.close()
    return folder


@pytest.fixture
def data(tmp_path: Path, pattern: Path) -> Path:
    shutil.copytree(pattern, tmp_path / "data")
    return tmp_path / "data"


def taken(data: Path, now_ms: int = NOW_MS) -> Path:
    return take(data, data.parent / "backups", lambda: now_ms).path


def rows(path: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


def ran(command: Any, *words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words])


def test_it_is_one_folder_that_says_what_it_holds(data: Path) -> None:
    before = verify(data).head
    toml = data.parent / "collector.toml"
    toml.write_text('site = "Mill"\n')
    made = take(data, data.parent / "backups", lambda: NOW_MS, also=[toml])
    assert made.path == data.parent / "backups" / NAME
    picture = f"pictures/{hashlib.sha256(PNG).hexdigest()}.png"
    assert sorted(name for name, _ in manifests.files_in(made.path)) == sorted(
        [FILE_NAME, picture, "settings/collector.toml"]
    )
    manifest = json.loads((made.path / "manifest.json").read_text())
    assert (manifest["records"], manifest["hash"]) == before
    assert manifest["keep_until"] == "2036-03-03"
    for name, kept in manifest["files"].items():  # as sha256sum would say
        assert hashlib.sha256((made.path / name).read_bytes()).hexdigest() == kept["sha256"]
    modes = {stat.S_IMODE(path.stat().st_mode) & 0o077 for _, path in manifests.files_in(made.path)}
    assert modes == {0}
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o700
    assert verify(made.path).head == before


def test_known_browsers_and_the_record_of_sign_ins_go_along(data: Path) -> None:
    """An attack that goes on after a restore locks nobody out at their own tablet."""
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        browsers.remember(connection, "d" * 64, "ada", "pin", 1)
        sign_ins.note(connection, Outcome.SIGNED_IN, 1, person="ada", how="badge and PIN")
        connection.commit()
    path = taken(data) / FILE_NAME
    assert rows(path, "SELECT browser, proven FROM known_browser") == [("d" * 64, 1)]
    assert rows(path, "SELECT person, how FROM sign_in") == [("ada", "badge and PIN")]


def test_sessions_stay_behind_and_what_proves_people_goes_along(data: Path) -> None:
    path = taken(data) / FILE_NAME
    assert rows(path, "SELECT count(*) FROM session") == [(0,)]
    assert rows(path, "SELECT person, hash FROM credential") == [("ada", "h")]
    assert SECRET.encode() not in path.read_bytes()
    assert SECRET.encode() in (data / FILE_NAME).read_bytes() or rows(data / FILE_NAME, "SELECT 1 FROM session")


def test_that_it_was_taken_is_a_record(data: Path) -> None:
    head = verify(data).head
    path = taken(data)
    db = connect(data / FILE_NAME, read_only=True)
    last = last_backup(db.conn)
    db.close()
    assert last is not None
    assert (last.name, last.folder, last.made_ms) == (path.name, str(path.parent), NOW_MS)
    assert (last.records, last.hash) == head
    assert last.bytes == sum(each.bytes for each in manifests.read(path).files.values())
    outcome = verify(data)
    assert outcome.wrong is None
    assert outcome.head.records == head.records + 1
    assert ran(rebuild_command.command, "--data", data, "--check").exit_code == 0


def test_it_is_taken_while_somebody_writes(recording: Recording) -> None:
    """One moment of the data, in the middle of a transaction that is not in it."""
    recording.do(HandOver(note="first"), SUPERVISOR)
    connection = recording.desk.connection
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("INSERT INTO site VALUES ('written', 'meanwhile')")
    steps: list[str] = []

    def say(line: str) -> None:
        steps.append(line)
        if connection.in_transaction:
            connection.commit()

    made = take(recording.data, recording.data.parent / "backups", lambda: NOW_MS, say=say)
    assert steps
    assert rows(made.path / FILE_NAME, "SELECT * FROM site WHERE name = 'written'") == []
    assert rows(recording.data / FILE_NAME, "SELECT content FROM site WHERE name = 'written'") == [("meanwhile",)]


def test_put_back_it_is_the_same(data: Path, tmp_path: Path) -> None:
    path = taken(data)
    manifest = restore(path, tmp_path / "new" / "data")
    new = tmp_path / "new" / "data"
    assert verify(new).head == (manifest.records, manifest.hash)
    assert Pictures(new).find(hashlib.sha256(PNG).hexdigest()) == (PNG, "image/png")
    assert sorted(each.name for each in new.iterdir()) == ["pictures", FILE_NAME]
    again = Collecting(new)  # a collector goes on with it
    again.take(batch(soak(65_000, start_ms=100_000), 74))
    assert again.rows("SELECT count(*) FROM page") == [(2,)]
    again.close()
    assert verify(new).wrong is None


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (lambda backup: flip(backup / FILE_NAME), f"{FILE_NAME} was changed."),
        (lambda backup: cut(backup / FILE_NAME), r"instead of \d+\."),
        (lambda backup: (backup / FILE_NAME).unlink(), f"{FILE_NAME} is missing."),
        (lambda backup: flip(next((backup / "pictures").iterdir())), ".png was changed."),
        (lambda backup: (backup / "more").write_text("x"), "more does not belong to it."),
    ],
    ids=["changed", "cut", "missing", "picture", "extra"],
)
def test_a_damaged_backup_is_named_and_nothing_is_made_of_it(
    data: Path, tmp_path: Path, harm: Callable[[Path], None], said: str
) -> None:
    path = taken(data)
    harm(path)
    with pytest.raises(DataError, match=f"^{path} is damaged: .*{said} Nothing was restored. Use another backup.$"):
        restore(path, tmp_path / "new")
    assert not (tmp_path / "new").exists()
    checked = ran(backup_command.command, "--check", path)
    assert checked.exit_code == 1
    assert f"{path} does not hold: " in checked.output


def test_a_backup_made_to_look_whole_does_not_pass(data: Path, tmp_path: Path) -> None:
    """The files agree with the manifest; the ledger inside does not hold."""
    path = taken(data)
    with closing(sqlite3.connect(path / FILE_NAME)) as connection:
        connection.execute("DROP TRIGGER ledger_update")
        connection.execute("UPDATE ledger SET reason = 'other' WHERE number = 3")
        connection.commit()
    manifest = manifests.read(path)
    manifest.files[FILE_NAME] = manifests.of_file(path / FILE_NAME)
    manifests.write(path, manifest)
    with pytest.raises(DataError, match=r"^What was restored does not hold: Record 3 does not hold"):
        restore(path, tmp_path / "new")
    assert [each.name for each in tmp_path.iterdir() if "restoring" in each.name or each.name == "new"] == []


def test_data_that_do_not_hold_make_no_backup(data: Path) -> None:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        connection.execute("DROP TRIGGER page_update")
        connection.execute("UPDATE page SET body = x'00'")
        connection.commit()
    with pytest.raises(DataError, match=r"^The copy does not hold: .* It is kept as .*does-not-hold-"):
        taken(data)
    assert manifests.backups(data.parent / "backups") == []
    assert (data.parent / "backups" / f"{taking.DOES_NOT_HOLD}{NAME}").is_dir()


def test_what_a_cut_left_is_no_backup_and_goes_with_the_next(data: Path) -> None:
    left = data.parent / "backups" / f"{manifests.UNFINISHED}{NAME}"
    left.mkdir(parents=True)
    (left / FILE_NAME).write_bytes(b"half")
    assert ran(backup_command.command, "--list", "--to", left.parent).exit_code == 3
    taken(data)
    assert not left.exists()


@pytest.fixture
def full(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(taking.shutil, "disk_usage", lambda _path: shutil._ntuple_diskusage(100, 99, 1))  # type: ignore[attr-defined]
    return iter(())


@pytest.mark.usefixtures("full")
def test_without_room_nothing_is_begun(data: Path) -> None:
    with pytest.raises(DataError, match=r"has 0 MiB free, and a backup needs 1\. There is no new backup"):
        taken(data)
    assert [each.name for each in (data.parent / "backups").iterdir()] == ["backup.lock"]


def test_two_at_once_are_refused(data: Path) -> None:
    with taking._alone(folder := data.parent), pytest.raises(DataError, match=r"^Another backup is being taken into"):
        take(data, folder, lambda: NOW_MS)


def test_the_commands(data: Path, tmp_path: Path) -> None:
    to = tmp_path / "backups"
    made = ran(backup_command.command, "--data", data, "--to", to, "--quiet")
    assert made.exit_code == 0
    (path,) = manifests.backups(to)
    manifest = manifests.read(path)
    assert made.output.startswith(f"{path} holds {manifest.records:,} records in ")
    assert f"Its chain ends at {manifest.records}:{manifest.hash}." in made.output
    later = taken(data, manifest.made_ms + 1000)
    listed = ran(backup_command.command, "--list", "--to", to).output.splitlines()
    assert len(listed) == 2
    assert listed[0].startswith(path.name)
    assert listed[0].endswith(f"; all of its records are in {later.name} too")
    assert "too" not in listed[1]
    restored = ran(restore_command.command, path, "--data", tmp_path / "new", "--quiet")
    assert restored.exit_code == 0
    assert restored.output.endswith("Start the collector on it; everybody signs in anew.\n")
    assert ran(verify_command.command, "--data", tmp_path / "new").exit_code == 0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        ((), 2, "soakledger backup: Name the folder for backups with --to. See --help."),
        (("--to", "x"), 2, "soakledger backup: Name the collector's data folder with --data. See --help."),
        (("--to", "x", "--data", "nowhere"), 3, "soakledger backup: There are no data in nowhere"),
        (("--to", "nowhere", "--list"), 3, "soakledger backup: There is no finished backup in nowhere."),
        (("--check", "nowhere"), 3, "soakledger backup: nowhere is no finished backup: manifest.json in it cannot"),
    ],
)
def test_wrong_use_is_said_in_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], status: int, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = ran(backup_command.command, *words)
    assert (result.exit_code, result.output.count("\n")) == (status, 1)
    assert result.output.startswith(said)
    assert list(tmp_path.iterdir()) == []


def test_a_restore_never_writes_over_data(data: Path) -> None:
    before = (data / FILE_NAME).read_bytes()
    path = taken(data)
    result = ran(restore_command.command, path, "--data", data)
    assert result.exit_code == 3
    assert result.output.endswith(
        f"{data} is there and not empty. Nothing was changed: a restore never writes over data. Name an empty folder, "
        "or move this one away first and keep it.\n"
    )
    assert len(before) > 0
    assert verify(data).wrong is None


def test_an_empty_folder_is_filled_by_whatever_name_it_goes(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = taken(data)
    here, there, link = tmp_path / "here", tmp_path / "there", tmp_path / "link"
    here.mkdir()
    there.mkdir()
    link.symlink_to(there)
    assert ran(restore_command.command, path, "--data", link).exit_code == 0
    assert link.is_symlink()
    assert verify(there).wrong is None
    monkeypatch.chdir(here)
    assert ran(restore_command.command, path, "--data", ".").exit_code == 0
    assert verify(here).wrong is None
    assert not list(tmp_path.glob(".restoring-*"))


def test_nothing_is_restored_into_the_backup(data: Path) -> None:
    path = taken(data)
    result = ran(restore_command.command, path, "--data", path / "new")
    assert result.exit_code == 3
    assert "lies inside the backup, which must stay as it is. Nothing was restored." in result.output
    assert ran(backup_command.command, "--check", path).exit_code == 0


def test_nothing_is_copied_where_a_disk_is_mounted(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder on which a disk is mounted can neither be taken away nor exchanged."""
    path, disk = taken(data), tmp_path / "disk"
    disk.mkdir()
    monkeypatch.setattr(Path, "is_mount", lambda each: each == disk)
    result = ran(restore_command.command, path, "--data", disk)
    assert result.exit_code == 3
    assert f"Name a folder on that disk, such as {disk / 'data'}." in result.output
    assert sorted(each.name for each in tmp_path.iterdir() if "restoring" in each.name) == []


def test_a_name_that_no_disk_takes_is_said(data: Path, tmp_path: Path) -> None:
    long = tmp_path / ("a" * 300)
    result = ran(restore_command.command, taken(data), "--data", long)
    assert result.exit_code == 3
    assert "cannot be looked at (File name too long). Nothing was restored." in result.output
    result = ran(backup_command.command, "--to", long, "--list")
    assert result.exit_code == 3
    assert "cannot be read (File name too long)" in result.output


def test_what_is_interrupted_leaves_nothing(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = taken(data)

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(shutil, "copyfile", interrupted)
    with pytest.raises(KeyboardInterrupt):
        restore(path, tmp_path / "new")
    assert not list(tmp_path.glob(".restoring-*"))


def test_a_time_that_no_calendar_has_is_no_manifest(data: Path) -> None:
    path = taken(data)
    text = (path / "manifest.json").read_text()
    (path / "manifest.json").write_text(text.replace(str(NOW_MS), "9" * 18))
    result = ran(backup_command.command, "--to", path.parent, "--list")
    assert result.exit_code == 0
    assert f"{path.name}  cannot be used: " in result.output


def test_a_file_that_cannot_be_read_is_said(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = taken(data)

    def unreadable(file: Path) -> None:
        raise OSError(5, "Input/output error", str(file))

    monkeypatch.setattr(manifests, "of_file", unreadable)
    result = ran(backup_command.command, "--check", path)
    assert result.exit_code == 1
    assert "cannot be read (Input/output error)" in result.output
    result = ran(restore_command.command, path, "--data", tmp_path / "new")
    assert result.exit_code == 3
    assert "cannot be read (Input/output error). Nothing was restored." in result.output


def test_a_manifest_of_a_newer_version_or_none(data: Path, tmp_path: Path) -> None:
    path = taken(data)
    text = (path / "manifest.json").read_text()
    (path / "manifest.json").write_text(text.replace('"format": 1', '"format": 2'))
    with pytest.raises(DataError, match=r"was written by a newer version of this program \(format 2\)"):
        restore(path, tmp_path / "new")
    (path / "manifest.json").write_text(text[: len(text) // 2])
    with pytest.raises(DataError, match=r"cannot be understood .*: the backup is damaged or was cut short"):
        restore(path, tmp_path / "new")
