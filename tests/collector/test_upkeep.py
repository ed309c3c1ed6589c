"""What wears and drifts: looked at over a real store, said as conditions, put on record, told in the status file."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector import upkeep
from collector.clock_watch import HELD_MS
from collector.conditions import Conditions
from collector.intake import Arrived, Intake
from collector.settings import BackupSettings, Settings
from collector.store import Store
from collector.upkeep import Upkeep, worn_cards
from host.disk import FILE_NAME, counted
from soak.quantity import utc_text
from soak.wire import Clock, DiskUse, State, Topic, encode

NOW_MS = 1_772_540_280_000
BOOT = "9f6c2d1e-4b3a-4c5d-8e7f-0a1b2c3d4e5f"
YEAR_MS = 31_557_600_000
TB = 10**12


class Looked:
    """An upkeep whose clocks a test moves."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, backup: BackupSettings | None = None) -> None:
        self.now_ms, self.synced = NOW_MS, True
        self.folder, self.store = folder, Store(folder, lambda: self.now_ms)
        self.intake = Intake(self.store, lambda: self.now_ms)
        self.conditions = Conditions(lambda: self.now_ms)
        self.upkeep = Upkeep(
            folder, Settings("s", backup=backup), self.store, self.conditions, clock=lambda: self.now_ms
        )
        monkeypatch.setattr(self.upkeep, "_synced", lambda: self.synced)
        monkeypatch.setattr(upkeep.time, "monotonic", lambda: self.now_ms / 1000)

    def said(self, node: str, *, synced: bool = True, off_ms: int = 0, disk: DiskUse | None = None) -> None:
        clock = Clock(self.now_ms - NOW_MS + 60_000, utc_text(self.now_ms + off_ms), synced)
        state = State(True, "0", BOOT, clock, disk=disk)
        self.intake.take([Arrived(Topic.STATE.of(node), encode(state))])

    def standing(self) -> dict[tuple[str, str], str]:
        return {(each.code, each.subject): each.detail for each in self.conditions.standing()}

    def records(self) -> list[tuple[str, str]]:
        rows = self.store.db.execute("SELECT kind, body FROM ledger WHERE kind = 'clock-noted' ORDER BY number")
        return [(kind, body) for kind, body in rows.fetchall()]

    def later(self, ms: int) -> None:
        self.now_ms += ms

    def close(self) -> None:
        self.upkeep.close()
        self.store.close()


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Looked:
    return Looked(tmp_path, monkeypatch)


def test_a_clock_that_lost_its_time_goes_on_record_and_comes_back(site: Looked) -> None:
    for synced in (False, True):
        for _ in range(2):
            site.said("n1", synced=synced)
            site.upkeep.look()
            site.later(HELD_MS)
        site.later(3_600_000)
    assert site.records() == [
        ("clock-noted", f'{{"node":"n1","since_ms":{NOW_MS},"synced":false}}'),
        ("clock-noted", f'{{"node":"n1","since_ms":{NOW_MS + 2 * HELD_MS + 3_600_000},"synced":true}}'),
    ]
    site.close()


def test_the_collector_s_own_clock_is_told_and_goes_on_record(site: Looked) -> None:
    site.synced = False
    site.upkeep.look()
    assert site.upkeep.own.synced is False
    site.later(HELD_MS)
    site.upkeep.look()
    assert site.records() == [("clock-noted", f'{{"node":"","since_ms":{NOW_MS},"synced":false}}')]
    site.later(4 * 3_600_000)
    site.upkeep.look()
    assert site.standing() == {("clock-unsynchronised", ""): "the collector’s own, for more than 4 h"}
    site.synced = True
    site.later(60_000)
    site.upkeep.look()
    assert site.standing() == {}
    site.close()


def test_a_node_off_the_collector_s_time_is_named_and_a_silent_one_is_not(site: Looked) -> None:
    for _ in range(2):
        site.said("n1", off_ms=7_900)
        site.upkeep.look()
        site.later(HELD_MS)
    site.said("n1", off_ms=7_900)
    site.upkeep.look()
    assert site.standing() == {("clock-differs", "n1"): "node n1, 7 s ahead"}
    site.later(upkeep.HEARD_MS + 1)
    site.upkeep.look()
    assert site.standing() == {}
    site.close()


def test_it_looks_a_few_times_a_minute_only(site: Looked) -> None:
    site.upkeep.look()
    site.synced = False
    site.later(9_999)
    site.upkeep.look()
    assert site.upkeep.own.synced is True
    site.later(1)
    site.upkeep.look()
    assert site.upkeep.own.synced is False
    site.close()


def test_cards_that_wear_out_are_named_by_how_soon(site: Looked) -> None:
    site.said("n1", disk=DiskUse(10 * TB, YEAR_MS, 1, 2, 20))  # a year left
    site.said("n2", disk=DiskUse(11 * TB, YEAR_MS, 1, 2, 20))
    site.said("n3", disk=DiskUse(TB, YEAR_MS, 1, 2, 20))
    site.upkeep.look()
    assert site.standing() == {
        ("card-wears", "n1"): "node n1, rated at 20 TB: about 1.0 years left at this rate",
        ("card-worn", "n2"): "node n2, rated at 20 TB: about 0.8 years left at this rate",
    }
    assert all("card_rated_tb" in each.text for each in site.conditions.standing())
    site.close()


def test_two_years_left_is_enough_and_what_is_not_known_is_not_worn() -> None:
    assert worn_cards({"": None, "a": DiskUse(TB, 1, 0, 0, 1), "b": DiskUse(5 * TB, YEAR_MS, 0, 0, 15)}) == ({}, {})
    assert list(worn_cards({"": DiskUse(5 * TB + 1, YEAR_MS, 0, 0, 15)})[0]) == [""]


def test_the_count_of_its_own_disk_is_kept_and_the_next_backup_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = Looked(tmp_path, monkeypatch, BackupSettings(folder=str(tmp_path / "copies"), at="02:30"))
    site.upkeep.look()
    disk = site.upkeep.own.disk
    assert disk is not None
    assert (disk.rated_tb, disk.total_bytes > disk.free_bytes > 0) == (20, True)
    assert (tmp_path / FILE_NAME).exists() == (counted(tmp_path) is not None)
    due_ms = site.upkeep.own.backup_due_ms
    assert due_ms is not None
    assert 0 < due_ms - NOW_MS <= 24 * 3_600_000
    site.close()
