"""What the allowance answers is what a full recomputation gives: the meter again, with sensors' corrections lowered.

`d` is what a corrected value was too high by, so the recomputation has `correction - d`: `collector/lookback/moved.py`.
"""

from __future__ import annotations

import os
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from meterside import metered, requirement, sensor_terms
from oracle import Force, Need, Row, Terms
from streams import MIN_MC, Case, cases

from collector.lookback import allowed
from collector.lookback.allowed import Answer
from collector.lookback.moved import Moved, Shift, Supposition, sensor_moved, shifted
from soak.closure import Closure, Verdict
from soak.requirement import Judge, Requirement, SensorTerms

MOST = int(os.environ.get("LOOKBACK_EXAMPLES", "200"))
often = settings(max_examples=MOST, deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""Where a wrong answer hurts: a device that was not disinfected is left off the list."""
enough = settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def most_u_mc(case: Case) -> int:
    return max(terms.u_mc for terms in case.force.sensors.values())


def lowered(case: Case, by_mc: dict[str, int]) -> list[Closure]:
    """Every closure of the stream, judged with corrections lowered: the full recomputation."""
    terms = {
        sensor: Terms(terms.u_mc, terms.correction_mc - by_mc.get(sensor, 0))
        for sensor, terms in case.force.sensors.items()
    }
    return metered(case.rows, Force(case.need, terms), newer_stream=True)


def errors_near(draw: st.DrawFn, closures: list[Closure], maximum_mc: int | None) -> int:
    """An error at one of the allowances, one beside it, at the room below a maximum, or any."""
    known = {mc for closure in closures for mc in closure.sensor_allowances_mc.values() if mc is not None}
    known |= {closure.allowance_mc for closure in closures if closure.allowance_mc is not None}
    if maximum_mc is not None:
        hottest = {closure.hottest_mc for closure in closures if closure.hottest_mc is not None}
        known |= {mc - maximum_mc + u for mc in hottest for u in (0, 579, 1)}
    near = sorted({mc + off for mc in known for off in (-1, 0, 1)})
    return draw(st.sampled_from([*near, 400, -400, 1, -1, 0]) if near else st.integers(-500, 500))


def check(answer: Answer, again: Closure) -> None:
    """Everything that the answer says is so."""
    if answer.meets is not None:
        assert answer.meets is (again.verdict is Verdict.MET)
    if answer.verdict is not None:
        assert answer.verdict is again.verdict


@often
@given(cases(maximum=False, newer=True), st.data())
def test_one_sensor_lowered_is_answered_without_its_readings(case: Case, data: st.DataObject) -> None:
    """Without a maximum always, exactly: gaps, faults, lost numbers, lid edges, one to three sensors, both signs."""
    closures = metered(case.rows, case.force, newer_stream=True)
    sensor = data.draw(st.sampled_from(list(case.force.sensors)))
    d_mc = data.draw(st.composite(errors_near)(closures, None))
    for closure, again in zip(closures, lowered(case, {sensor: d_mc}), strict=True):
        answer = allowed.moved(closure, {sensor: Shift(d_mc, d_mc)}, most_u_mc(case))
        assert answer.meets is not None
        check(answer, again)
        if d_mc and closure.known:
            assert answer.left_mc == again.sensor_allowances_mc[sensor]


@often
@given(cases(maximum=False, newer=True), st.data())
def test_all_sensors_lowered_by_the_same_are_answered_without_their_readings(case: Case, data: st.DataObject) -> None:
    closures = metered(case.rows, case.force, newer_stream=True)
    d_mc = data.draw(st.composite(errors_near)(closures, None))
    shifts = dict.fromkeys(case.force.sensors, Shift(d_mc, d_mc))
    for closure, again in zip(closures, lowered(case, dict.fromkeys(case.force.sensors, d_mc)), strict=True):
        answer = allowed.moved(closure, shifts, most_u_mc(case))
        assert answer.meets is not None
        check(answer, again)
        if d_mc and closure.known:
            assert answer.left_mc == again.allowance_mc


@often
@given(cases(newer=True), st.data())
def test_whatever_is_answered_is_so(case: Case, data: st.DataObject) -> None:
    """With and without a maximum, any number of sensors moved, each by its own error; else there is no answer."""
    closures = metered(case.rows, case.force, newer_stream=True)
    draw_error = st.composite(errors_near)(closures, case.need.max_mc)
    by_mc = {sensor: data.draw(draw_error) for sensor in case.force.sensors if data.draw(st.booleans())}
    shifts = {sensor: Shift(d_mc, d_mc) for sensor, d_mc in by_mc.items()}
    for closure, again in zip(closures, lowered(case, by_mc), strict=True):
        check(allowed.moved(closure, shifts, most_u_mc(case)), again)


@often
@given(cases(maximum=True, newer=True), st.data())
def test_a_maximum_that_nothing_was_above_changes_nothing_where_a_sensor_read_too_high(
    case: Case, data: st.DataObject
) -> None:
    """Only where readings can change sides of it are they needed."""
    closures = metered(case.rows, case.force, newer_stream=True)
    sensor = data.draw(st.sampled_from(list(case.force.sensors)))
    d_mc = abs(data.draw(st.composite(errors_near)(closures, None)))
    for closure, again in zip(closures, lowered(case, {sensor: d_mc}), strict=True):
        answer = allowed.moved(closure, {sensor: Shift(d_mc, d_mc)}, most_u_mc(case))
        check(answer, again)
        if closure.out_first_ms is None:
            assert answer.meets is not None


def rows(*mc: int, sensors: tuple[str, ...] = ("28-00000000000a",)) -> list[Row]:
    """Lid open, then closed with these temperatures of every sensor, a second apart, then open."""
    inside = [
        Row(number + 2, number * 1_000 + 1_000, True, dict.fromkeys(sensors, each)) for number, each in enumerate(mc)
    ]
    return [Row(1, 0, False, dict.fromkeys(sensors)), *inside, Row(len(mc) + 2, len(mc) * 1_000 + 1_000, False, {})]


def judged(readings: list[Row], terms: dict[str, Terms], contact_ms: int, max_mc: int | None = None) -> Closure:
    (closure,) = metered(readings, Force(Need(MIN_MC, contact_ms, max_mc), terms), newer_stream=True)
    return closure


SENSOR, OTHER = "28-00000000000a", "28-00000000000b"


def test_equality_is_met() -> None:
    """A margin of 300 m°C throughout: met with the sensor lowered by 300, not by 301."""
    closure = judged(rows(20_800, 20_800, 20_800), {SENSOR: Terms(500)}, 2_000)
    answers = [allowed.moved(closure, {SENSOR: Shift(d, d)}, 500) for d in (300, 301)]
    assert answers == [Answer(True, Verdict.MET, 0), Answer(False, Verdict.NOT_MET, -1)]


def test_where_a_maximum_is_printed_lowering_may_bring_readings_back() -> None:
    """The middle was above the maximum, so there was no stretch; lowered, it is in range: only the readings tell."""
    readings, terms = rows(22_000, 23_200, 22_000), {SENSOR: Terms(0)}
    closure = judged(readings, terms, 2_000, max_mc=23_000)
    assert (closure.verdict, closure.sensor_allowances_mc) == (Verdict.NOT_MET, {SENSOR: None})
    assert allowed.moved(closure, {SENSOR: Shift(300, 300)}, 0).meets is None
    assert judged(readings, {SENSOR: Terms(0, -300)}, 2_000, max_mc=23_000).verdict is Verdict.MET


def test_where_a_maximum_is_printed_raising_may_take_readings_above_it() -> None:
    """A sensor that read too low: the allowance says met by far, the maximum says no."""
    readings, terms = rows(22_900, 22_900, 22_900), {SENSOR: Terms(0)}
    closure = judged(readings, terms, 2_000, max_mc=23_000)
    assert closure.sensor_allowances_mc == {SENSOR: 2_900}
    assert allowed.moved(closure, {SENSOR: Shift(-200, -200)}, 0).meets is None
    assert judged(readings, {SENSOR: Terms(0, 200)}, 2_000, max_mc=23_000).verdict is Verdict.NOT_MET
    assert allowed.moved(closure, {SENSOR: Shift(-90, -90)}, 0).meets is True  # not so high, whatever its readings


def test_two_sensors_off_differently_are_not_answered_by_their_allowances() -> None:
    """Either alone could be lowered by 100 and both by 60, but not one by 100 and the other by 50."""
    terms = {SENSOR: Terms(0), OTHER: Terms(0)}
    one, other = (100, 100, 60, 60, 0, 0), (0, 0, 60, 60, 100, 100)
    readings = [
        Row(row.number, row.ms, row.closed, {SENSOR: MIN_MC + one_mc, OTHER: MIN_MC + other_mc})
        for row, one_mc, other_mc in zip(rows(*one), (0, *one, 0), (0, *other, 0), strict=True)
    ]
    closure = judged(readings, terms, 1_000)
    assert (closure.allowance_mc, closure.sensor_allowances_mc) == (60, {SENSOR: 100, OTHER: 100})
    assert allowed.moved(closure, {SENSOR: Shift(100, 100), OTHER: Shift(50, 50)}, 0).meets is None
    assert judged(readings, {SENSOR: Terms(0, -100), OTHER: Terms(0, -50)}, 1_000).verdict is Verdict.NOT_MET
    assert allowed.moved(closure, {SENSOR: Shift(60, 60), OTHER: Shift(50, 50)}, 0).meets is True
    assert allowed.moved(closure, {SENSOR: Shift(101, 101), OTHER: Shift(1, 1)}, 0).meets is False


def test_raising_one_sensor_may_bring_a_stretch_into_range_for_another() -> None:
    """Each was out of range while the other was in; with one raised and one lowered only the readings tell."""
    terms = {SENSOR: Terms(0), OTHER: Terms(0)}
    readings = [Row(row.number, row.ms, row.closed, {SENSOR: 19_950, OTHER: 20_100}) for row in rows(0, 0, 0)]
    closure = judged(readings, terms, 2_000)
    assert (closure.allowance_mc, closure.sensor_allowances_mc) == (-50, {SENSOR: -50, OTHER: None})
    assert allowed.moved(closure, {SENSOR: Shift(-60, -60), OTHER: Shift(90, 90)}, 0).meets is None
    assert judged(readings, {SENSOR: Terms(0, 60), OTHER: Terms(0, -90)}, 2_000).verdict is Verdict.MET


def test_a_reading_at_the_maximum_stays_there_while_a_drift_begins() -> None:
    """Found by chance: U widens by half of what a drift grows by within a closure, which must not be rounded away."""
    closure = judged(rows(20_001, 23_000), {SENSOR: Terms(0)}, 1_000, max_mc=23_000)
    shift = sensor_moved(SENSOR, 1, 0, 2_500).shift(Supposition.DRIFT, closure.closing_ms, closure.last_ms)
    assert (shift, allowed.moved(closure, {SENSOR: shift}, 0).meets) == (Shift(1, -1), None)


def test_a_larger_u_counts_as_so_much_colder() -> None:
    """Where no maximum is printed; where one is it also counts as so much warmer."""
    readings = rows(20_800, 20_800, 20_800)
    closure = judged(readings, {SENSOR: Terms(500)}, 2_000)
    for wider in (300, 301):
        again = judged(readings, {SENSOR: Terms(500 + wider)}, 2_000)
        assert allowed.moved(closure, {SENSOR: Shift(wider, -wider)}, 500).verdict is again.verdict


def test_nothing_is_known_of_a_closure_without_a_requirement_or_a_temperature() -> None:
    """What moved makes no difference to it: it stands as it is."""
    (closure,) = metered(rows(20_000, 20_000), Force(None, {}), newer_stream=True)
    assert allowed.moved(closure, {SENSOR: Shift(5, 5)}, 0) == Answer(False, Verdict.UNPROVEN, None)
    silent = [row if not row.closed else Row(row.number, row.ms, True, {SENSOR: None}) for row in rows(0, 0, 0)]
    closure = judged(silent, {SENSOR: Terms(0)}, 2_000)
    assert allowed.moved(closure, {SENSOR: Shift(5, 5)}, 0) == Answer(False, Verdict.UNPROVEN, None)


@enough
@given(
    st.integers(-3_000, 3_000),
    st.integers(0, 3_000),
    st.integers(-500, 500),
    st.integers(0, 900),
    st.integers(0, 9_000),
)
def test_shifted_terms_lower_both_sides(cold_mc: int, apart_mc: int, correction_mc: int, u_mc: int, mc: int) -> None:
    """The margin by `cold_mc`, the highest possible value by `hot_mc`, or by one less where it must be rounded."""
    shift = Shift.holding([Shift(cold_mc, cold_mc), Shift(cold_mc - apart_mc, cold_mc - apart_mc)])
    before, after = SensorTerms(u_mc, correction_mc), shifted(SensorTerms(u_mc, correction_mc), shift)
    assert mc + after.correction_mc - after.u_mc == mc + before.correction_mc - before.u_mc - shift.cold_mc
    assert mc + after.correction_mc + after.u_mc == mc + before.correction_mc + before.u_mc - shift.hot_mc
    assert (shift.cold_mc, cold_mc - apart_mc - shift.hot_mc) == (cold_mc, apart_mc % 2)


@often
@given(cases(newer=True, lost=False), st.data())
def test_even_drift_within_a_closure_takes_the_safer_end(case: Case, data: st.DataObject) -> None:
    """What is met with the safer ends is met with each reading lowered by its own error."""
    closures = metered(case.rows, case.force, newer_stream=True)
    sensor = data.draw(st.sampled_from(list(case.force.sensors)))
    d_mc = data.draw(st.composite(errors_near)(closures, case.need.max_mc))
    from_ms, lasts_ms = data.draw(st.integers(-9_000, 20_000)), data.draw(st.integers(1, 90_000))
    moved = sensor_moved(sensor, d_mc, from_ms, from_ms + lasts_ms)

    def error_mc(ms: int) -> Fraction:
        return d_mc * Fraction(min(max(ms - from_ms, 0), lasts_ms), lasts_ms)

    up = data.draw(st.booleans())
    drifted = [
        Row(
            row.number,
            row.ms,
            row.closed,
            {**row.mc, sensor: row.mc[sensor] and _less(row.mc[sensor], error_mc(row.ms), up)},
        )
        for row in case.rows
    ]
    exact = metered(drifted, case.force, newer_stream=True)
    for closure, again in zip(closures, exact, strict=True):
        shift = moved.shift(Supposition.DRIFT, closure.closing_ms, closure.last_ms)
        terms = sensor_terms(case.force.sensors)
        terms[sensor] = shifted(terms[sensor], shift)
        (supposed,) = [each for each in _metered(case, terms) if each.first == closure.first]
        if supposed.verdict is Verdict.MET:
            assert again.verdict is Verdict.MET
        check(allowed.moved(closure, {sensor: shift}, most_u_mc(case)), supposed)


def _less(mc: int | None, error_mc: Fraction, up: bool) -> int:
    assert mc is not None
    return mc - (-(-error_mc.numerator // error_mc.denominator) if up else error_mc.numerator // error_mc.denominator)


def _metered(case: Case, terms: dict[str, SensorTerms]) -> list[Closure]:
    force = Force(case.need, {sensor: Terms(each.u_mc, each.correction_mc) for sensor, each in terms.items()})
    return metered(case.rows, force, newer_stream=True)


@often
@given(cases(newer=True), st.data())
def test_another_requirement_is_answered_as_the_meter_does(case: Case, data: st.DataObject) -> None:
    """Minimum, contact time and maximum, one or several at once, near every limit; else there is no answer."""
    closures = metered(case.rows, case.force, newer_stream=True)
    need, terms = case.need, case.force
    min_mc = need.min_mc + (data.draw(st.composite(errors_near)(closures, None)) if data.draw(st.booleans()) else 0)
    times = {closure.credited_ms for closure in closures} | {closure.not_out_ms for closure in closures}
    contact_ms = data.draw(
        st.sampled_from(sorted({need.contact_ms, *(max(1, t + o) for t in times for o in (-1, 0, 1))}))
    )
    max_mc = data.draw(st.sampled_from([need.max_mc, need.max_mc, None, MIN_MC + 1_200, MIN_MC + 2_600]))
    if max_mc is not None and max_mc < min_mc:
        max_mc = None
    other = Need(min_mc, contact_ms, max_mc, need.max_gap_ms)
    wanted = requirement(other)
    assert wanted is not None
    again = metered(case.rows, Force(other, terms.sensors), newer_stream=True)
    changed = sum([min_mc != need.min_mc, contact_ms != need.contact_ms, max_mc != need.max_mc])
    for closure, judged_again in zip(closures, again, strict=True):
        answer = allowed.otherwise(closure, wanted, most_u_mc(case))
        check(answer, judged_again)
        if closure.known and changed <= 1 and max_mc == need.max_mc:
            assert answer.meets is not None


def test_another_gap_is_never_answered() -> None:
    """It gives other closures."""
    closure = judged(rows(20_800, 20_800, 20_800), {SENSOR: Terms(500)}, 2_000)
    assert closure.requirement is not None
    other = Requirement(MIN_MC, 2_000, max_gap_ms=closure.requirement.max_gap_ms + 1)
    assert allowed.otherwise(closure, other, 500) == Answer(None, None, None)


def test_drift_grows_evenly_from_the_good_check_to_the_finding() -> None:
    moved = sensor_moved(SENSOR, 400, 1_000, 5_000)
    assert [moved.drifted_mc(ms) for ms in (0, 1_000, 2_000, 3_005, 5_000, 9_000)] == [
        (0, 0),
        (0, 0),
        (100, 100),
        (201, 200),
        (400, 400),
        (400, 400),
    ]
    assert moved.shift(Supposition.DRIFT, 2_000, 3_005) == Shift(201, 99)
    assert moved.shift(Supposition.STEP, 2_000, 3_005) == Shift(400, 400)
    low = sensor_moved(SENSOR, -400, 1_000, 5_000)
    assert low.shift(Supposition.DRIFT, 2_000, 3_005) == Shift(-100, -202)


def test_a_closure_over_which_the_good_check_was_made_gets_the_safer_of_both() -> None:
    assert sensor_moved(SENSOR, 400, 1_000, 5_000).shift(Supposition.STEP, 500, 3_000) == Shift(400, 0)
    assert sensor_moved(SENSOR, -400, 1_000, 5_000).shift(Supposition.STEP, 500, 3_000) == Shift(0, -400)
    assert Shift.holding([Shift(100, 50), Shift(80, 80)]) == Shift(100, 50)
    assert Shift.holding([Shift(100, 100), Shift(1, 1)]) == Shift(100, 0)


def test_which_closures_an_error_touches() -> None:
    """Those that end at the good check or later and begin before the finding; of a wrong check, that begin after it."""
    moved = Moved(SENSOR, 1_000, 5_000, 1, 0, 1)
    times = [(0, 999), (0, 1_000), (4_999, 9_000), (5_000, 9_000)]
    assert [moved.touches(*each) for each in times] == [False, True, True, False]
    wrong_check = moved._replace(by_closing=True)
    assert [wrong_check.touches(*each) for each in [*times, (1_000, 2_000)]] == [False, False, True, False, True]


def test_a_finding_that_is_not_after_the_good_check_is_refused() -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011 - the whole text is compared
        sensor_moved(SENSOR, 400, 5_000, 5_000)
    assert str(refused.value) == (
        "The time at which the sensor was found off is not after its last good check: nothing lies between. "
        "Give the time of the check before the one that found it."
    )


def test_one_meaning_of_terms() -> None:
    """`shifted` and the rule agree about what a correction is."""
    judge = Judge(Requirement(MIN_MC, 1_000), {SENSOR: shifted(SensorTerms(500, -250), Shift(400, 400))})
    assert judge.of({SENSOR: 21_150}) == judge.of_rounded([21_150], [21_150])
    assert judge.of({SENSOR: 21_150}).margin_mc == 0  # type: ignore[union-attr]
