"""A damaged outbox: what reads in it is kept, the rest is remembered as gone, the file itself is put aside.

Nothing is ever invented: every reading that comes out is one that went in. A foreign or newer file is left alone.
"""

from __future__ import annotations

import logging
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from random import Random

import pytest
from outbox_kit import BOOT_1, BOOT_2, A, B, Basins, SetClock, everything, reading

from firmware import outbox as outbox_module
from firmware.errors import OutboxError
from firmware.outbox import Outbox
from firmware.packing import carve
from soak import wire
from soak.reading import Fault, Lid, Reading, Why

PARTS = "outbox.db", "outbox.db-wal"
MERGED_ROWS = 40


class Life:
    """What an outbox took and what receipts covered."""

    def __init__(self, folder: Path, seconds: int, *, released: int = 0) -> None:
        clock, basins = SetClock(), Basins(2, noise_mc=300)
        self.outbox = Outbox(folder, clock)
        self.streams = {name: self.outbox.begin(name, [basins.sensors[name]]) for name in basins.names}
        self.taken: dict[str, dict[int, Reading]] = {stream: {} for stream in self.streams.values()}
        self.released = released
        for second in range(1, seconds + 1):
            readings = basins.second()
            clock.now_ms, clock.wall_ms = basins.ms, 1_700_000_000_000 + basins.ms
            for name, one in readings:
                self.taken[self.streams[name]][second] = one
            self.outbox.append(readings)
            assert self.outbox.write()
            for stream in self.taken:
                self.outbox.release(stream, [(1, min(second, released))] if released else [])


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> tuple[Life, Path]:
    """Files as a kill leaves them: large rows, slots, rows that receipts covered, some of it only in the log."""
    folder = tmp_path_factory.mktemp("life")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("firmware.outbox_file._MOST_LOG_PAGES", 130)
        patch.setattr(outbox_module, "MERGE_AT", 2 * MERGED_ROWS)
        patch.setattr(outbox_module, "MERGE", MERGED_ROWS)
        one = Life(folder / "node", 500, released=90)
    (folder / "killed").mkdir()
    for part in PARTS:
        shutil.copy(folder / "node" / part, folder / "killed")
    one.outbox.close()
    return one, folder / "killed"


def copied(source: Path, target: Path) -> Path:
    target.mkdir()
    for part in PARTS:
        if (source / part).exists():
            shutil.copy(source / part, target)
    return target


def flip(data: bytearray, dice: Random) -> None:
    data[dice.randrange(len(data))] ^= dice.randrange(1, 256)


