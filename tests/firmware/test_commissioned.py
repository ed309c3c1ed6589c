"""A node says how it was commissioned, and names a sensor whose id was mistyped; neither keeps it from its work."""

from __future__ import annotations

import logging
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from commission_kit import ROOM, A, clock, folder, settings_text
from msgspec.structs import replace
from node_kit import Receiver, Running, Tree

from firmware.commissioned import FILE_NAME, MOST_BYTES, file_commissioned, filed
from firmware.commissioning.results import SKIPPED, Results, commissioned, summary
from firmware.misnamed import LOOK_S, MisnamedWatch
from firmware.ownership import own_folder
from firmware.settings import load
from firmware.simulator.clinic import node_names, write_settings
from firmware.simulator.commissioned import SKIPPED_AT, commission_once
from host.doctor import Mark
from soak.quantity import utc_text
from soak.wire import MOST_CHECKS, CommissionCheck, Commissioned

DONE = Commissioned(
    "0" * 32,
    "2026-03-01T15:02:11.000Z",
    synced=True,
    by="R. Castell",
    version="0.2.0",
    checks=[CommissionCheck("bus", "good", "1 sensor.")],
)


def test_it_says_its_commissioning_and_the_sensor_that_is_misnamed(
    tmp_path: Path,
    broker_port: int,
    receiver: Callable[..., Receiver],
    wait_until: Callable[..., None],
    pins: object,
    caplog: pytest.LogCaptureFixture,
) -> None:
    Tree(tmp_path / "w1").set(A, ROOM)
    file = folder(tmp_path, settings_text(broker_port, node="commissioned-1", first="28-00000000001a"))
    file_commissioned(tmp_path / "data", DONE)
    ear = receiver(broker_port, "commissioned-1")
    with caplog.at_level(logging.WARNING):
        running = Running(load(file), clock())
        try:
            wait_until(lambda: ear.states and ear.states[-1].troubles)
            wait_until(lambda: ear.count() > 2)
        finally:
            running.stop()
    assert running.failure is None
    said = [state for state in ear.states if state.up][-1]
    assert said.commissioned == DONE
    text = f"sensor 28-00000000001a of basin b1 is not on the bus; {A} is, and is in no basin: one digit differs. "
    assert f"{text}Correct `sensors` of basin b1" in said.troubles
    assert caplog.text.count("one digit differs") == 1


def test_a_file_that_cannot_be_used_is_a_trouble_and_nothing_more(tmp_path: Path) -> None:
    assert filed(tmp_path) == filed(tmp_path / "none")
    assert filed(tmp_path).commissioned is None
    (tmp_path / FILE_NAME).write_text('{"id": 1}')
    found = filed(tmp_path)
    assert found.commissioned is None
    assert found.trouble.startswith("the file of its commissioning cannot be used")
    (tmp_path / FILE_NAME).write_bytes(b" " * (MOST_BYTES + 10))
    assert filed(tmp_path).trouble


def test_what_is_too_large_to_travel_is_not_filed(tmp_path: Path) -> None:
    file_commissioned(tmp_path, DONE)
    long = [CommissionCheck("sensor", "good", "é" * 200, "b1")] * MOST_CHECKS
    with pytest.raises(ValueError, match="at most"):
        file_commissioned(tmp_path, replace(DONE, checks=long))
    with pytest.raises(ValueError, match="length"):
        file_commissioned(tmp_path, replace(DONE, by="n" * 61))
    assert filed(tmp_path).commissioned == DONE


def test_what_an_administrator_writes_belongs_to_the_nodes_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[tuple[Path, int, int]] = []
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr("os.chown", lambda path, uid, gid, **_: given.append((path, uid, gid)))
    owner = tmp_path.stat()
    own_folder(tmp_path / "node")
    own_folder(tmp_path / "node")
    file_commissioned(tmp_path / "node", DONE)
    whose = (owner.st_uid, owner.st_gid)
    assert given == [(tmp_path / "node", *whose), (tmp_path / "node" / FILE_NAME, *whose)]
    assert stat.S_IMODE((tmp_path / "node").stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "node" / FILE_NAME).stat().st_mode) == 0o600


def test_the_bus_is_looked_at_now_and_then_and_a_mended_name_is_forgotten(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    tree, now_s = Tree(tmp_path / "w1"), [0.0]
    file = folder(tmp_path, settings_text(1, first="28-00000000001a"))
    watch = MisnamedWatch(load(file), lambda: now_s[0])
    assert watch.troubles() == []
    tree.set(A, ROOM)
    assert watch.troubles() == []
    now_s[0] = LOOK_S
    assert len(watch.troubles()) == 1
    now_s[0] = 2 * LOOK_S
    assert len(watch.troubles()) == 1
    assert caplog.text.count("one digit differs") == 1
    tree.set("28-00000000001a", ROOM)
    now_s[0] = 3 * LOOK_S
    assert watch.troubles() == []


def test_skipped_is_never_good_and_long_texts_are_cut() -> None:
    told: list[str] = []
    results = Results(told.append)
    results.add("disk", Mark.GOOD, "room.")
    results.add("clock", Mark.NOTE, "x" * 300, "Do\nthis.")
    results.skip("lid", "b1")
    results.unseen("pins", "no pins.")
    assert [each.mark for each in results.checks] == ["good", "note", SKIPPED, "not seen"]
    assert [each.code for each in results.not_good()] == ["lid", "pins"]
    assert len(results.checks[1].said) == 200
    assert summary(results) == "4 checks: 1 good, 1 note, 1 skipped, 1 not seen."
    one = commissioned(results, "R. Castell", "0.2.0", clock())
    other = commissioned(results, "R. Castell", "0.2.0", clock())
    assert one.id != other.id
    assert one.at.startswith("2023-11-14T22:13:")


def test_simulated_nodes_were_commissioned_through_the_same_code_and_one_buzzer_was_skipped(tmp_path: Path) -> None:
    now_ms = 1_790_000_000_000
    write_settings(tmp_path, 1, first_ms=now_ms)
    for node in node_names():
        settings = load(tmp_path / node / "node.toml")
        commission_once(settings, now_ms)
        found = filed(tmp_path / node).commissioned
        assert found is not None
        commission_once(settings, now_ms + 1)
        assert filed(tmp_path / node).commissioned == found, "once"
        assert found.at == utc_text(now_ms)
        codes = [each.code for each in found.checks if each.mark != "good"]
        assert codes == (["buzzer"] if node == SKIPPED_AT else []), found
        assert sum(each.code == "sensor" for each in found.checks) == sum(len(one.sensors) for one in settings.basins)
    assert SKIPPED_AT in node_names()
