"""Past days: dense numbers, rising times, the same bytes each time, and verdicts that agree with the truth."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterator

import pytest

from firmware.simulator.basin import Bath, Shape
from firmware.simulator.history import History, make_history
from firmware.simulator.past import PastStream
from firmware.simulator.scenario import PlayedBasin
from firmware.simulator.script import DAY_MS, Habits, Mistake
from soak.closure import Closure, Verdict
from soak.exposure import Meter
from soak.quantity import utc_ms
from soak.reading import Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms
from soak.uncertainty import unchecked_u_mc
from soak.wire import Batch, Topic, decode, encode

END_MS = 1_790_000_000_000
BASINS = {
    "b1": (PlayedBasin("b1", "one", Habits(720_000, loads_a_day=12)), ("28-000000000001",)),
    "b2": (
        PlayedBasin("b2", "two", Habits(900_000, loads_a_day=12, sensors=2), offsets_mc=(100, -50)),
        ("28-000000000002", "28-000000000003"),
    ),
    "b3": (
        PlayedBasin(
            "b3",
            "warm",
            Habits(300_000, loads_a_day=12, load_mc=(28_000, 33_000)),
            shape=Shape(cooling_s=5_000, mixing_s=90, load_share=0.08, bath=Bath(36_500)),
            solution_mc=36_400,
        ),
        ("28-000000000004",),
    ),
}
REQUIREMENTS = {
    "b1": Requirement(20_000, 720_000),
    "b2": Requirement(20_000, 900_000),
    "b3": Requirement(35_000, 300_000, 37_800),
}


def history(days: int = 2, seed: int = 1, **more: object) -> History:
    return make_history("node", BASINS, seed=seed, days=days, end_ms=END_MS, utc_offset_ms=3_600_000, **more)  # type: ignore[arg-type]


def batches(source: History, stream: str, most: int = 1_000) -> Iterator[Batch]:
    first, newest = 1, source.past[stream].newest
    while first <= newest:
        batch = source.batch(stream, first, most)
        yield batch
        first = batch.last + 1


def readings(source: History, stream: str) -> list[Reading]:
    return [reading for batch in batches(source, stream) for reading in batch.readings]


def test_streams_are_listed_in_full_from_the_start_and_cover_the_days() -> None:
    source = history(9)
    held = source.streams()
    assert {each.basin for each in held} == {"b1", "b2", "b3"}
    assert all(each.oldest == 1 for each in held)
    assert len({each.stream for each in held}) == len(held) > 6
    seconds = sum(each.newest for each in held) / 3
    assert 0.97 * 9 * 86_400 < seconds < 1.02 * 9 * 86_400
    boots = list(dict.fromkeys(source.past[each.stream].boot for each in held))
    assert boots[-1].end_ms == END_MS
    assert all(before.end_ms < after.booted_ms < after.first_ms for before, after in itertools.pairwise(boots))
    assert any(boot.cut for boot in boots)


@pytest.mark.parametrize("most", [1_000, 37, 1])
def test_numbers_are_dense_times_rise_and_messages_are_taken_in(most: int) -> None:
    source = history(1)
    held = source.streams()[0]
    before, count = -1, 0
    for batch in itertools.islice(batches(source, held.stream, most), 2_000):
        assert batch.first == count + 1
        assert len(batch.readings) == min(most, held.newest - count)
        count += len(batch.readings)
        for reading in batch.readings:
            assert before < reading.ms < before + 1_100 or before < 0
            before = reading.ms
        assert decode(Topic.READINGS, encode(batch)) == batch
    if most == 1_000:
        assert count == held.newest
        batch = source.batch(held.stream, held.newest, 1)
        assert END_MS - 2_500 < utc_ms(batch.clock.utc) < END_MS


def test_the_same_numbers_give_the_same_bytes_wherever_a_batch_begins() -> None:
    one, two = history(), history()
    for held in one.streams():
        last = one.past[held.stream].newest
        for first in (1, 1_000, 40_123, last // 2, last - 5):
            assert encode(one.batch(held.stream, first, 400)) == encode(two.batch(held.stream, first, 400))
            whole = one.batch(held.stream, first, 400).readings
            shifted = two.batch(held.stream, first + 3, 100).readings
            assert whole[3 : 3 + len(shifted)] == shifted[: len(whole) - 3]
    assert one.streams() == two.streams()
    assert one.streams() != history(seed=2).streams()


def test_backwards_gives_the_same_as_forwards() -> None:
    """Sent again in any order: temperatures do not depend on what was asked for before."""
    one, two = history(1), history(1)
    [stream, *_] = one.past
    firsts = list(range(1, one.past[stream].newest, 10_000))
    forwards = [encode(one.batch(stream, first, 50)) for first in firsts]
    assert [encode(two.batch(stream, first, 50)) for first in reversed(firsts)] == forwards[::-1]


def test_readings_between_the_ticks_are_lid_and_button() -> None:
    source = history(1)
    for held in source.streams():
        taken = readings(source, held.stream)
        why = Counter(reading.why for reading in taken)
        assert taken[0].why is Why.START
        assert why[Why.START] == 1
        assert why[Why.LID] > 10
        lids = [source.past[held.stream].lid] + [reading.lid for reading in taken if reading.why is Why.LID]
        assert all(before is not after for before, after in itertools.pairwise(lids))
        for before, after in itertools.pairwise(taken):
            assert before.lid is after.lid or after.why is Why.LID
        closed = sum(reading.lid is Lid.CLOSED for reading in taken)
        assert closed > 0.9 * len(taken)


def test_released_numbers_are_not_held_and_a_finished_stream_goes() -> None:
    finished: list[str] = []
    source = history(1, on_finished=finished.append)
    held = source.streams()[0]
    source.release(held.stream, [(1, 500), (701, 900)])
    assert source.streams()[0].oldest == 501
    assert list(source.held(held.stream)) == [(501, 700), (901, held.newest)]
    source.release(held.stream, [(1, 900)])
    assert source.streams()[0].oldest == 901
    assert not finished
    source.release(held.stream, [(901, held.newest + 10)])
    assert finished == [held.stream]
    assert held.stream not in {each.stream for each in source.streams()}
    assert not list(source.held(held.stream))
    source.release(held.stream, [(1, 5)])
    source.release("0" * 32, [(1, 5)])
    again = history(1, finished=finished)
    assert held.stream not in {each.stream for each in again.streams()}
    assert len(again.streams()) == 2


def test_what_does_not_exist_is_refused() -> None:
    source = history(1)
    held = source.streams()[0]
    for stream, first in ((held.stream, 0), (held.stream, held.newest + 1), ("0" * 32, 1)):
        with pytest.raises(ValueError, match="has no reading"):
            source.batch(stream, first, 10)
    assert not history(0).streams()


def number_at(past: PastStream, ms: int) -> int:
    """About the number of the reading at a time: ticks and moves before it."""
    ticks = min(max((ms - past.first_ms) // 1000, 0), past.ticks)
    return min(max(1 + ticks + sum(moved.ms <= ms for moved in past.moves), 1), past.newest)


def judged(source: History) -> Iterator[tuple[str, tuple[Mistake, ...], Closure]]:
    """Every load with a closing of its own, beside the closure that the rule found; from a minute before to after."""
    for past in source.past.values():
        terms = dict.fromkeys(BASINS[past.basin][1], SensorTerms(unchecked_u_mc()))
        for load in past.loads:
            meter = Meter(REQUIREMENTS[past.basin], terms)
            number, last = number_at(past, load.closed_ms - 60_000), number_at(past, load.opened_ms + 60_000)
            found = []
            while number <= last:
                for reading in source.batch(past.stream, number, last - number + 1).readings:
                    found.append(meter.feed(number, reading))
                    number += 1
            found.append(meter.end())
            yield from (
                (past.basin, load.mistakes, closure)
                for closure in found
                if closure and abs(closure.closing_ms - load.closed_ms) < 1_000
            )


def test_the_rule_finds_what_truly_happened() -> None:
    """Good loads are met and spoilt ones not: rule and script agree, with nothing in common but the readings."""
    verdicts = Counter(
        (mistakes[0] if len(mistakes) == 1 else mistakes and "several", closure.verdict)
        for _, mistakes, closure in judged(history(14, seed=3))
    )
    assert verdicts[(), Verdict.MET] > 200
    assert not any(verdicts[(), verdict] for verdict in (Verdict.NOT_MET, Verdict.UNPROVEN))
    assert verdicts[Mistake.OPENED_EARLY, Verdict.NOT_MET] > 5
    assert not verdicts[Mistake.OPENED_EARLY, Verdict.MET]
    assert verdicts[Mistake.UNPLUGGED, Verdict.UNPROVEN] > 0
    assert not verdicts[Mistake.UNPLUGGED, Verdict.MET]
    assert verdicts[Mistake.COLD_LOAD, Verdict.NOT_MET] > 0
    assert verdicts[Mistake.POWER_CUT, Verdict.UNPROVEN] > 0
    assert not verdicts[Mistake.POWER_CUT, Verdict.NOT_MET]


def test_troubles_leave_named_faults() -> None:
    source = history(8, seed=3)
    codes: Counter[str] = Counter()
    for held in source.streams():
        for reading in readings(source, held.stream):
            for sensor, fault in reading.fault.items():
                assert reading.mc[sensor] is None
                codes[fault.code] += 1
    assert codes["starting"] >= len(source.streams())
    assert codes["no-answer"] > 20
    assert codes["unplugged"] > 20
    assert {"crc", "power-on"} & {*codes}
    assert sum(codes.values()) < 0.01 * 3 * 8 * DAY_MS / 1000
