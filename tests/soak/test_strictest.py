"""What is judged after a loss is at least as hard to meet as everything that may have been in force."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from meterside import fed, metered
from oracle import Force, Need, Row, Terms
from streams import MIN_MC, SENSORS, Case, cases

from soak.closure import Closure, Verdict
from soak.exposure import Meter
from soak.requirement import Judge, Requirement, SensorTerms
from soak.strictest import NOTHING, InForce, strictest

A, B, _ = SENSORS
requirements = st.builds(
    Requirement,
    min_mc=st.sampled_from([19_999, 20_000, 20_500]),
    contact_ms=st.sampled_from([1, 12_000]),
    max_mc=st.sampled_from([None, None, 20_500, 23_000, 23_001]),
    max_gap_ms=st.sampled_from([5_000, 4_999]),
)
terms = st.builds(SensorTerms, st.integers(0, 900), st.integers(-300, 300))
forces = st.builds(
    InForce,
    requirements,
    st.sampled_from([(A,), (A, B)]).flatmap(lambda s: st.fixed_dictionaries(dict.fromkeys(s, terms))),
)


@settings(max_examples=1_000)
@given(st.lists(forces, min_size=1, max_size=4), st.lists(st.integers(-400, 4_000), min_size=2, max_size=2))
def test_a_reading_in_range_by_the_strictest_is_in_range_by_each(several: list[InForce], above_mc: list[int]) -> None:
    found = strictest(several)
    if found.requirement is None:
        assert found == NOTHING
        return
    mc = {sensor: MIN_MC + above for sensor, above in zip(SENSORS, above_mc, strict=False)}
    judged = Judge(found.requirement, found.terms).of(mc)
    assert judged is not None
    for each in several:
        assert each.requirement is not None
        assert each.terms.keys() == found.terms.keys()
        assert found.requirement.contact_ms >= each.requirement.contact_ms
        assert found.requirement.max_gap_ms <= each.requirement.max_gap_ms
        own = Judge(each.requirement, each.terms).of(mc)
        assert own is not None
        margins = dict(zip(found.terms, judged.margins_mc, strict=True))
        assert all(margins[sensor] <= lax for sensor, lax in zip(each.terms, own.margins_mc, strict=True))
        assert judged.above or not own.above


@settings(max_examples=300)
@given(requirements, requirements, terms, st.integers(-400, 4_000))
def test_what_meets_a_requirement_meets_those_that_it_is_as_strict_as(
    one: Requirement, other: Requirement, sensor: SensorTerms, above_mc: int
) -> None:
    """Both ways: where it is not, there is something that the other asks for and this one does not."""
    both = strictest([InForce(one, {A: sensor}), InForce(other, {A: sensor})]).requirement
    assert one.as_strict_as(other) is (both == one)
    of_one, of_other = (Judge(each, {A: sensor}).of({A: MIN_MC + above_mc}) for each in (one, other))
    assert of_one
    assert of_other
    if one.as_strict_as(other) and of_one.margin_mc >= 0 and not of_one.above:
        assert of_other.margin_mc >= 0
        assert not of_other.above


@settings(max_examples=300)
@given(st.lists(forces, min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_order_and_repeats_do_not_matter_and_one_alone_is_itself(several: list[InForce], rng: object) -> None:
    again = several + several
    rng.shuffle(again)  # type: ignore[attr-defined]
    assert strictest(again) == strictest(several)
    assert strictest([several[0]] * 3) == several[0]
    assert all(strictest([each, NOTHING]) == NOTHING for each in several)


def force(min_mc: int = 20_000, max_mc: int | None = None, u_mc: int = 0, correction_mc: int = 0) -> InForce:
    return InForce(Requirement(min_mc, 12_000, max_mc), {A: SensorTerms(u_mc, correction_mc)})


def test_the_terms_are_the_narrowest_that_hold_both() -> None:
    """0.5 °C about +0.2 °C and 0.1 °C about −0.3 °C: from −0.4 °C to +0.7 °C, so 0.55 °C about +0.15 °C."""
    assert strictest([force(u_mc=500, correction_mc=200), force(u_mc=100, correction_mc=-300)]).terms == {
        A: SensorTerms(550, 150)
    }
    assert strictest([force(u_mc=0), force(u_mc=0, correction_mc=1)]).terms == {A: SensorTerms(1, 0)}  # odd: downwards


def test_where_nothing_is_harder_than_both_nothing_can_be_proven() -> None:
    other_sensor = InForce(Requirement(20_000, 12_000), {B: SensorTerms(0)})
    assert strictest([force(), other_sensor]) == NOTHING
    assert strictest([force(25_000), force(20_000, 24_000)]) == NOTHING
    assert strictest([force(u_mc=20_000, correction_mc=20_000), force(correction_mc=-20_000)]) == NOTHING
    assert strictest([force(), InForce(Requirement(20_000, 12_000), {})]) == NOTHING


# On whole streams


changes = st.lists(st.tuples(st.integers(1, 20), st.integers(0, 2**16)), max_size=3)


def changed(case: Case, moves: list[tuple[int, int]]) -> dict[int, Force]:
    """By number, what is in force from then on: any part of it made harder or easier, or nothing at all."""
    found = {0: case.force}
    for number, code in sorted(moves):
        need, sensors = case.need, dict(case.force.sensors)
        rest, change = divmod(code, 8)
        off = (-1, 1, -600, 600)[rest % 4]
        if change == 0:
            need = Need(
                need.min_mc + off if need.max_mc is None else need.min_mc,
                max(1, need.contact_ms - off),
                need.max_mc,
                need.max_gap_ms,
            )
        elif change == 1:
            need = Need(need.min_mc, max(1, need.contact_ms + off), need.max_mc, need.max_gap_ms)
        elif change == 2:
            need = Need(need.min_mc, need.contact_ms, None, need.max_gap_ms)
        elif change == 3:
            need = Need(need.min_mc, need.contact_ms, need.max_mc, max(1, need.max_gap_ms + off))
        elif change in (4, 5):
            sensors = {each: Terms(max(0, t.u_mc + off), t.correction_mc) for each, t in sensors.items()}
        elif change == 6:
            sensors = {each: Terms(t.u_mc, t.correction_mc + off) for each, t in sensors.items()}
        found[number] = Force(None if rest % 16 == 15 else need, sensors)
    return found


def spans(closures: list[Closure]) -> list[tuple[int, int]]:
    return [(each.first, each.last) for each in closures if each.verdict is Verdict.MET]


@settings(max_examples=2_000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(cases(lost=False), changes, st.integers(0, 2**20 - 1), st.integers(0, 2**20 - 1))
def test_losing_readings_never_helps_though_the_requirement_changes(
    case: Case, moves: list[tuple[int, int]], one: int, other: int
) -> None:
    """What is met without some readings was met with them, in a closure that spans it, whatever was relaxed when."""
    by_number = changed(case, moves)

    def at(number: int) -> Force:
        return by_number[max(each for each in by_number if each <= number)]

    kept = [row for index, row in enumerate(case.rows) if not one & other & (1 << index)]
    whole = spans(metered(case.rows, at, case.newer_stream))
    for first, last in spans(metered(kept, at, case.newer_stream)):
        assert any(begin <= first and last <= end for begin, end in whole)


STRICT = Force(Need(20_000, 12_000), {A: Terms(0)})
LAX = Force(Need(18_000, 12_000), {A: Terms(0)})


def _soak(*numbers: int) -> list[Row]:
    return [Row(number, 1_000 * number, number not in (1, 40), {A: 19_000}) for number in numbers]


def test_a_requirement_relaxed_in_mid_closure_does_not_judge_what_is_left_after_a_loss() -> None:
    rows = _soak(*range(1, 10), *range(12, 41))
    closures = metered(rows, lambda number: STRICT if number < 6 else LAX)
    assert [each.verdict for each in closures] == [Verdict.NOT_MET, Verdict.NOT_MET]
    assert closures[1].requirement == Requirement(20_000, 12_000)


def test_what_was_relaxed_and_tightened_within_the_hole_counts_too() -> None:
    rows = _soak(*range(1, 10), *range(14, 41))
    closures = metered(rows, lambda number: STRICT if number == 11 else LAX)
    assert [each.verdict for each in closures] == [Verdict.UNPROVEN, Verdict.NOT_MET]


def test_once_the_lid_was_seen_open_only_what_is_in_force_since_then_counts() -> None:
    rows = [Row(1, 1_000, False, {A: 19_000}), *_soak(*range(3, 41))]
    assert metered(rows, lambda number: STRICT if number < 1 else LAX)[0].verdict is Verdict.MET
    meter = Meter(Requirement(20_000, 12_000), {A: SensorTerms(0)})
    fed(meter, rows[:1])
    meter.require(Requirement(18_000, 12_000), {A: SensorTerms(0)})
    closure = fed(meter, rows[1:])[0]
    assert closure.verdict is Verdict.NOT_MET  # relaxed since: the closing may have been before


def test_a_long_pause_without_a_loss_changes_nothing() -> None:
    """Nothing is lost there: what is in force at the first reading after it judges, as it always would have."""
    rows = [Row(n, 1_000 * n + (60_000 if n > 5 else 0), n not in (1, 40), {A: 19_000}) for n in range(1, 41)]
    assert [each.verdict for each in metered(rows, lambda n: STRICT if n < 5 else LAX)] == [
        Verdict.NOT_MET,
        Verdict.MET,
    ]
