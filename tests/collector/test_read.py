"""What pages and commands are told is what was sampled: added up, filtered and cut by somebody else's means."""

from __future__ import annotations

import random
from itertools import pairwise

import pandas as pd
import pytest
from kit import (
    BOOT,
    BOOT_2,
    BOOTED_UTC_MS,
    SECOND,
    SENSOR,
    Collecting,
    batch,
    clock_at,
    reading,
    soak,
    state,
    stream_id,
)

from collector.read import Backlog, Minute, Reader, StoredClosure
from soak.closure import Verdict
from soak.reading import Fault, Lid, Reading, Why

SENSORS = (SENSOR, SECOND)
END_MS = 1 << 50


def _day(chance: random.Random, most: int) -> list[Reading]:
    """Readings about a second apart, some minutes long: lids, faults, long pauses, a sensor that is unplugged."""
    readings, ms, lid, mc = [], chance.randint(1, 90_000), Lid.OPEN, {SENSOR: 20_600, SECOND: 20_900}
    for _ in range(most):
        ms += chance.choice([1_000] * 40 + [400, 1_003, 4_999, 5_001, 61_000, 400_000])
        if chance.random() < 0.01:
            lid = Lid.CLOSED if lid is Lid.OPEN else Lid.OPEN
        if chance.random() < 0.002:
            mc = {SENSOR: 20_600} if len(mc) == 2 else {SENSOR: 20_600, SECOND: 20_900}
        mc = {sensor: each + chance.choice([-62, 0, 0, 0, 63]) for sensor, each in mc.items()}
        failed = {sensor for sensor in mc if chance.random() < 0.01}
        told = {sensor: None if sensor in failed else each for sensor, each in mc.items()}
        readings.append(Reading(ms, Why.TICK, lid, told, {sensor: Fault("crc") for sensor in failed}))
    return readings


@pytest.fixture(params=[1, 2, 3])
def day(request: pytest.FixtureRequest, collecting: Collecting) -> tuple[Collecting, pd.DataFrame, list[list[Reading]]]:
    """Two boots of a node, delivered in pieces out of order, some twice; and the raw readings as a table."""
    chance = random.Random(request.param)
    boots = [(BOOT, BOOTED_UTC_MS), (BOOT_2, BOOTED_UTC_MS + 40_000_000)]
    sampled, messages = [], []
    for index, (boot, booted_utc_ms) in enumerate(boots):
        readings = _day(chance, 2_500)
        sampled.append(readings)
        cuts = sorted({0, len(readings), *chance.sample(range(1, len(readings)), 40)})
        for start, end in pairwise(cuts):
            clock = clock_at(readings[end - 1].ms, booted_utc_ms=booted_utc_ms)
            messages.append(batch(readings[start:end], start + 1, stream=stream_id(index + 1), boot=boot, clock=clock))
    messages += chance.sample(messages, 20)
    chance.shuffle(messages)
    for start in range(0, len(messages), 7):
        collecting.take(*messages[start : start + 7])
        if start % 21 == 0:
            collecting.restart()
    rows = [
        (booted_utc_ms + each.ms, sensor, mc, each.lid is Lid.OPEN)
        for readings, (_, booted_utc_ms) in zip(sampled, boots, strict=True)
        for each in readings
        for sensor, mc in each.mc.items()
    ]
    table = pd.DataFrame(rows, columns=["utc_ms", "sensor", "mc", "open"]).astype({"mc": "Int64"})
    return collecting, table, sampled


