"""Cards of the demonstration: counted for a month, once, and worn out in none."""

from __future__ import annotations

from pathlib import Path

from firmware.simulator.cards import DAYS, begin_counts
from host.disk import DiskCount, counted, read, write
from soak.wear import LOOK_MS, wear


def test_each_folder_gets_a_count_and_keeps_its_own(tmp_path: Path) -> None:
    folders = [tmp_path / name for name in ("n1", "n2", "collector")]
    begin_counts(folders)
    if counted(tmp_path) is None:  # in memory: nothing can be counted, and nothing is made up
        assert [read(folder) for folder in folders] == [None, None, None]
        return
    told = [DiskCount(folder, 20).now() for folder in folders]
    assert all(each is not None and each.over_ms >= DAYS * 86_400_000 for each in told)
    assert len({each.written_bytes for each in told if each}) == 3
    assert all((found := wear(each)) is not None and found.left_ms > LOOK_MS for each in told)
    before = read(folders[0])
    assert before is not None
    write(folders[0], before)
    begin_counts(folders)
    assert read(folders[0]) == before
