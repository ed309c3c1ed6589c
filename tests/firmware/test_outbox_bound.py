"""Room: thirty days of outage are small, the bound holds, a full disk stops nothing, and each loss is remembered."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from outbox_kit import BOOT_1, BOOT_2, A, Basins, SetClock, everything, reading
from recorded_vfs import Recorder

from firmware import outbox as outbox_module
from firmware.errors import OutboxError
from firmware.outbox import FAILURES, Outbox
from soak import wire
from soak.ranges import Ranges
from soak.reading import Reading

KIB = 1024


class Outage:
    """A node that writes and hears nothing."""

    def __init__(self, folder: Path, basins: int, *, most_bytes: int | None = None, noise_mc: float = 22) -> None:
        self.clock, self.basins = SetClock(), Basins(basins, noise_mc=noise_mc, late_ms=noise_mc / 11)
        self.outbox = Outbox(folder, self.clock, most_bytes=most_bytes)
        self.streams = {name: self.outbox.begin(name, [self.basins.sensors[name]]) for name in self.basins.names}
        self.taken: dict[str, dict[int, Reading]] = {stream: {} for stream in self.streams.values()}

    def second(self) -> None:
        readings = self.basins.second()
        for name, one in readings:
            numbers = self.taken[self.streams[name]]
            numbers[len(numbers) + 1] = one
        self.clock.now_ms, self.clock.wall_ms = self.basins.ms, 1_700_000_000_000 + self.basins.ms
        self.outbox.append(readings)

    def seconds(self, count: int, *, each_written: int = 1) -> None:
        for at in range(count):
            self.second()
            if at % each_written == 0:
                assert self.outbox.write()
        self.outbox.write()


def test_thirty_days_of_outage_at_three_basins_fit_in_300_megabytes(tmp_path: Path) -> None:
    """A commit every second for eighty minutes; how the second half made it grow is extrapolated."""
    outage = Outage(tmp_path, 3)
    outage.seconds(2_400)
    before = (tmp_path / "outbox.db").stat().st_size
    outage.seconds(2_400)
    grown = (tmp_path / "outbox.db").stat().st_size - before
    assert outage.outbox.depth == 3 * 4_800
    assert grown > 0
    assert outage.outbox.bytes + grown / 2_400 * 30 * 86_400 < 300_000_000
    assert grown / (3 * 2_400) < 4  # bytes a reading
    assert everything(outage.outbox) == outage.taken
    outage.outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2))
    assert everything(again) == outage.taken
    again.close()


@pytest.fixture
def quick_merges(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are merged sooner than in earnest, so that the little room of these tests holds large ones too."""
    monkeypatch.setattr(outbox_module, "MERGE_AT", 120)
    monkeypatch.setattr(outbox_module, "MERGE", 60)


@pytest.mark.usefixtures("quick_merges")
def test_past_the_bound_the_oldest_go_first_and_the_file_with_its_log_never_exceeds_it(tmp_path: Path) -> None:
    """Seen at every commit; what is left is the newest of every stream, without a hole."""
    most = 256 * KIB
    outage = Outage(tmp_path, 2, most_bytes=most, noise_mc=4_000)
    largest = 0
    while outage.outbox.dropped < 20_000:
        for _ in range(30):
            outage.second()
        assert outage.outbox.write()
        largest = max(largest, outage.outbox.bytes, sum(part.stat().st_size for part in tmp_path.iterdir()))
    assert most // 2 < largest <= most
    found = everything(outage.outbox)
    for stream, numbers in outage.taken.items():
        left = found[stream]
        oldest = min(left)
        assert 1 < oldest < len(numbers)
        assert left == {number: one for number, one in numbers.items() if number >= oldest}
    begins = [numbers[min(found[stream])].ms for stream, numbers in outage.taken.items()]
    assert abs(begins[0] - begins[1]) < 2_000_000  # over all streams, the oldest first
    assert outage.outbox.dropped + sum(map(len, found.values())) == sum(map(len, outage.taken.values()))
    told = {held.stream: held for held in outage.outbox.streams()}
    assert {stream: held.oldest for stream, held in told.items()} == {s: min(each) for s, each in found.items()}
    outage.outbox.close()


def filled(folder: Path) -> tuple[Outage, dict[str, wire.HeldStream]]:
    outage = Outage(folder, 2, most_bytes=256 * KIB, noise_mc=4_000)
    while outage.outbox.dropped < 2_000:
        outage.seconds(30, each_written=30)
    return outage, {held.stream: held for held in outage.outbox.streams()}


