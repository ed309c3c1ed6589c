"""What nodes say of their commissioning goes into the ledger once, and stays what it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from kit import BOOT, BOOTED_UTC_MS, Collecting, arrived, clock_at
from msgspec.structs import replace

from collector import rebuild_command, verify_command
from collector.commissionings import MOST_A_DAY, last_commissioned
from collector.intake import Arrived
from collector.machine import NodeCommissioned
from collector.read import Reader
from soak.decoding import from_json
from soak.wire import CommissionCheck, Commissioned, State, Topic, UnreadableError, decode, encode

AT = "2026-03-01T15:02:11.000Z"
DONE = Commissioned(
    "0" * 32,
    AT,
    synced=True,
    by="R. Castell",
    version="0.2.0",
    checks=[CommissionCheck("bus", "good", "1 sensor."), CommissionCheck("lid", "skipped", "not tried.", "b1")],
    figures={"broker-answer-ms": 14},
)


def says(commissioned: Commissioned | None, ms: int, node: str = "n1") -> Arrived:
    return arrived(State(True, "0.2.0", BOOT, clock_at(ms), commissioned=commissioned), node)


def on_record(collecting: Collecting) -> list[NodeCommissioned]:
    rows = collecting.rows("SELECT body FROM ledger WHERE kind = 'node-commissioned' ORDER BY number")
    return [from_json(body, NodeCommissioned) for (body,) in rows]


def test_it_is_recorded_once_however_often_it_is_said(collecting: Collecting) -> None:
    for ms in range(1_000, 6_000, 1_000):
        collecting.take(says(DONE, ms))
    collecting.restart()
    collecting.take(says(DONE, 7_000))
    (one,) = on_record(collecting)
    assert one == NodeCommissioned("n1", BOOTED_UTC_MS - 61_069_000, DONE)
    with Reader(collecting.data_dir) as reader:
        (known,) = reader.nodes()
        assert known.state.commissioned is None, "the ledger has it; a row that is written every ten seconds need not"


def test_another_commissioning_and_another_node_are_other_records(collecting: Collecting) -> None:
    again = replace(DONE, id="1" * 32, by="another")
    collecting.take(says(DONE, 1_000), says(DONE, 1_000, "n2"), says(again, 2_000), says(None, 3_000))
    collecting.take(says(DONE, 4_000))  # an older card put back: that one is on record
    assert [(one.node, one.commissioned.id[0]) for one in on_record(collecting)] == [
        ("n1", "0"),
        ("n2", "0"),
        ("n1", "1"),
    ]
    with Reader(collecting.data_dir) as reader:
        last = last_commissioned(reader.connection)
    assert {node: said.commissioned.by for node, (_, said) in last.items()} == {"n1": "another", "n2": "R. Castell"}


def test_a_node_gone_mad_does_not_fill_the_ledger(collecting: Collecting, caplog: pytest.LogCaptureFixture) -> None:
    for count in range(MOST_A_DAY + 5):
        collecting.take(says(replace(DONE, id=f"{count:032x}"), 1_000 + count))
    assert len(on_record(collecting)) == MOST_A_DAY
    assert "commissioning not recorded node=n1" in caplog.text


def test_one_that_is_far_too_large_is_left_out(collecting: Collecting, caplog: pytest.LogCaptureFixture) -> None:
    large = replace(DONE, checks=[CommissionCheck("bus", "good", "\U0001f4a7" * 200)] * 150, id="2" * 32)
    collecting.take(says(large, 1_000))
    assert on_record(collecting) == []
    assert "more than 65536 bytes" in caplog.text
    collecting.take(says(DONE, 2_000))
    assert len(on_record(collecting)) == 1


def test_what_did_not_hold_is_recorded_at_the_next_word(
    collecting: Collecting, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError

    with monkeypatch.context() as patch:
        patch.setattr(collecting.intake._latest, "write", fails)
        with pytest.raises(RuntimeError):
            collecting.intake.take([says(DONE, 1_000)])
    assert on_record(collecting) == []
    collecting.take(says(DONE, 2_000))
    assert len(on_record(collecting)) == 1


def test_a_clock_far_ahead_dates_nothing_outside_the_calendar(collecting: Collecting) -> None:
    collecting.take(says(replace(DONE, at="9999-12-31T23:59:59.999Z"), 1_000))
    collecting.take(says(replace(DONE, at="0001-01-01T00:00:00.000Z", id="1" * 32), 2_000))
    first, second = on_record(collecting)
    assert first.at_utc_ms < BOOTED_UTC_MS + 10 * 86_400_000
    assert second.at_utc_ms == 0


def test_rebuilding_and_verifying_know_it(tmp_path: Path) -> None:
    collecting = Collecting(tmp_path / "data")
    collecting.take(says(DONE, 1_000))
    collecting.close()
    for command in (rebuild_command.command, verify_command.command):
        result = CliRunner().invoke(command, ["--data", str(tmp_path / "data")])
        assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    "changed",
    [
        {"id": "x"},
        {"by": "n" * 61},
        {"by": "two\nlines"},
        {"at": "yesterday"},
        {"at": "2026-13-01T15:02:11.000Z"},
        {"checks": [CommissionCheck("bus", "good", "s" * 201)]},
        {"checks": [CommissionCheck("Bus", "good", "")]},
        {"checks": [CommissionCheck("bus", "good", "")] * 151},
        {"figures": {str(number): 1 for number in range(51)}},
    ],
)
def test_every_field_is_bounded(changed: dict[str, Any]) -> None:
    state = State(True, "0.2.0", BOOT, clock_at(1_000), commissioned=replace(DONE, **changed))
    with pytest.raises(UnreadableError):
        decode(Topic.STATE, encode(state))


def test_a_word_of_a_newer_version_does_not_keep_its_node_out() -> None:
    newer = replace(DONE, checks=[CommissionCheck("camera", "half good", "it blinks.")])
    state = State(True, "0.3.0", BOOT, clock_at(1_000), commissioned=newer)
    assert decode(Topic.STATE, encode(state)) == state
