"""The count of what is written to a disk: found for a folder, carried on over restarts, begun anew for another disk."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from host.disk import FILE_NAME, SAVE_EVERY_MS, Counted, DiskCount, Kept, carried_on, counted, read, write

CARD, OTHER = "mmcblk0 1b534d", "mmcblk0 9f0000"


def machine(root: Path, folder: Path, stat: str, *, cid: str = "1b534d\n") -> Path:
    """A /sys that has one card with a partition, on which the folder lies."""
    card = root / "devices/card/mmcblk0"
    (card / "mmcblk0p2").mkdir(parents=True)
    (card / "mmcblk0p2/partition").write_text("2\n")
    (card / "device").mkdir()
    (card / "device/cid").write_text(cid)
    (card / "stat").write_text(stat)
    (card / "mmcblk0p2/stat").write_text("1 1 1 1 1 1 1 1 1 1 1\n")
    device = folder.stat().st_dev
    (root / "dev/block").mkdir(parents=True)
    (root / f"dev/block/{os.major(device)}:{os.minor(device)}").symlink_to(card / "mmcblk0p2")
    return root


STAT = " 1255108    90506 38188274  1656412  6743850  1403780 198840640  2185963        0   877016  4360362\n"


def test_the_whole_disk_is_counted_and_not_the_partition(tmp_path: Path) -> None:
    """Documentation/block/stat.rst: the seventh figure is sectors written, of 512 bytes."""
    found = counted(tmp_path, machine(tmp_path / "sys", tmp_path, STAT))
    assert found is not None
    assert (found.disk, found.written_bytes) == (CARD, 198_840_640 * 512)
    assert found.ms > 0
    assert len(found.boot) == 36


@pytest.mark.parametrize("stat", ["", "1 2 3\n", "1 2 3 4 5 6 many\n"])
def test_what_cannot_be_read_is_not_known(tmp_path: Path, stat: str) -> None:
    assert counted(tmp_path, machine(tmp_path / "sys", tmp_path, stat)) is None
    assert counted(tmp_path, tmp_path / "nothing") is None
    assert counted(tmp_path / "gone") is None


def test_the_count_begins_at_the_first_look_and_outlives_restarts() -> None:
    kept = carried_on(None, Counted(CARD, "one", 5_000, 7_000))
    assert kept == Kept(CARD, "one", 5_000, 7_000, written_bytes=0, over_ms=0)
    kept = carried_on(kept, Counted(CARD, "one", 6_000, 7_900))
    assert (kept.written_bytes, kept.over_ms) == (900, 1_000)
    kept = carried_on(kept, Counted(CARD, "two", 400, 50))  # all of a new boot counts
    assert (kept.written_bytes, kept.over_ms) == (950, 1_400)
    kept = carried_on(kept, Counted(CARD, "two", 500, 49))  # the kernel's count went round: 32 bit
    assert (kept.written_bytes, kept.over_ms) == (950, 1_400)
    kept = carried_on(kept, Counted(CARD, "two", 700, 149))
    assert (kept.written_bytes, kept.over_ms) == (1_050, 1_600)


def test_another_card_begins_anew() -> None:
    kept = Kept(CARD, "one", 5_000, 7_000, 10**12, 10**9)
    assert carried_on(kept, Counted(OTHER, "one", 6_000, 8_000)) == Kept(OTHER, "one", 6_000, 8_000)


def test_it_is_written_down_once_an_hour(tmp_path: Path) -> None:
    now_ms, kernel = [0], [1_000]

    def look(_: Path) -> Counted:
        return Counted(CARD, "one", now_ms[0], kernel[0])

    disk = DiskCount(tmp_path, 32, look, lambda: now_ms[0])
    first = disk.now()
    assert first is not None
    assert (first.written_bytes, first.over_ms, first.rated_tb) == (0, 0, 32)
    assert 0 < first.free_bytes <= first.total_bytes
    now_ms[0], kernel[0] = SAVE_EVERY_MS - 1, 5_000
    assert (told := disk.now()) is not None
    assert told.written_bytes == 4_000
    assert (kept := read(tmp_path)) is not None
    assert kept.written_bytes == 0
    now_ms[0] += 1
    disk.now()
    assert (kept := read(tmp_path)) is not None
    assert (kept.written_bytes, kept.over_ms) == (4_000, SAVE_EVERY_MS)
    assert (again := DiskCount(tmp_path, 32, look, lambda: now_ms[0]).now()) is not None
    assert again.written_bytes == 4_000
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]


def test_a_damaged_file_or_one_that_cannot_be_written_ends_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FILE_NAME).write_text('{"disk": 3')
    assert read(tmp_path) is None
    (tmp_path / FILE_NAME).unlink()
    (tmp_path / FILE_NAME).mkdir()
    disk = DiskCount(tmp_path, 20, lambda _: Counted(CARD, "one", 1, 1), lambda: 0)
    assert disk.now() is not None
    assert [record.getMessage().split(" folder")[0] for record in caplog.records] == ["disk count not written"]


def test_a_disk_that_cannot_be_told_still_says_what_is_free(tmp_path: Path) -> None:
    told = DiskCount(tmp_path, 20, lambda _: None).now()
    assert told is not None
    assert (told.written_bytes, told.over_ms) == (0, 0)
    assert told.total_bytes > 0
    assert DiskCount(tmp_path / "gone", 20, lambda _: None).now() is None


def test_what_was_written_is_read_again(tmp_path: Path) -> None:
    kept = Kept(CARD, "one", 1, 2, 3, 4)
    write(tmp_path, kept)
    assert read(tmp_path) == kept