def _grouped(table: pd.DataFrame) -> dict[str, list[Minute]]:
    """The same by pandas."""
    found: dict[str, list[Minute]] = {}
    groups = table.groupby(["sensor", table["utc_ms"] // 60_000])
    summed = groups.agg(
        lowest=("mc", "min"),
        highest=("mc", "max"),
        total=("mc", "sum"),
        known=("mc", "count"),
        every=("mc", "size"),
        opened=("open", "sum"),
    )
    for (sensor, minute), row in summed.iterrows():
        known = int(row["known"])
        lowest, highest = (int(row["lowest"]), int(row["highest"])) if known else (None, None)
        mean = int(row["total"]) // known if known else None
        counts = known, int(row["every"]) - known, int(row["opened"])
        found.setdefault(sensor, []).append(Minute(int(minute), lowest, highest, mean, *counts))
    return found


def test_minutes_are_those_of_another_computation(
    day: tuple[Collecting, pd.DataFrame, list[list[Reading]]],
) -> None:
    collecting, table, _ = day
    expected = _grouped(table)
    assert set(expected) == set(SENSORS)
    with Reader(collecting.data_dir) as reader:
        assert reader.minutes(1, 0, END_MS) == expected
        first, last = expected[SENSOR][40].minute, expected[SENSOR][90].minute
        part = {
            sensor: [each for each in minutes if first <= each.minute <= last] for sensor, minutes in expected.items()
        }
        assert reader.minutes(1, first * 60_000, last * 60_000 + 1) == {key: each for key, each in part.items() if each}
        assert reader.minutes(1, first * 60_000, first * 60_000) == {}
        assert reader.minutes(2, 0, END_MS) == {}


def test_every_reading_is_told_once_in_whatever_ranges_one_asks(
    day: tuple[Collecting, pd.DataFrame, list[list[Reading]]],
) -> None:
    collecting, _, sampled = day
    boots = (BOOTED_UTC_MS, BOOTED_UTC_MS + 40_000_000)
    expected = [
        [(booted_ms + each.ms, each) for each in readings] for booted_ms, readings in zip(boots, sampled, strict=True)
    ]
    dates = sorted(utc_ms for readings in expected for utc_ms, _ in readings)
    chance = random.Random(7)
    cuts = [0, *sorted(chance.choice(dates) + chance.choice([0, 0, 1]) for _ in range(25)), END_MS]
    with Reader(collecting.data_dir) as reader:
        pieces = [each for since, until in pairwise(cuts) for each in reader.readings(1, since, until)]
        whole = list(reader.readings(1, 0, END_MS))
    by_stream = [[(utc_ms, each) for utc_ms, each in pieces if (utc_ms - each.ms == booted_ms)] for booted_ms in boots]
    assert by_stream == expected
    assert sorted(whole, key=lambda row: row[0] - row[1].ms) == [row for readings in expected for row in readings]


def test_closures_are_filtered_as_asked(day: tuple[Collecting, pd.DataFrame, list[list[Reading]]]) -> None:
    collecting, _, _ = day
    with Reader(collecting.data_dir) as reader:
        every = reader.closures(limit=100_000)
        assert len(every) > 20
        assert every == sorted(every, key=lambda stored: (-stored.closing_utc_ms, -stored.id))
        since_ms, until_ms = every[15].last_utc_ms, every[5].closing_utc_ms

        def matching(verdict: Verdict | None = None) -> list[StoredClosure]:
            return [
                each
                for each in every
                if each.last_utc_ms >= since_ms
                and each.closing_utc_ms < until_ms
                and verdict in (None, each.closure.verdict)
            ]

        assert every[15] in matching()
        assert every[5] not in matching()
        assert reader.closures(since_ms=since_ms, until_ms=until_ms) == matching()
        for verdict in Verdict:
            found = reader.closures(basin_id=1, since_ms=since_ms, until_ms=until_ms, verdict=verdict)
            assert found == matching(verdict)
        assert reader.closures(limit=3, offset=2) == every[2:5]
        assert reader.closures(basin_id=2) == []
        counted = pd.Series([each.closure.verdict.value for each in matching()]).value_counts().to_dict()
        assert reader.count_closures(since_ms=since_ms, until_ms=until_ms) == counted
        assert reader.closure(every[3].id) == every[3]
        assert reader.closure(10**6) is None


def test_superseded_closures_are_left_out_unless_asked_for(collecting: Collecting) -> None:
    readings = soak(720_000)
    collecting.take(batch(readings[:300]), batch(readings[400:], 401), state((stream_id(1), 401, 723), ms=722_000))
    collecting.take(batch(readings[300:400], 301))
    with Reader(collecting.data_dir) as reader:
        (standing,) = reader.closures()
        assert standing.superseded_by is None
        assert len(reader.closures(superseded=True)) == 3
        assert reader.count_closures() == {"met": 1}
        assert len([each for each in reader.closures(superseded=True) if each.superseded_by == standing.id]) == 2


def test_backlog_tells_how_far_what_the_nodes_hold_has_arrived(collecting: Collecting) -> None:
    readings = [reading(1_000 * number, "open") for number in range(1, 101)]
    with Reader(collecting.data_dir) as reader:
        assert reader.backlog() == Backlog(0, 0)
        collecting.take(state((stream_id(1), 1, 100), ms=100_000))
        assert reader.backlog() == Backlog(0, 100)
        collecting.take(batch(readings[50:], 51))
        assert reader.backlog() == Backlog(50, 100)
        collecting.take(batch([reading(101_000, "open")], 101))  # newer than what the state has heard of
        assert reader.backlog() == Backlog(51, 100)
        collecting.take(state((stream_id(1), 41, 101), ms=101_500))  # forty were lost, and will not come
        assert reader.backlog() == Backlog(51, 61)
        collecting.take(batch(readings[40:50], 41))
        assert reader.backlog() == Backlog(61, 61)
        collecting.take(batch(readings[:40]))  # after all
        assert reader.backlog() == Backlog(101, 101)
        collecting.take(state((stream_id(2), 1, 7), ms=102_000))
        assert reader.backlog() == Backlog(0, 7)


def test_a_reader_notices_that_something_was_committed(collecting: Collecting) -> None:
    with Reader(collecting.data_dir) as reader:
        before = reader.data_version()
        assert reader.data_version() == before
        collecting.take(batch([reading(1_000, "open")]))
        assert reader.data_version() != before
        assert reader.now()[1].number == 1


def test_parked_messages_are_told_newest_first(collecting: Collecting) -> None:
    for payload in (b"one", b"two", b"one"):
        collecting.clock.now_ms += 1_000
        collecting.take(collecting.nonsense(payload))
    with Reader(collecting.data_dir) as reader:
        assert [(each.bytes, each.times) for each in reader.parked()] == [(3, 2), (3, 1)]
        assert reader.parked(limit=1)[0].last_ms == collecting.clock.now_ms
        assert reader.parked_counts() == {"not-json": 3}


def test_nodes_are_told_as_last_heard_of(collecting: Collecting) -> None:
    collecting.take(state((stream_id(1), 1, 3), ms=4_000, outbox=3), node="n2")
    collecting.take(state(ms=4_000), node="n1")
    with Reader(collecting.data_dir) as reader:
        assert [(each.node, each.up, each.state.outbox) for each in reader.nodes()] == [
            ("n1", True, 0),
            ("n2", True, 3),
        ]
