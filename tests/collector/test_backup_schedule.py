"""Backups are taken by themselves, once a day; that one failed or is too old is said."""

from __future__ import annotations

import datetime
import shutil
import time
from pathlib import Path

import pytest
from kit import Collecting, batch, soak
from msgspec.structs import replace

from collector.backup import schedule as schedule_module
from collector.backup.manifest import backups
from collector.backup.schedule import BackupSchedule, _due_ms, due_after_ms, last_backup
from collector.conditions import Conditions
from collector.errors import SettingsError
from collector.record.book import Book
from collector.record.things import Policy
from collector.settings import BackupSettings, load

HOUR_MS = 3_600_000
NEVER_S = 1e9


class Clinic:
    """A data folder, and the schedule over it."""

    def __init__(self, collecting: Collecting, settings: BackupSettings | None, first_s: float = 0.0) -> None:
        self.collecting = collecting
        self.conditions = Conditions(lambda: self.now_ms)
        self.now_ms = collecting.rows("SELECT at_ms FROM ledger WHERE number = 1")[0][0]
        self.schedule = BackupSchedule(collecting.data_dir, settings, self.conditions, first_s=first_s)

    def look(self) -> list[str]:
        book = Book.looking(self.collecting.store.db.conn, self.now_ms)
        return [held.text for held in self.schedule.look(book)]

    def until_taken(self) -> None:
        while self.schedule._process is not None:
            time.sleep(0.02)
            assert self.look() == [] or self.schedule._process is None


@pytest.fixture
def filled(collecting: Collecting) -> Collecting:
    collecting.take(batch(soak(70_000)))
    return collecting


def test_the_first_is_taken_and_then_none_until_the_hour(filled: Collecting, tmp_path: Path) -> None:
    clinic = Clinic(filled, BackupSettings(folder=str(tmp_path / "copies"), at="02:30", also=[]))
    assert clinic.look() == []
    clinic.until_taken()
    made = last_backup(filled.store.db.conn)
    assert made is not None
    assert [each.name for each in backups(tmp_path / "copies")] == [made.name]
    clinic.schedule._next_s = 0.0
    clinic.now_ms = made.made_ms
    clinic.look()
    assert clinic.schedule._process is None  # today's is there
    clinic.now_ms += 24 * HOUR_MS
    clinic.look()
    assert clinic.schedule._process is not None
    clinic.schedule.close()
    assert clinic.schedule._process is None


def test_one_that_fails_is_said_and_the_age_of_the_last_too(filled: Collecting, tmp_path: Path) -> None:
    (tmp_path / "copies").write_text("no folder")
    clinic = Clinic(filled, BackupSettings(folder=str(tmp_path / "copies"), too_old="48h", also=[]))
    clinic.look()
    while clinic.schedule._process is not None:
        time.sleep(0.02)
        clinic.look()
    (condition,) = clinic.conditions.standing()
    assert condition.code == "backup-failed"
    assert "could not be written" in condition.words.happened
    clinic.now_ms += 48 * HOUR_MS
    assert clinic.look() == []
    clinic.now_ms += 1
    assert clinic.look() == ["No backup of these data is on record."]


def test_a_site_that_backs_up_by_other_means_is_told_too(filled: Collecting) -> None:
    clinic = Clinic(filled, None)
    assert clinic.look() == []
    clinic.now_ms += 49 * HOUR_MS
    assert clinic.look() == ["No backup of these data is on record."]


def test_nothing_is_said_before_the_first_look_is_due(filled: Collecting) -> None:
    clinic = Clinic(filled, None, first_s=NEVER_S)
    clinic.now_ms += 1000 * HOUR_MS
    assert clinic.look() == []


def test_the_hour_is_the_site_s(filled: Collecting) -> None:
    """02:30 in Honolulu is 12:30 UTC."""
    book = Book.looking(filled.store.db.conn, 1_772_540_280_000)  # 2026-03-03 12:18 UTC
    book.__dict__["policy"] = replace(Policy(id="site"), time_zone="Pacific/Honolulu")
    due_ms = _due_ms(book, BackupSettings(folder="x", at="02:30"))
    assert due_ms == 1_772_540_280_000 + 12 * 60_000 - 24 * HOUR_MS


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ('folder = ""', "folder of [backup] is empty: name the folder in which backups are kept."),
        ('folder = "x"\nat = "25:00"', "'25:00' is no time of day. Write hours and minutes, such as 06:30."),
        ('folder = "x"\ntoo_old = "5m"', "too_old is '5m'; it must be from 1h to 10000h."),
        ('folder = "x"\nalso = ["nowhere"]', "named under also of [backup], is no file: it could not be kept."),
        ('folder = "x"\nalso = ["a/b", "b"]', "Two files under also of [backup] have one name"),
        ('folder = "x"\nhour = 3', "unknown field `hour`"),
    ],
)
def test_wrong_settings_are_named(tmp_path: Path, section: str, said: str) -> None:
    path = tmp_path / "collector.toml"
    path.write_text(f'site = "Mill"\n[backup]\n{section}\n')
    with pytest.raises(SettingsError) as error:
        load(path)
    assert said in str(error.value)


def test_settings_name_whole_paths_and_keep_themselves(tmp_path: Path) -> None:
    path = tmp_path / "collector.toml"
    path.write_text('site = "Mill"\n[backup]\nfolder = "copies"\n')
    backup = load(path).backup
    assert backup == BackupSettings(folder=str(tmp_path / "copies"), also=[str(path)])


def test_one_that_was_missed_while_the_machine_was_off_is_made_up_for(filled: Collecting, tmp_path: Path) -> None:
    clinic = Clinic(filled, BackupSettings(folder=str(tmp_path / "copies"), at="02:30", also=[]))
    clinic.look()
    clinic.until_taken()
    made = last_backup(filled.store.db.conn)
    assert made is not None
    later = Clinic(filled, clinic.schedule._settings)  # a new start, three days and some hours later
    later.now_ms = made.made_ms + 3 * 24 * HOUR_MS + 5 * HOUR_MS
    later.look()
    assert later.schedule._process is not None
    later.schedule.close()


def test_a_folder_without_room_for_two_more_is_said_and_cleared(
    filled: Collecting, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic = Clinic(filled, BackupSettings(folder=str(tmp_path / "copies/not/made/yet"), at="02:30", also=[]))
    monkeypatch.setattr(clinic.schedule, "_begin", lambda _settings: None)
    size_bytes = sum(each.stat().st_size for each in filled.data_dir.glob("soakledger.sqlite*"))
    free = [2 * size_bytes - 1]
    monkeypatch.setattr(schedule_module.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(0, 0, free[0]))
    clinic.look()
    (said,) = clinic.conditions.standing()
    assert (said.code, said.words.todo[:27]) == ("backup-room", "Move old backups elsewhere,")
    free[0] *= 10
    clinic.schedule._room_s = float("-inf")
    clinic.look()
    assert clinic.conditions.standing() == []


def test_the_next_one_is_due_within_a_day_at_the_site_s_hour(filled: Collecting) -> None:
    now_ms = filled.rows("SELECT at_ms FROM ledger WHERE number = 1")[0][0]
    book = Book.looking(filled.store.db.conn, now_ms)
    due_ms = due_after_ms(book, BackupSettings(folder="x", at="02:30"))
    assert 0 < due_ms - now_ms <= 24 * HOUR_MS
    assert datetime.datetime.fromtimestamp(due_ms / 1000, book.zone).strftime("%H:%M") == "02:30"
