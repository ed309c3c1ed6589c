"""A soak whose sensor's check was overdue says so, and says the same when it is judged again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from kit import BOOTED_UTC_MS, SENSOR, Collecting, batch, reading, soak
from record_kit import DAY_MS

from collector.judging import judge_again
from collector.record import shelf
from collector.record.things import SensorCheck
from collector.required import Required, timeline
from collector.store import Store
from soak.closure import Finding
from soak.requirement import Requirement, SensorTerms

CLOSED_UTC_MS = BOOTED_UTC_MS + 2_000


@pytest.fixture
def collecting(tmp_path: Path) -> Iterator[Collecting]:
    """A collector without its broker, for one basin."""
    one = Collecting(tmp_path / "data")
    yield one
    one.close()


def a_check(**more: Any) -> SensorCheck:
    fixed = {"sensor": SENSOR, "basin": "n1/b1", "at_ms": 1, "by": "tina", "reference": "R-4", "u_mc": 300}
    return SensorCheck(**{"id": "C1", "correction_mc": 0, **fixed, **more})


def required(until_ms: int) -> list[Required]:
    return [Required(0, Requirement(20_000, 60_000), {SENSOR: SensorTerms(300)}, {SENSOR: until_ms})]


def soaked(collecting: Collecting) -> Store:
    readings = [reading(1_000, "open"), *soak(730_000, start_ms=2_000)]
    collecting.take(batch(readings))
    return collecting.store


@pytest.mark.parametrize(
    ("late_ms", "words"),
    [
        (0, None),
        (1, "1 ms"),
        (5 * 3_600_000, "5 h"),
        (DAY_MS, "1 day"),
        (3 * DAY_MS + 1, "3 days"),
    ],
)
def test_overdue_at_the_closing_counts(collecting: Collecting, late_ms: int, words: str | None) -> None:
    """To the millisecond: on the last one of its last day it holds."""
    soaked(collecting)
    (row,) = collecting.rows("SELECT stream FROM stream")
    stream = collecting.store.stream(row[0])
    assert stream
    with collecting.store.transaction():
        judge_again(collecting.store, stream, required(CLOSED_UTC_MS - late_ms), 2, 732)
    found = [each for each in collecting.closures()[0].closure.findings if each.code == "check-overdue"]
    if words is None:
        assert found == []
        return
    text = f"The check of sensor {SENSOR} had been overdue for {words}: its U is not known to hold."
    assert found == [Finding("check-overdue", text, None, {"overdue_ms": late_ms})]


def test_the_whole_way_from_a_check_on_record(collecting: Collecting) -> None:
    """The collector reads the check from the record, judges by its U, and finds it overdue; the verdict stays met.
    Judged again, also with a check that was made later, it says the same."""
    check = a_check(until_ms=CLOSED_UTC_MS - DAY_MS)
    put(collecting, check)
    soaked(collecting)
    closure = collecting.closures()[0].closure
    assert (closure.verdict.value, [each.code for each in closure.findings]) == ("met", ["check-overdue"])
    assert closure.allowance_mc == 21_000 - 20_000 - 300
    put(collecting, a_check(id="C2", at_ms=CLOSED_UTC_MS + DAY_MS, until_ms=CLOSED_UTC_MS + 400 * DAY_MS))
    (row,) = collecting.rows("SELECT stream FROM stream")
    stream = collecting.store.stream(row[0])
    assert stream
    with collecting.store.transaction():
        judge_again(collecting.store, stream, collecting.store.required(stream.basin_id), 2, 732)
    assert [each.closure for each in collecting.closures(superseded=True)] == [closure]


def put(collecting: Collecting, check: SensorCheck) -> None:
    with collecting.store.transaction():
        content = msgspec.to_builtins(check)
        shelf.write(collecting.store.db.conn, 1, {SensorCheck.KIND: {check.id: content}})
    collecting.restart()


def test_a_check_that_does_not_count_changes_neither_terms_nor_day() -> None:
    base = [Required(0, Requirement(20_000, 60_000), {SENSOR: SensorTerms(579)})]
    good, void = a_check(at_ms=100, until_ms=900), a_check(id="C2", at_ms=200, u_mc=90, void="overdue")
    expected = [base[0], Required(100, base[0].requirement, {SENSOR: SensorTerms(300)}, {SENSOR: 900})]
    assert timeline(base, [], [good, void]) == expected


def test_a_check_that_only_moves_the_day_is_a_change() -> None:
    base = [Required(0, Requirement(20_000, 60_000), {SENSOR: SensorTerms(300)})]
    found = timeline(base, [], [a_check(at_ms=100, until_ms=900), a_check(id="C2", at_ms=200, until_ms=1_900)])
    assert [(each.since_ms, each.until_ms) for each in found] == [(0, {}), (100, {SENSOR: 900}), (200, {SENSOR: 1_900})]