def zero_page(data: bytearray, dice: Random) -> None:
    at = dice.randrange(len(data) // 1024) * 1024
    data[at : at + 1024] = bytes(1024)


def tear_page(data: bytearray, dice: Random) -> None:
    """Half a page is of another time."""
    one, other = (dice.randrange(len(data) // 512) * 512 for _ in range(2))
    data[one : one + 512] = data[other : other + 512]


def garble(data: bytearray, dice: Random) -> None:
    at = dice.randrange(len(data))
    data[at : at + 3_000] = dice.randbytes(min(3_000, len(data) - at))


def cut(data: bytearray, dice: Random) -> None:
    del data[dice.randrange(len(data)) :]


def header(data: bytearray, dice: Random) -> None:
    data[:100] = dice.randbytes(100)


def check(life: Life, folder: Path) -> tuple[int, dict[str, dict[int, Reading]]]:
    """Open it: all that comes out went in; what is missing is remembered as far as it can be known.

    Returns:
        How many readings are missing, and those that are there.
    """
    known = {path: path.read_bytes() for path in folder.glob("outbox.damaged-*")}
    outbox = Outbox(folder, SetClock(BOOT_2))
    found = everything(outbox)
    aside = list(folder.glob("outbox.damaged-*.db"))
    missing = 0
    for stream, numbers in life.taken.items():
        there = found.get(stream, {})
        assert all(numbers[number] == one for number, one in there.items())
        gone = [number for number in numbers if number > life.released and number not in there]
        missing += len(gone)
        if stream in found:
            newest = next(held.newest for held in outbox.streams() if held.stream == stream)
            assert all(number in outbox._streams[stream].gone for number in gone if number <= newest)
    assert found.keys() <= life.taken.keys()
    if aside:
        assert all(path.read_bytes() == content for path, content in known.items())
        outbox.begin("b1", [A])
        outbox.append([("b1", reading(1))])
        assert outbox.write()  # it goes on
    outbox.close()
    again = Outbox(folder, SetClock(BOOT_2))
    for stream, there in found.items():
        assert everything(again)[stream].items() >= there.items()
    assert len(list(folder.glob("outbox.damaged-*.db"))) == len(aside)  # it is whole now
    again.close()
    return missing, found


def test_without_damage_nothing_is_missing(life: tuple[Life, Path], tmp_path: Path) -> None:
    folder = copied(life[1], tmp_path / "whole")
    assert min((folder / part).stat().st_size for part in PARTS) > 13_000
    assert check(life[0], folder)[0] == 0
    assert not list(folder.glob("*damaged*"))


@pytest.mark.parametrize("part", PARTS)
def test_a_changed_byte_anywhere_costs_one_block_at_most(life: tuple[Life, Path], tmp_path: Path, part: str) -> None:
    dice, most, noticed = Random(11), 0, 0
    for number in range(40):
        folder = copied(life[1], tmp_path / str(number))
        data = bytearray((folder / part).read_bytes())
        flip(data, dice)
        (folder / part).write_bytes(data)
        missing, _ = check(life[0], folder)
        most = max(most, missing)
        noticed += bool(list(folder.glob("*damaged*")))
    assert most <= MERGED_ROWS
    assert noticed > 5


@pytest.mark.parametrize("damage", [zero_page, tear_page, garble, cut, header], ids=lambda damage: damage.__name__)
def test_whatever_is_damaged_nothing_is_invented_and_the_rest_is_kept(
    life: tuple[Life, Path], tmp_path: Path, damage: object
) -> None:
    assert callable(damage)
    dice, total = Random(12), sum(len(numbers) - life[0].released for numbers in life[0].taken.values())
    for number in range(12):
        folder = copied(life[1], tmp_path / str(number))
        for part in PARTS if number % 3 == 0 else [PARTS[number % 2]]:
            data = bytearray((folder / part).read_bytes())
            damage(data, dice)
            (folder / part).write_bytes(data)
        missing, _ = check(life[0], folder)
        if damage is not cut:
            assert missing <= total // 2


def test_the_file_gone_its_log_left(life: tuple[Life, Path], tmp_path: Path) -> None:
    for number, content in enumerate((None, b"", bytes(5_000))):
        folder = copied(life[1], tmp_path / str(number))
        (folder / "outbox.db").unlink()
        if content is not None:
            (folder / "outbox.db").write_bytes(content)
        missing, found = check(life[0], folder)
        assert missing
        assert sum(map(len, found.values())) > 100


def test_the_salvage_is_told_and_a_power_cut_in_it_costs_nothing(
    life: tuple[Life, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    folder = copied(life[1], tmp_path / "cut")
    data = bytearray((folder / "outbox.db").read_bytes())
    data[:1024] = bytes(1024)
    (folder / "outbox.db").write_bytes(data)
    rename = Path.replace
    left = 0

    def replace(path: Path, target: Path) -> Path:
        nonlocal left
        if not left:
            raise OSError(5, "the power went")
        left -= 1
        return rename(path, target)

    for steps in range(1, 4):  # it ends after so many of its steps, again and again
        left = steps if steps < 3 else 99
        with monkeypatch.context() as patch:
            patch.setattr(Path, "replace", replace)
            try:
                Outbox(folder, SetClock(BOOT_2)).close()
            except (OSError, OutboxError):
                assert steps < 3
    kept = sorted(path.name for path in folder.glob("*damaged*"))
    assert kept == ["outbox.damaged-1.db", "outbox.damaged-1.db-wal"]
    assert (folder / "outbox.damaged-1.db").read_bytes() == bytes(data)
    assert (folder / "outbox.damaged-1.db-wal").read_bytes() == (life[1] / "outbox.db-wal").read_bytes()
    assert check(life[0], folder)[0] == 0  # the first page holds no readings
    told = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert "salvaged_blocks=" in told[0].message
    assert str(folder / "outbox.damaged-1.db") in told[-1].message


def test_damage_found_while_running_is_mended_while_running(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The node goes on; what is in memory is written again; what cannot be read any more is remembered as gone."""
    monkeypatch.setattr(outbox_module, "MERGE_AT", 2 * MERGED_ROWS)
    monkeypatch.setattr(outbox_module, "MERGE", MERGED_ROWS)
    one = Life(tmp_path, 300)
    outbox, stream = one.outbox, one.streams["b1"]
    database = outbox._file._database
    database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.execute("PRAGMA cache_size = 1")
    file = tmp_path / "outbox.db"
    data = bytearray(file.read_bytes())
    blob = database.execute("SELECT data FROM block WHERE id = 2").fetchone()[0]
    at = data.index(blob)
    data[at + 30] ^= 0xFF
    with file.open("r+b") as opened:
        opened.write(data)
    seen = 0
    for name in one.taken:
        for first in range(1, 300, 10):
            try:
                outbox.batch(name, first, 10)
            except (OutboxError, LookupError):
                seen += 1
    assert seen
    one.taken[stream][301] = Reading(10**9, Why.TICK, Lid.OPEN, {"28-000000000000": 20_000})
    outbox.append([("b1", one.taken[stream][301])])
    assert outbox.write()
    assert (tmp_path / "outbox.damaged-1.db").exists()
    found = everything(outbox)
    missing = sum(len(numbers) - len(found[name]) for name, numbers in one.taken.items())
    assert 0 < missing == outbox.dropped <= MERGED_ROWS
    for name, numbers in found.items():
        assert all(one.taken[name][number] == each for number, each in numbers.items())
    assert not outbox.waiting
    outbox.close()
    again = Outbox(tmp_path, SetClock(BOOT_2))
    assert everything(again) == found
    again.close()


def test_the_clock_of_an_earlier_boot_survives_damage_and_restarts(tmp_path: Path) -> None:
    """What is gone is written in a later boot: that boot's clock is no clock of this one."""
    one = Outbox(tmp_path, SetClock(BOOT_1, boot_ms=900_000))
    stream = one.begin("b1", [A])
    for number in range(1, 200):
        one.append([("b1", reading(700_000 + number * 1_000))])
        one.write()
    one.close()
    data = bytearray((tmp_path / "outbox.db").read_bytes())
    for offset, _ in list(carve(bytes(data)))[-8:]:
        data[offset + 20] ^= 0xFF
    (tmp_path / "outbox.db").write_bytes(data)
    for number in range(3):
        again = Outbox(tmp_path, SetClock(BOOT_2, boot_ms=5_000_000 + number, utc_ms=1_800_000_000_000))
        (first, _), *_ = again.held(stream)
        assert again.batch(stream, first, 1).clock == wire.Clock(900_000, "2023-11-14T22:13:20.000Z", True)
        (gone, _), *_ = again._streams[stream].gone
        again.lost(stream, [(gone, gone)])
        again.begin("b1", [A])
        again.append([("b1", reading(5_000_000))])
        again.write()
        again.close()


# --- what is not ours, and what is older ----------------------------------------------------------------------------


def stop_text(folder: Path) -> str:
    with pytest.raises(OutboxError) as caught:
        Outbox(folder, SetClock())
    assert caught.value.exit_code == 4
    return str(caught.value).removeprefix(f"{folder / 'outbox.db'}: ")


def test_what_is_no_database_at_all_is_put_aside(tmp_path: Path) -> None:
    """It may have been an outbox whose first page is gone: the node works, and nothing is deleted."""
    contents = b"these are not the readings you are looking for\n" * 100, b"short", bytes(2_000)
    for content in contents:
        (tmp_path / "outbox.db").write_bytes(content)
        one = Outbox(tmp_path, SetClock())
        assert one.streams() == []
        one.close()
    for number, content in enumerate(contents, 1):
        assert (tmp_path / f"outbox.damaged-{number}.db").read_bytes() == content


def test_an_empty_outbox_whose_mark_is_damaged_is_known_by_its_table(tmp_path: Path) -> None:
    Outbox(tmp_path, SetClock()).close()
    data = bytearray((tmp_path / "outbox.db").read_bytes())
    data[68:72] = b"MINE"
    (tmp_path / "outbox.db").write_bytes(data)
    Outbox(tmp_path, SetClock()).close()
    assert (tmp_path / "outbox.damaged-1.db").read_bytes() == bytes(data)


def test_damage_that_breaks_sqlites_own_complaint_is_damage_too(tmp_path: Path) -> None:
    """It quotes the text of the table, which is no UTF-8 any more; Python raises something else then."""
    Outbox(tmp_path, SetClock()).close()
    data = (tmp_path / "outbox.db").read_bytes()
    for number, text in enumerate((b"\xaaREATE TABLE block (", b"CREATE TABLE bl\xaa\xffk ("), 1):
        (tmp_path / "outbox.db").write_bytes(data.replace(b"CREATE TABLE block (", text))
        Outbox(tmp_path, SetClock()).close()
        assert (tmp_path / f"outbox.damaged-{number}.db").exists()


def test_a_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "outbox.db")) as database:
        database.execute("CREATE TABLE mine (x)")
    before = (tmp_path / "outbox.db").read_bytes()
    assert stop_text(tmp_path) == "it is a database of something else. Name another folder as data_dir."
    assert (tmp_path / "outbox.db").read_bytes() == before


def test_a_file_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    Outbox(tmp_path, SetClock()).close()
    with closing(sqlite3.connect(tmp_path / "outbox.db")) as database:
        database.execute("PRAGMA user_version = 7")
    before = (tmp_path / "outbox.db").read_bytes()
    assert stop_text(tmp_path) == (
        "it was written by a newer version (format 7, this one knows 2). Install the newer version again."
    )
    assert (tmp_path / "outbox.db").read_bytes() == before


def test_a_file_whose_making_was_cut_short_is_made_again(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "outbox.db")) as database:
        database.executescript("PRAGMA page_size = 1024; PRAGMA journal_mode = WAL;")
    assert (tmp_path / "outbox.db").stat().st_size > 0
    (tmp_path / "outbox.draft").write_bytes(b"half a file")
    Outbox(tmp_path, SetClock()).close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["outbox.db", "outbox.lock"]


def version1(folder: Path) -> Path:
    """A file as release 0.1.0 left it: two boots of two basins, 3 to 5 of two streams released, all of one."""
    file = folder / "outbox.db"
    with closing(sqlite3.connect(file)) as database:
        database.executescript((Path(__file__).parent / "outbox_version1.sql").read_text())
    return file


def test_a_file_of_version_1_is_taken_over_with_everything_in_it(tmp_path: Path) -> None:
    version1(tmp_path)
    outbox = Outbox(tmp_path, SetClock("9f6c0000-0000-4000-8000-000000000003"))
    assert outbox.streams() == [
        wire.HeldStream("a" * 32, "b1", 1, 20, BOOT_1),
        wire.HeldStream("c" * 32, "b1", 1, 20, BOOT_2),
        wire.HeldStream("d" * 32, "b2", 1, 20, BOOT_2),
    ]
    found = everything(outbox)
    assert [sorted(numbers) for numbers in found.values()] == [
        [1, 2, *range(6, 21)],
        [1, 2, *range(6, 21)],
        list(range(1, 21)),
    ]
    assert found["a" * 32][7] == Reading(
        7_001, Why.TICK, Lid.OPEN, {A: 21_374, B: None}, {B: Fault("crc", "4b017f46ff1010c4aa")}
    )
    assert found["c" * 32][1] == Reading(1_001, Why.START, Lid.OPEN, {A: 21_374, B: 19_001})
    assert found["d" * 32][20] == Reading(20_002, Why.TICK, Lid.CLOSED, {B: -1_240})
    assert outbox.batch("a" * 32, 6, 5).clock == wire.Clock(20_002, "2023-11-14T22:13:40.002Z", False)
    assert outbox.batch("c" * 32, 6, 5).clock == wire.Clock(20_002, "2023-11-14T22:13:40.002Z", True)
    new = outbox.begin("b1", [A])
    outbox.append([("b1", reading(1))])
    assert outbox.write()
    outbox.close()
    again = Outbox(tmp_path, SetClock("9f6c0000-0000-4000-8000-000000000003"))
    assert everything(again) == {**found, new: {1: reading(1)}}
    again.close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["outbox.db", "outbox.lock"]


def test_a_damaged_file_of_version_1_is_put_aside(tmp_path: Path) -> None:
    """Its rows have no checksums: nothing in it can be told from what damage made."""
    file = version1(tmp_path)
    data = bytearray(file.read_bytes())
    data[1_024:] = Random(1).randbytes(len(data) - 1_024)
    file.write_bytes(data)
    outbox = Outbox(tmp_path, SetClock())
    assert outbox.streams() == []
    assert (tmp_path / "outbox.damaged-1.db").read_bytes() == bytes(data)
    outbox.close()