@pytest.mark.usefixtures("quick_merges")
def test_what_was_given_up_is_remembered_until_it_is_on_record(tmp_path: Path) -> None:
    """Across a restart too; nothing is left of these streams but their losses, and then they still are in the list."""
    outage, told = filled(tmp_path)
    outage.outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2), most_bytes=256 * KIB)
    assert {held.stream: held for held in again.streams()} == told
    for stream, held in told.items():
        again.release(stream, [(held.oldest, held.newest)])
    assert again.streams() == [
        wire.HeldStream(held.stream, held.basin, held.newest + 1, held.newest, BOOT_1) for held in told.values()
    ]
    assert again.depth == 0
    again.begin("b1", [A])
    again.append([("b1", reading(1))])
    again.write()
    again.close()
    third = Outbox(tmp_path, SetClock(BOOT_2), most_bytes=256 * KIB)
    left = {held.stream: held for held in third.streams()}
    one, other = told
    assert left.keys() >= {one, other}
    third.lost(one, [(1, told[one].oldest - 2)])
    assert one in [held.stream for held in third.streams()]
    third.lost(one, [(told[one].oldest - 1, told[one].oldest - 1)])
    assert one not in [held.stream for held in third.streams()]
    third.release(
        other, [(1, told[other].newest)]
    )  # the collector has them after all: they went before they were dropped
    assert other not in [held.stream for held in third.streams()]
    third.lost("f" * 32, [(1, 5)])
    third.close()
    fourth = Outbox(tmp_path, SetClock(BOOT_2))
    assert not {one, other} & {held.stream for held in fourth.streams()}
    fourth.close()


@pytest.mark.usefixtures("quick_merges")
def test_room_that_receipts_make_is_used_again(tmp_path: Path) -> None:
    outage, told = filled(tmp_path)
    dropped = outage.outbox.dropped
    for stream, held in told.items():
        outage.outbox.lost(stream, [(1, held.newest)])  # that takes nothing which is still here
        assert list(outage.outbox.held(stream)) == [(held.oldest, held.newest)]
        outage.outbox.release(stream, [(1, held.newest)])
    outage.seconds(31)
    size = (tmp_path / "outbox.db").stat().st_size
    outage.seconds(300, each_written=10)
    assert (tmp_path / "outbox.db").stat().st_size == size
    assert outage.outbox.dropped == dropped
    outage.outbox.close()


def test_a_file_that_grew_under_a_larger_bound_becomes_smaller(tmp_path: Path) -> None:
    outage = Outage(tmp_path, 3, noise_mc=4_000)
    outage.seconds(13_000, each_written=30)
    for stream, numbers in outage.taken.items():
        outage.outbox.release(stream, [(1, len(numbers) - 100)])
    outage.outbox.close()
    first = (tmp_path / "outbox.db").stat().st_size
    assert first > 256 * KIB
    again = Outbox(tmp_path, SetClock(BOOT_2), most_bytes=256 * KIB)
    assert again.bytes < 256 * KIB
    assert again.depth >= 300
    again.close()


def test_a_share_too_small_to_work_with_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutboxError) as caught:
        Outbox(tmp_path, SetClock(), most_bytes=1_000)
    assert str(caught.value) == (
        f"{tmp_path}/outbox.db: its share of the disk is 1000 bytes; it needs 262144 at least. "
        "Allow it a larger share, or give it a larger disk."
    )


# --- the disk takes nothing -----------------------------------------------------------------------------------------


@pytest.fixture
def recorder() -> Iterator[Recorder]:
    with Recorder() as one:
        yield one


def test_while_the_disk_is_full_readings_wait_then_go_from_memory_and_are_written_when_there_is_room(
    tmp_path: Path, recorder: Recorder, caplog: pytest.LogCaptureFixture
) -> None:
    outage = Outage(tmp_path, 2)
    outbox, (stream, _) = outage.outbox, outage.streams.values()
    outage.seconds(5)
    recorder.refuse = lambda _path, _at: True
    for failures in range(1, FAILURES):
        outage.second()
        assert not outbox.write()
        assert outbox.held(stream).last == 5, failures  # what the disk does not have is not offered yet
    assert outbox.trouble == "the disk takes no readings (database or disk is full)"
    outage.second()
    assert not outbox.write()
    assert list(outbox.held(stream)) == [(1, 5 + FAILURES)]
    outage.second()  # offered as soon as it is taken
    assert everything(outbox) == outage.taken
    assert outbox.waiting == 2 * (FAILURES + 1)
    outbox.release(stream, [(1, 8)])  # receipts for what only memory has
    assert outbox.streams()[0].oldest == 9
    recorder.refuse = lambda _path, _at: False
    assert outbox.write()
    assert (outbox.trouble, outbox.waiting, outbox.dropped) == ("", 0, 0)
    del outage.taken[stream]
    left = everything(outbox)
    assert min(left.pop(stream)) == 9
    assert left == outage.taken
    outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2))
    found = everything(again)
    assert found.pop(stream).keys() >= {9, 10, 11}
    assert found == outage.taken
    again.close()
    assert [record.message.split()[1] for record in caplog.records] == ["not_written", "readings", "written"]


