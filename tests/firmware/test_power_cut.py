"""The power may go at any moment: of a soak one second of readings is lost at most, and the outbox opens again.

Everything that SQLite hands to the kernel is recorded (`recorded_vfs.py`). After some call
the files are made as the disk then has them: as of each file's last fsync, the writes since then dropped, or any of
them, or some of their sectors, on the disk. What the outbox finds there is compared with what was taken by then.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from outbox_kit import BOOT_2, Basins, SetClock, everything
from recorded_vfs import Disk, Recorder

from firmware.outbox import Outbox
from soak.reading import Reading

PARTS = "outbox.db", "outbox.db-wal"


class Soak:
    """A node with two basins at work, second by second, receipts or none, every call to the disk recorded."""

    def __init__(self, folder: Path, recorder: Recorder, *, receipts: bool, seconds: int) -> None:
        self.marks: list[tuple[int, dict[str, int], dict[str, int]]] = []  # calls by then; taken; released
        self.readings: dict[str, dict[int, Reading]] = {}
        clock, basins = SetClock(), Basins(2)
        outbox = Outbox(folder, clock)
        # What made the file is renamed into place whole and synced: take it as it is.
        self.at_first = {part: (folder / part).read_bytes() for part in PARTS if (folder / part).exists()}
        self.begins = len(recorder.calls)
        names = {name: outbox.begin(name, [basins.sensors[name]]) for name in basins.names}
        taken, released = dict.fromkeys(names.values(), 0), dict.fromkeys(names.values(), 0)
        for _ in range(seconds):
            for basin, one in basins.second():
                stream = names[basin]
                taken[stream] += 1
                self.readings.setdefault(stream, {})[taken[stream]] = one
                outbox.append([(basin, one)])
            clock.now_ms, clock.wall_ms = basins.ms, 1_700_000_000_000 + basins.ms
            self.marks.append((len(recorder.calls), dict(taken), dict(released)))  # before it is written
            assert outbox.write()
            if receipts:
                for stream, newest in taken.items():
                    if newest > 2:
                        outbox.release(stream, [(1, newest - 2)])
                        released[stream] = newest - 2
        self.marks.append((len(recorder.calls), dict(taken), dict(released)))
        outbox.close()

    def by(self, calls: int) -> tuple[dict[str, int], dict[str, int]]:
        """How many readings had been taken before the last commit began, and how many released by then."""
        before = [mark for mark in self.marks if mark[0] <= calls]
        if len(before) < 2:
            return dict.fromkeys(self.readings, 0), dict.fromkeys(self.readings, 0)
        return before[-2][1], before[-1][2]


def after(soak: Soak, recorder: Recorder, calls: int, folder: Path, dice: Random | None) -> None:
    """Make the files as they are when the power goes after so many calls."""
    folder.mkdir()
    for part in PARTS:
        disk = Disk(part)
        disk._safe += soak.at_first.get(part, b"")
        for call in recorder.calls[soak.begins : calls]:
            disk.take(call)
        content = disk.left(dice)
        if content or part == PARTS[0]:
            (folder / part).write_bytes(content)


def check(soak: Soak, folder: Path, calls: int) -> None:
    """At most the second that was being written is gone, nothing is invented, no damage is seen."""
    outbox = Outbox(folder, SetClock(BOOT_2))
    found = everything(outbox)
    committed, released = soak.by(calls)
    for stream, numbers in soak.readings.items():
        there = found.get(stream, {})
        missing = [number for number in range(released[stream] + 1, committed[stream] + 1) if number not in there]
        assert not missing, f"after {calls} calls {missing} of {stream} are gone"
        assert all(numbers[number] == one for number, one in there.items())
    assert sum(len(each) for each in found.values()) == outbox.depth
    assert outbox.dropped == 0
    assert not list(folder.glob("*damaged*"))
    outbox.close()


@pytest.mark.parametrize("receipts", [True, False], ids=["with-receipts", "in-an-outage"])
@pytest.mark.parametrize("torn", [False, True], ids=["unsynced-dropped", "unsynced-partly-written"])
def test_a_power_cut_costs_one_second_at_most(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, receipts: bool, torn: bool
) -> None:
    """Also where SQLite copies its log into the file (a small log makes it do so often) and small rows become large."""
    monkeypatch.setattr("firmware.outbox_file._MOST_LOG_PAGES", 25)
    monkeypatch.setattr("firmware.outbox.MERGE_AT", 20)
    monkeypatch.setattr("firmware.outbox.MERGE", 10)
    with Recorder() as recorder:
        soak = Soak(tmp_path / "node", recorder, receipts=receipts, seconds=120)
        calls = len(recorder.calls)
    assert calls - soak.begins > 300
    assert any(call.path.endswith("outbox.db") for call in recorder.calls[soak.begins : -10])  # it did copy
    dice = Random(7)
    for number in sorted(dice.sample(range(soak.begins, calls + 1), 25)):
        folder = tmp_path / str(number)
        after(soak, recorder, number, folder, dice if torn else None)
        check(soak, folder, number)


def test_the_recording_is_what_the_files_hold(tmp_path: Path) -> None:
    """With every write on the disk the files are those that the outbox left: nothing was missed."""
    with Recorder() as recorder:
        soak = Soak(tmp_path / "node", recorder, receipts=True, seconds=40)
    disks = {part: Disk(part) for part in PARTS}
    for part, disk in disks.items():
        disk._safe += soak.at_first.get(part, b"")
        for call in recorder.calls[soak.begins :]:
            disk.take(call)
        for write in disk._unsafe:
            disk._apply(disk._safe, write)
    assert bytes(disks["outbox.db"]._safe) == (tmp_path / "node" / "outbox.db").read_bytes()
    assert not disks["outbox.db-wal"]._safe  # deleted by the orderly close
