"""What must hold for every stream, drawn near the limits. The oracle is a second, slow computation of the same rule."""

from __future__ import annotations

import random
from dataclasses import replace

import msgspec
import oracle
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from meterside import as_result, fed, meter_for, metered, reading
from oracle import Force, Need, Row, Terms
from streams import MIN_MC, SENSORS, Case, cases

from soak.closure import Closure, Verdict
from soak.exposure import Meter, MeterState, OutOfOrderError
from soak.ranges import Ranges

often = settings(max_examples=1_000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""Where a wrong answer hurts: a patient gets a device that was not disinfected, or evidence changes."""
enough = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])

RANK = {Verdict.NOT_MET: 0, Verdict.UNPROVEN: 1, Verdict.MET: 2}


def closures_of(case: Case) -> list[Closure]:
    return metered(case.rows, case.force, case.newer_stream)


def met_spans(closures: list[Closure]) -> list[tuple[int, int]]:
    return [(closure.first, closure.last) for closure in closures if closure.verdict is Verdict.MET]


def allowed(mc: int | None) -> float:
    return float("-inf") if mc is None else mc


@often
@given(cases())
def test_the_meter_agrees_with_the_oracle(case: Case) -> None:
    """In every field, on streams with faults, gaps, lost numbers, one to three sensors, with and without a maximum."""
    results = oracle.assess(case.rows, case.force, case.newer_stream)
    assert [as_result(closure) for closure in closures_of(case)] == results


@enough
@given(cases(most=40, lost=False))
def test_the_meter_agrees_with_the_oracle_on_longer_streams(case: Case) -> None:
    assert [as_result(c) for c in closures_of(case)] == oracle.assess(case.rows, case.force, case.newer_stream)


@enough
@given(cases(), st.lists(st.tuples(st.integers(1, 16), st.booleans(), st.sampled_from([0, 600, -1])), max_size=4))
def test_the_meter_agrees_with_the_oracle_when_orders_change(case: Case, changes: list[tuple[int, bool, int]]) -> None:
    """The requirement and terms in force at the closing reading judge the whole closure.

    A change takes the requirement away or makes every U larger by 600 m°C or the longest pause longer by 1 ms.
    """

    def at(number: int) -> Force:
        force = case.force
        for before, required, more in sorted(changes):
            if before <= number:
                sensors = {s: Terms(t.u_mc + max(more, 0), t.correction_mc) for s, t in case.force.sensors.items()}
                need = replace(case.need, max_gap_ms=case.need.max_gap_ms - min(more, 0))
                force = Force(need if required else None, sensors)
        return force

    results = oracle.assess(case.rows, at, case.newer_stream)
    assert [as_result(c) for c in metered(case.rows, at, case.newer_stream)] == results


@often
@given(cases(), st.data())
def test_losing_readings_never_helps(case: Case, data: st.DataObject) -> None:
    """What is met without some readings was met with them, in a closure that spans it: loss can only take away."""
    lost = data.draw(st.integers(0, 2**20 - 1)) & data.draw(
        st.integers(0, 2**20 - 1)
    )  # each with a chance of one in four
    kept = [row for index, row in enumerate(case.rows) if not lost >> index & 1]
    whole = met_spans(closures_of(case))
    for first, last in met_spans(metered(kept, case.force, case.newer_stream)):
        assert any(begin <= first and last <= end for begin, end in whole)


@often
@given(cases(lost=False), st.data())
def test_losing_one_reading_of_a_stream_that_is_not_met_never_makes_it_met(case: Case, data: st.DataObject) -> None:
    """The sharpest form: exactly one reading is lost, and it may be the only one that was cold."""
    assume(case.rows)
    lost = data.draw(st.sampled_from(case.rows))
    kept = [row for row in case.rows if row is not lost]
    if not met_spans(closures_of(case)):
        assert not met_spans(metered(kept, case.force, case.newer_stream))


@enough
@given(cases(lost=False), st.randoms(use_true_random=False))
def test_order_and_repeats_of_delivery_change_nothing(case: Case, rng: random.Random) -> None:
    """Readings that come in any order, some twice, and are handed on as their numbers allow, give the same closures."""
    deliveries = case.rows + rng.choices(case.rows, k=len(case.rows))
    rng.shuffle(deliveries)
    meter, have, waiting = meter_for(case.force), Ranges(), {}
    following, closures = case.rows[0].number, []
    for row in deliveries:
        if row.number in have:
            continue
        have.add(row.number, row.number)
        waiting[row.number] = row
        while following in waiting:
            closures += fed(meter, [waiting.pop(following)])
            following += 1
    last = meter.end() if case.newer_stream else meter.running()
    assert closures + ([last] if last else []) == closures_of(case)


@enough
@given(cases(), st.data())
def test_a_repeated_or_late_reading_is_refused_and_changes_nothing(case: Case, data: st.DataObject) -> None:
    """Whoever feeds the meter wrongly is told, and what it knew stays as it was."""
    cut = data.draw(st.integers(1, len(case.rows)))
    again = data.draw(st.sampled_from(case.rows[:cut]))
    meter = meter_for(case.force)
    closures = fed(meter, case.rows[:cut])
    before = meter.state()
    with pytest.raises(OutOfOrderError):
        meter.feed(again.number, reading(again))
    newest = case.rows[cut - 1]
    with pytest.raises(OutOfOrderError):  # the next number, but time stands still
        meter.feed(newest.number + 1, reading(replace(newest, number=newest.number + 1)))
    assert meter.state() == before
    closures += fed(meter, case.rows[cut:])
    last = meter.end() if case.newer_stream else meter.running()
    assert closures + ([last] if last else []) == closures_of(case)


@enough
@given(cases(), st.sampled_from([1, 999, 2**40]))
def test_shifting_the_clock_changes_nothing(case: Case, shift_ms: int) -> None:
    """Only differences of the uninterrupted clock count; everything but the moments themselves stays."""
    shifted = replace(case, rows=[replace(row, ms=row.ms + shift_ms) for row in case.rows])

    def back(ms: int | None) -> int | None:
        return None if ms is None else ms - shift_ms

    closures = [
        msgspec.structs.replace(
            closure,
            closing_ms=closure.closing_ms - shift_ms,
            last_ms=closure.last_ms - shift_ms,
            opening_ms=back(closure.opening_ms),
            out_first_ms=back(closure.out_first_ms),
            unknown_first_ms=back(closure.unknown_first_ms),
            findings=tuple(msgspec.structs.replace(f, at_ms=back(f.at_ms)) for f in closure.findings),
        )
        for closure in closures_of(shifted)
    ]
    assert closures == closures_of(case)


def assert_no_better(worse: list[Closure], better: list[Closure]) -> None:
    """Closure by closure: neither verdict nor credited time nor allowance is better."""
    assert [(c.first, c.last) for c in worse] == [(c.first, c.last) for c in better]
    for one, other in zip(worse, better, strict=True):
        assert one.credited_ms <= other.credited_ms
        assert allowed(one.allowance_mc) <= allowed(other.allowance_mc)
        if Verdict.RUNNING in (one.verdict, other.verdict):
            assert one.verdict is not Verdict.MET
        else:
            assert RANK[one.verdict] <= RANK[other.verdict]


@often
@given(cases(maximum=False), st.data())
def test_a_colder_reading_never_helps(case: Case, data: st.DataObject) -> None:
    """Where no maximum is set, lowering one temperature improves neither verdict nor allowance."""
    values = [(i, s) for i, row in enumerate(case.rows) for s, mc in row.mc.items() if mc is not None]
    assume(values)
    index, sensor = data.draw(st.sampled_from(values))
    row = case.rows[index]
    colder = {**row.mc, sensor: row.mc[sensor] - data.draw(st.sampled_from([1, 50, 5_000]))}  # type: ignore[operator]
    changed = [*case.rows[:index], replace(row, mc=colder), *case.rows[index + 1 :]]
    assert_no_better(metered(changed, case.force, case.newer_stream), closures_of(case))


@enough
@given(cases(), st.sampled_from([1, 2, 1_000, 60_000]))
def test_a_longer_contact_time_never_helps(case: Case, longer_ms: int) -> None:
    need = replace(case.need, contact_ms=case.need.contact_ms + longer_ms)
    assert_no_better(metered(case.rows, replace(case.force, need=need), case.newer_stream), closures_of(case))


@enough
@given(cases(), st.sampled_from(SENSORS), st.sampled_from([1, 90, 3_000]))
def test_a_less_certain_sensor_never_helps(case: Case, sensor: str, more_u_mc: int) -> None:
    """Guarded acceptance: a larger U narrows the range at both ends (JCGM 106, ILAC-G8)."""
    assume(sensor in case.force.sensors)
    terms = case.force.sensors[sensor]
    sensors = {**case.force.sensors, sensor: Terms(terms.u_mc + more_u_mc, terms.correction_mc)}
    assert_no_better(metered(case.rows, Force(case.need, sensors), case.newer_stream), closures_of(case))


@enough
@given(cases(), st.data())
def test_a_failed_conversion_never_helps_a_closure_to_be_met(case: Case, data: st.DataObject) -> None:
    """A temperature that is missing bridges nothing cold: only a cold reading itself could be hidden by its absence.

    So the property holds for readings that were in range; hiding a cold one as unknown is what a judged fault must
    never do, and the sampler's tests see to that.
    """
    need, sensors = case.need, case.force.sensors
    warm = [
        i for i, row in enumerate(case.rows) if oracle._known(row, sensors) and oracle._in_range(row, need, sensors)
    ]
    assume(warm)
    index = data.draw(st.sampled_from(warm))
    silent = replace(case.rows[index], mc=dict.fromkeys(sensors))
    changed = [*case.rows[:index], silent, *case.rows[index + 1 :]]
    was = met_spans(closures_of(case))
    assert set(met_spans(metered(changed, case.force, case.newer_stream))) <= set(was)


@often
@given(cases())
def test_saving_and_restoring_at_every_reading_changes_nothing(case: Case) -> None:
    """Through JSON, as the collector keeps it: a process that dies between any two readings carries on exactly."""
    meter, closures = meter_for(case.force), []
    for row in case.rows:
        saved = msgspec.json.encode(meter.state())
        meter = Meter.restored(msgspec.json.decode(saved, type=MeterState))
        assert msgspec.json.encode(meter.state()) == saved
        closures += fed(meter, [row])
    meter = Meter.restored(msgspec.json.decode(msgspec.json.encode(meter.state()), type=MeterState))
    last = meter.end() if case.newer_stream else meter.running()
    assert closures + ([last] if last else []) == closures_of(case)


@enough
@given(cases(newer=False))
def test_met_while_running_stays_met(case: Case) -> None:
    """And asking changes nothing: the closure is looked at after every reading."""
    meter, ended, met = meter_for(case.force), [], set()
    for row in case.rows:
        ended += fed(meter, [row])
        running = meter.running()
        if running is not None and running.first in met:
            assert running.verdict is Verdict.MET
        if running is not None and running.verdict is Verdict.MET:
            met.add(running.first)
    last = meter.running()
    closures = ended + ([last] if last else [])
    assert met <= {closure.first for closure in closures if closure.verdict is Verdict.MET}
    assert closures == closures_of(case)


@enough
@given(cases())
def test_what_hangs_together(case: Case) -> None:
    """Credited is never more than closed; met, credited time and allowance say the same thing."""
    for closure in closures_of(case):
        assert 0 <= closure.credited_ms <= closure.closed_ms
        assert (closure.verdict is Verdict.MET) == (closure.credited_ms >= case.need.contact_ms)
        assert (closure.verdict is Verdict.MET) == (allowed(closure.allowance_mc) >= 0)
        assert closure.running == (closure.last == case.rows[-1].number and not case.newer_stream)
        assert (closure.opening_ms is not None) == closure.opening_seen
        for own in closure.sensor_allowances_mc.values():  # leaving one sensor to itself can only give it more room
            assert allowed(closure.allowance_mc) < 0 or allowed(own) >= allowed(closure.allowance_mc)


@pytest.mark.parametrize("parted", [False, True], ids=["unbroken", "parted before the contact time is complete"])
@pytest.mark.parametrize("slope_mc", [0, 1, -1], ids=["steady", "warming", "cooling"])
def test_memory_is_bounded_by_the_contact_time(slope_mc: int, parted: bool) -> None:
    """The state of a closure of three hours is no larger than that of one as long as twice the contact time."""
    force = Force(Need(MIN_MC, 60_000, 100_000), {sensor: Terms(0) for sensor in SENSORS})
    meter, sizes = meter_for(force), []
    for number in range(1, 10_801):
        above = parted and number % 50 == 0
        mc = dict.fromkeys(SENSORS, 110_000 if above else 60_000 + slope_mc * number)
        meter.feed(number, reading(Row(number, number * 1_000, True, mc)))
        if number in (149, 10_799):
            sizes.append(len(msgspec.json.encode(meter.state())))
    assert sizes[1] < 1.5 * sizes[0]


@enough
@given(cases(most=40))
def test_progress_says_met_when_the_snapshot_does_and_never_more_than_is_proven(case: Case) -> None:
    meter = meter_for(case.force)
    for row in case.rows:
        meter.feed(row.number, reading(row))
        running, progress = meter.running(), meter.progress()
        assert (running is None) is (progress is None)
        if running and progress:
            assert progress.met is (running.verdict is Verdict.MET)
            assert 0 <= progress.run_ms <= running.credited_ms
            assert progress.contact_ms == (running.requirement and running.requirement.contact_ms)