def test_a_node_starts_on_a_full_disk_and_sends_what_it_has(tmp_path: Path, recorder: Recorder) -> None:
    outage = Outage(tmp_path, 2)
    outage.seconds(40)
    outage.outbox.close()
    recorder.refuse = lambda _path, _at: True
    again = Outage(tmp_path, 2)
    for _ in range(FAILURES):
        again.second()
        assert not again.outbox.write()
    assert everything(again.outbox) == {**outage.taken, **again.taken}
    recorder.refuse = lambda _path, _at: False
    assert again.outbox.write()
    again.outbox.close()
    third = Outbox(tmp_path, SetClock(BOOT_2))
    assert everything(third) == {**outage.taken, **again.taken}
    third.close()


def test_what_memory_cannot_hold_either_is_lost_from_the_oldest_on_and_remembered(
    tmp_path: Path, recorder: Recorder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk has 1 to 5, memory the newest fifty; what is between is gone, and the state says so in time."""
    monkeypatch.setattr(outbox_module, "MOST_RECENT", 100)
    outage = Outage(tmp_path, 2)
    outbox = outage.outbox
    outage.seconds(5)
    recorder.refuse = lambda _path, _at: True
    for _ in range(200):
        outage.second()
        assert not outbox.write()
    assert outbox.waiting == 100
    assert outbox.dropped == 300
    for stream in outage.taken:
        assert list(outbox.held(stream)) == [(1, 5), (156, 205)]
    recorder.refuse = lambda _path, _at: False
    assert outbox.write()
    for stream in outage.taken:
        outbox.release(stream, [(1, 5)])
    assert {(held.oldest, held.newest) for held in outbox.streams()} == {(156, 205)}
    outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2))
    for stream, numbers in outage.taken.items():
        assert everything(again)[stream] == {number: numbers[number] for number in range(156, 206)}
        again.release(stream, [(156, 205)])
    assert {(held.oldest, held.newest) for held in again.streams()} == {(206, 205)}  # still to be recorded as lost
    for stream in outage.taken:
        again.lost(stream, [(6, 155)])
    assert again.streams() == []
    again.close()


def test_a_card_that_hangs_does_not_fill_the_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No attempt to write ends, well or badly; what is given up meanwhile is remembered as well."""
    monkeypatch.setattr(outbox_module, "MOST_RECENT", 100)
    outage = Outage(tmp_path, 2)
    outage.seconds(5)
    for _ in range(200):
        outage.second()
    assert outage.outbox.waiting == 100
    assert outage.outbox.dropped == 300
    assert outage.outbox.write()
    for stream in outage.taken:
        assert list(outage.outbox.held(stream)) == [(1, 5), (156, 205)]
        outage.outbox.release(stream, [(1, 5), (156, 205)])
        outage.outbox.lost(stream, [(6, 154)])
    outage.outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2))
    assert {held.stream: (held.oldest, held.newest) for held in again.streams()} == dict.fromkeys(
        outage.taken, (206, 205)
    )
    for stream in outage.taken:
        again.lost(stream, [(155, 155)])
    assert again.streams() == []
    again.close()


def test_a_disk_that_fails_now_and_then_costs_nothing(tmp_path: Path, recorder: Recorder) -> None:
    dice = Random(5)
    outage = Outage(tmp_path, 2)
    recorder.refuse = lambda _path, _at: dice.random() < 0.3
    for _ in range(300):
        outage.second()
        outage.outbox.write()
        for stream, numbers in outage.taken.items():
            outage.outbox.release(stream, [(1, dice.randrange(1, len(numbers) + 1))])
    recorder.refuse = lambda _path, _at: False
    outage.outbox.write()
    held = {stream: Ranges(outage.outbox.held(stream)) for stream in outage.taken}
    for stream, numbers in everything(outage.outbox).items():
        assert numbers == {number: outage.taken[stream][number] for number in numbers}
    assert outage.outbox.dropped == 0
    outage.outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2))
    for stream, ranges in held.items():
        for first, last in ranges:
            assert again.held(stream).missing(first, last) == []
    for stream, numbers in everything(again).items():
        assert numbers == {number: outage.taken[stream][number] for number in numbers}
    again.close()
