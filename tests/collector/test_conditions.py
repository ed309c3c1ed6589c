"""Conditions, and the small file that says them: once per change, whole or not believed, and of one size."""

from __future__ import annotations

import logging
import re
import stat
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from kit import BOOTED_UTC_MS, WallClock

from collector import status
from collector.conditions import FADES_AFTER_MS, LASTING, WORDS, Condition, Conditions
from collector.status import SIZE_BYTES, Status, decoded, encoded, read, write
from host.clock import boot_id, boottime_ms


@pytest.fixture
def clock() -> WallClock:
    return WallClock(BOOTED_UTC_MS)


@pytest.fixture
def conditions(clock: WallClock) -> Conditions:
    return Conditions(clock)


def _standing(conditions: Conditions) -> list[tuple[str, str]]:
    return [(each.code, each.subject) for each in conditions.standing()]


@pytest.mark.parametrize("code", WORDS)
def test_every_condition_says_what_happened_what_it_means_and_what_to_do(code: str) -> None:
    said = Condition(code, "n1", "7 of 9", 0)
    assert all(each.endswith(".") for each in said.words[:3])
    assert "7 of 9" in said.text
    assert not re.search(r"[{}]", said.text)
    if "{subject}" in WORDS[code].happened:
        assert "n1" in said.text


def test_the_tables_speak_of_known_conditions() -> None:
    assert LASTING | FADES_AFTER_MS.keys() <= WORDS.keys()


def test_a_change_is_said_once(conditions: Conditions, clock: WallClock, caplog: pytest.LogCaptureFixture) -> None:
    for second in range(3):
        clock.now_ms = BOOTED_UTC_MS + second * 1000
        conditions.set("node-silent", "n1", f"for {second} s")
    (standing,) = conditions.standing()
    assert (standing.since_ms, standing.detail) == (BOOTED_UTC_MS, "for 2 s")
    for _ in range(2):
        conditions.clear("node-silent", subject="n1")
    assert conditions.standing() == []
    said = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
    assert said == [
        f"raised node-silent: {Condition('node-silent', 'n1', 'for 0 s', 0).text}",
        "cleared node-silent n1",
    ]


def test_what_stops_storing_comes_first(conditions: Conditions, clock: WallClock) -> None:
    for code, subject in (("overloaded", ""), ("node-silent", "n2"), ("node-silent", "n1"), ("disk-full", "")):
        conditions.set(code, subject)
        clock.now_ms += 1
    assert [code for code, _ in _standing(conditions)] == ["disk-full", "overloaded", "node-silent", "node-silent"]


def test_a_whole_kind_is_set_at_once(conditions: Conditions) -> None:
    conditions.set("overloaded")
    conditions.set_all("node-silent", {"n1": "x", "n2": "x"})
    conditions.set_all("node-silent", {"n2": "x", "n3": "x"})
    assert sorted(_standing(conditions)) == [("node-silent", "n2"), ("node-silent", "n3"), ("overloaded", "")]


def test_what_happened_once_fades(conditions: Conditions, clock: WallClock) -> None:
    conditions.set("cloned-node", "n1")
    conditions.set("disk-full")
    clock.now_ms += 3_000_000
    conditions.set("cloned-node", "n1")
    clock.now_ms += 3_000_000
    conditions.fade()
    assert len(conditions.standing()) == 2
    clock.now_ms += 700_000
    conditions.fade()
    assert _standing(conditions) == [("disk-full", "")]


def test_many_threads_may_speak(conditions: Conditions) -> None:
    def speak(name: str) -> None:
        for _ in range(300):
            conditions.set("node-silent", name)
            conditions.standing()
            conditions.clear("node-silent", subject=name)

    threads = [threading.Thread(target=speak, args=(f"n{number}",)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert conditions.standing() == []


# The file


def _status(*conditions: Condition, beat_ms: int | None = None, running: bool = True) -> Status:
    now_ms = boottime_ms() if beat_ms is None else beat_ms
    return Status("epoch", "run", running, boot_id(), now_ms, BOOTED_UTC_MS, None, list(conditions))


def test_it_is_overwritten_in_place_and_always_of_one_size(tmp_path: Path) -> None:
    full = Condition("disk-full", "", "database or disk is full", BOOTED_UTC_MS)
    assert write(tmp_path, _status())
    file = (tmp_path / status.FILE_NAME).stat()
    assert write(tmp_path, _status(full))
    again = (tmp_path / status.FILE_NAME).stat()
    assert (again.st_ino, again.st_size, file.st_size) == (file.st_ino, SIZE_BYTES, SIZE_BYTES)
    assert stat.S_IMODE(again.st_mode) & 0o022 == 0
    seen = read(tmp_path)
    assert seen.problem == ""
    assert seen.status
    assert seen.status.conditions == [full]


def test_a_thousand_conditions_are_cut_to_what_fits_and_the_rest_is_counted() -> None:
    many = [Condition("node-silent", f"n{number}", "for more than 30 s" * 9, BOOTED_UTC_MS) for number in range(1_000)]
    content = encoded(_status(*many))
    assert len(content) == SIZE_BYTES
    found = decoded(content)
    assert found
    assert len(found.conditions) + found.left_out == 1_000
    assert found.conditions == many[: len(found.conditions)] != []
    huge = decoded(encoded(_status(Condition("disk-full", "", "x" * 10_000, 0))))
    assert huge
    assert (huge.conditions, huge.left_out) == ([], 1)


def test_any_changed_byte_is_noticed() -> None:
    content = encoded(_status())
    assert decoded(content)
    for place in range(0, SIZE_BYTES, 7):
        assert decoded(content[:place] + bytes([content[place] ^ 0xFF]) + content[place + 1 :]) is None
    for wrong in (b"", content[:-1], content + b" ", content.replace(b'"epoch"', b'"Epoch"', 1)):
        assert decoded(wrong) is None


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (lambda folder: write(folder, _status(running=False)), "It was stopped."),
        (
            lambda folder: write(folder, _status(beat_ms=boottime_ms() - 30_000)),
            "It has said nothing for more than 10 s.",
        ),
        (lambda folder: (folder / status.FILE_NAME).mkdir(), "collector.status in its data folder cannot be read"),
        (lambda _: None, "There is no collector.status in its data folder."),
        (
            lambda folder: (folder / status.FILE_NAME).write_text("{}"),
            "collector.status in its data folder is damaged.",
        ),
    ],
    ids=["stopped", "old", "folder", "missing", "damaged"],
)
def test_what_cannot_be_believed_says_why(tmp_path: Path, change: Callable[[Path], object], problem: str) -> None:
    change(tmp_path)
    assert read(tmp_path).problem.startswith(problem)


def test_another_start_of_the_machine_is_not_this_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, _status())
    monkeypatch.setattr(status, "boot_id", lambda: "another")
    assert read(tmp_path).problem == "This machine has started anew since it last said anything."


def test_where_it_cannot_be_written_nothing_breaks(tmp_path: Path) -> None:
    assert not write(tmp_path / "none", _status())
    (tmp_path / status.FILE_NAME).symlink_to(tmp_path / "elsewhere")
    assert not write(tmp_path, _status())
    assert not (tmp_path / "elsewhere").exists()
