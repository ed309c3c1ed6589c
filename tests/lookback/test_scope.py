"""What a cause concerns, held to a recomputation from the stored readings by the meter alone."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from kit import BOOTED_UTC_MS, Collecting, batch, clock_at, reading, state, stream_id
from ledgerkit import ENDS_MS, ONE, OTHER, STREAMS, TERMS, THIRD, WITH_MAXIMUM, WITHOUT, LookedBack, settings
from msgspec.structs import replace

from collector import projections
from collector.ledger import Ledger, records
from collector.lookback import anew, scope
from collector.lookback.concerned import Concerned, Worth, flips_first, rounds_of
from collector.lookback.judged import software_of
from collector.lookback.laid_over import people_in
from collector.lookback.moved import Supposition, sensor_moved
from collector.lookback.worth import Needed
from collector.machine import ClosureJudged
from collector.reassess import Reassessment
from collector.record import shelf
from collector.record.things import (
    Asked,
    Attested,
    Discarded,
    Fill,
    Load,
    LookBack,
    Rinsed,
    SensorCheck,
    Stage,
    Turn,
    Used,
)
from collector.settings import BasinSettings, BrokerSettings, RequirementSettings, SensorSettings, Settings
from soak.closure import Closure, Verdict
from soak.requirement import Requirement, SensorTerms

STEP, DRIFT, OTHERWISE = Supposition
FROM_MS = BOOTED_UTC_MS - 1_000


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LookedBack]:
    """Not to be written to."""
    one = LookedBack(tmp_path_factory.mktemp("lookback"), closures=45)
    yield one
    one.collecting.close()


@pytest.fixture
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LookedBack]:
    """A few closures, to be written to."""
    one = LookedBack(tmp_path_factory.mktemp("small"), closures=None)
    yield one
    one.collecting.close()


def less(by_mc: dict[str, int]) -> dict[str, SensorTerms]:
    return {
        sensor: SensorTerms(terms.u_mc, terms.correction_mc - by_mc.get(sensor, 0))
        for sensor, terms in (TERMS | {THIRD: SensorTerms(200)}).items()
    }


def in_basin(terms: dict[str, SensorTerms], basin: str) -> dict[str, SensorTerms]:
    return {sensor: terms[sensor] for sensor in ([ONE, OTHER] if basin == "b1" else [THIRD])}


def agree(found: list[Concerned], supposed: Supposition, again: dict[int, Closure]) -> None:
    """Every closure is there, and worth what the meter says of it."""
    assert {each.first for each in found} == set(again)
    for each in found:
        worth, closure = each.worth[supposed], again[each.first]
        assert worth.meets is (closure.verdict is Verdict.MET), each
        assert worth.verdict in (None, closure.verdict)
        assert not worth.trouble


def test_the_store_has_everything_that_can_happen(year: LookedBack) -> None:
    """Or the tests below would prove little."""
    closures = [each.judged.closure for each in scope.of_time(year.connection, None, FROM_MS, ENDS_MS)]
    assert {each.verdict for each in closures} == {Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN}
    codes = {finding.code for each in closures for finding in each.findings}
    assert codes >= {"opened-early", "guard-band", "above-maximum", "sensor-fault", "readings-missing"}


@pytest.mark.parametrize("d_mc", [137, 400, 1, -60, -400, 0])
@pytest.mark.parametrize("sensor", [ONE, OTHER, THIRD])
def test_a_sensor_found_off_is_answered_as_the_meter_would(year: LookedBack, sensor: str, d_mc: int) -> None:
    basin, requirement = ("b2", WITHOUT) if sensor == THIRD else ("b1", WITH_MAXIMUM)
    found = scope.of_sensor(year.connection, sensor, d_mc, FROM_MS, ENDS_MS)
    again = year.meter(basin, requirement, in_basin(less({sensor: d_mc}), basin))
    agree(found, STEP, again)
    reread = [each for each in found if each.worth[STEP].reread]
    assert all(each.worth[STEP].left_mc == again[each.first].sensor_allowances_mc[sensor] for each in reread)
    assert not reread or basin == "b1"


def test_several_sensors_off_are_answered_as_the_meter_would(year: LookedBack) -> None:
    by_mc = {ONE: 250, OTHER: 90}
    moved = [sensor_moved(sensor, d_mc, FROM_MS, ENDS_MS) for sensor, d_mc in by_mc.items()]
    found = scope.of_moved(year.connection, moved)
    agree(found, STEP, year.meter("b1", WITH_MAXIMUM, in_basin(less(by_mc), "b1")))
    assert any(each.worth[STEP].reread for each in found)


def test_even_drift_takes_each_closure_by_its_time(year: LookedBack) -> None:
    """At the first closures nothing, at the last the whole error; by whole closures, the safer end."""
    until_ms = year.newest_ms + 1
    found = scope.of_sensor(year.connection, THIRD, 800, BOOTED_UTC_MS, until_ms)
    again = {}
    for each in found:
        if each.first % 5:
            continue  # each takes a recomputation of everything
        share = (each.judged.last_ms - BOOTED_UTC_MS) / (until_ms - BOOTED_UTC_MS)
        lowered = year.meter("b2", WITHOUT, in_basin(less({THIRD: int(800 * share) + 1}), "b2"))
        again[each.first] = lowered[each.first]
    assert again
    agree([each for each in found if each.first in again], DRIFT, again)
    flips = [sum(each.flips(supposed) for each in found) for supposed in (STEP, DRIFT)]
    assert flips[0] > flips[1] > 0
    assert all(each.flips(STEP) for each in found if each.flips(DRIFT))


def test_those_that_flip_come_first_with_what_they_lack(year: LookedBack) -> None:
    found = scope.of_sensor(year.connection, THIRD, 400, FROM_MS, ENDS_MS)
    flips = [each.flips() for each in found]
    assert flips == sorted(flips, reverse=True)
    assert 0 < sum(flips) < len(flips)
    for each in found:
        left_mc = each.judged.closure.sensor_allowances_mc[THIRD]
        assert each.worth[STEP].left_mc == (None if left_mc is None else left_mc - 400)
        assert each.flips(STEP) is (each.verdict is Verdict.MET and left_mc is not None and left_mc < 400)


def test_a_sensor_that_read_too_low_takes_nothing_away_without_a_maximum(year: LookedBack) -> None:
    """What would have met is told, and no verdict is another for it."""
    found = scope.of_sensor(year.connection, THIRD, -600, FROM_MS, year.newest_ms)
    assert not any(each.flips() for each in found)
    gains = [each for each in found if each.gains]
    assert gains
    assert all(each.verdict is not Verdict.MET for each in gains)


def test_the_word_of_a_verdict_can_be_asked_of_its_readings(year: LookedBack) -> None:
    """Where a temperature was missing the allowance says only that it fails."""
    moved = [sensor_moved(THIRD, 400, FROM_MS, ENDS_MS)]
    again = year.meter("b2", WITHOUT, in_basin(less({THIRD: 400}), "b2"))
    open_words = [each for each in scope.of_moved(year.connection, moved) if each.worth[STEP].verdict is None]
    assert open_words
    for each in open_words:
        settled = scope.settled(year.connection, each, moved)
        assert settled.worth[STEP].verdict is again[each.first].verdict
        assert settled.worth[STEP].left_mc == each.worth[STEP].left_mc


@pytest.mark.parametrize("needed", [Needed(20_150, 60_000), Needed(19_900, 61_000), Needed(20_000, 45_000, 21_000)])
def test_another_requirement_is_answered_as_the_meter_would(year: LookedBack, needed: Needed) -> None:
    for basin in ("b1", "b2"):
        closures = scope.of_time(year.connection, f"n1/{basin}", FROM_MS, ENDS_MS)
        found = scope.under(year.connection, closures, needed)
        agree(found, OTHERWISE, year.meter(basin, Requirement(*needed), in_basin(less({}), basin)))


def test_a_reference_found_off_concerns_what_its_checks_judged(small: LookedBack) -> None:
    """From each check to the sensor's next one; under drift each check is off by what the reference was off by then."""
    closings = sorted(each.closing_ms for each in scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS))
    times = [closings[1] + 10_000, closings[3] - 5]  # the first while a lid is closed: that closure is not judged by it
    fine = _check("C0", THIRD, closings[1] - 5_000, "Reference 7", 0)  # before the reference was calibrated
    bad = _check("C1", THIRD, times[0], "Reference 7", 150)
    good = _check("C2", THIRD, times[1], "Reference 8", 30)
    small.put(fine, bad, good)
    d_mc, calibrated_ms = 300, times[0] - 1_000
    found = scope.of_checks(
        small.connection,
        scope.checks_with(small.connection, " reference 7"),
        d_mc,
        good_ms=calibrated_ms,
        found_ms=times[0] + 2_000,
        until_ms=ENDS_MS,
    )
    right = replace(bad, correction_mc=bad.correction_mc - d_mc)
    again = small.meter("b2", WITHOUT, in_basin(less({}), "b2"), [fine, right, good])
    within = {each.judged.closure.first for each in found}
    firsts = sorted(again)
    assert within == {first for first in firsts if times[0] <= again[first].closing_ms + BOOTED_UTC_MS < times[1]}
    assert within
    step = small.meter("b2", WITHOUT, in_basin(less({}), "b2"), [fine, bad, good])
    for each in found:
        left_mc = step[each.first].sensor_allowances_mc[THIRD]
        recorded_mc = each.judged.closure.sensor_allowances_mc[THIRD]
        # What judged it did not know the check, so what is left is told of the recorded allowance.
        assert left_mc is None or recorded_mc is None or left_mc == recorded_mc + 150
        assert each.worth[STEP].left_mc == (None if recorded_mc is None else recorded_mc - 300)
        assert each.worth[DRIFT].left_mc == (None if recorded_mc is None else recorded_mc - 100)


def _check(check_id: str, sensor: str, at_ms: int, reference: str, correction_mc: int) -> SensorCheck:
    return SensorCheck(
        id=check_id,
        sensor=sensor,
        basin="n1/b2",
        at_ms=at_ms,
        by="tina",
        reference=reference,
        correction_mc=correction_mc,
        u_mc=200,
    )


def test_the_last_check_of_a_sensor_is_found(small: LookedBack) -> None:
    assert scope.last_check_ms(small.connection, ONE, ENDS_MS) == 0
    small.put(_check("C1", ONE, 5_000, "Reference 7", 0), _check("C2", ONE, 9_000, "Reference 7", 0))
    assert [scope.last_check_ms(small.connection, ONE, ms) for ms in (9_000, 9_001)] == [5_000, 9_000]


# Loads and rounds


def laid(small: LookedBack) -> list[Concerned]:
    """A load of two devices over the first two closures of basin 2, one taken out in the second; one over the third.

    Fill F1 holds both, F2 is another basin's.
    """
    first, second, third, *_ = scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS)
    partly_ms = second.closing_ms + 10_000
    small.put(
        _fill("F1", "n1/b2", first.closing_ms - 60_000),
        _fill("F2", "n1/b1", first.closing_ms - 60_000),
        _load("L1", first.closing_ms - 1_000, second.judged.opened_ms + 1_000, "T1", "T2"),
        _load("L2", third.closing_ms - 1_000, None, "T3"),
        _turn("T1", "GS-01", "L1", first.closing_ms - 1_000, second.judged.opened_ms + 1_000, closure=first.key),
        _turn("T2", "GS-02", "L1", first.closing_ms - 1_000, partly_ms, closure=first.key, encounter="E-9"),
        _turn("T3", "GS-03", "L2", third.closing_ms - 1_000, None),
    )
    return scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS)


def _fill(fill_id: str, basin: str, poured_ms: int) -> Fill:
    return Fill(
        id=fill_id,
        basin=basin,
        profile="P",
        poured=(),
        poured_ms=poured_ms,
        poured_by="sam",
        use_by_ms=ENDS_MS,
        use_by_why="reuse life",
        tested_after_ms=poured_ms,
    )


def _load(load_id: str, began_ms: int, ended_ms: int | None, *turns: str) -> Load:
    return Load(
        id=load_id,
        basin="n1/b2",
        fill="F1",
        began_ms=began_ms,
        by="tina",
        turns=turns,
        mec_test="M1",
        ended_ms=ended_ms,
    )


def _turn(
    turn_id: str, device: str, load: str, in_ms: int, out_ms: int | None, *, closure: str = "", encounter: str = ""
) -> Turn:
    return Turn(
        id=turn_id,
        device=device,
        began_ms=in_ms - 1,
        steps={"clean": Attested("tom", in_ms - 1)},
        stage=Stage.USED if encounter else Stage.SOAKED if out_ms else Stage.SOAKING,
        load=load,
        basin="n1/b2",
        fill="F1",
        in_ms=in_ms,
        out_ms=out_ms,
        closure=closure,
        rinses=(Rinsed("ria", 1),) if out_ms else (),
        used=Used("una", ENDS_MS, encounter) if encounter else None,
        by="tina",
    )


def test_loads_devices_encounters_and_people_are_laid_over_closures(small: LookedBack) -> None:
    first, second, third, *rest = laid(small)
    assert [(each.devices, [load.id for load in each.loads]) for each in (first, second, third)] == [
        (("GS-01", "GS-02"), ["L1"]),
        (("GS-01", "GS-02"), ["L1"]),
        (("GS-03",), ["L2"]),
    ]
    assert [turn.id for turn in first.rests_on] == ["T1", "T2"]
    assert (first.encounters, third.encounters) == (("E-9",), ())
    assert all([load.id for load in each.loads] == ["L2"] for each in rest)  # still open
    ids = [load.id for load in first.loads], [turn.id for turn in first.turns]
    assert people_in(small.connection, *ids) == ("tina", "tom", "ria", "una")


def test_fills_concern_their_loads_and_what_nobody_assigned(small: LookedBack) -> None:
    found = laid(small)
    assert scope.of_fills(small.connection, ["F1"]) == found
    assert {each.basin for each in scope.of_fills(small.connection, ["F2", "F99"])} == {"n1/b1"}
    assert all(not each.loads for each in scope.of_fills(small.connection, ["F2"]))
    last_ms = scope.of_time(small.connection, "n1/b1", FROM_MS, ENDS_MS)[2].closing_ms
    discarded = Discarded(by="sam", at_ms=last_ms, reason="reuse life", volume_ml=5_000)
    small.put(replace(_fill("F2", "n1/b1", found[0].closing_ms - 60_000), discarded=discarded))
    assert len(scope.of_fills(small.connection, ["F2"])) == 2
    gone = _fill("F3", "n1/b2", found[0].closing_ms - 60_000)
    small.put(gone)
    assert scope.of_fills(small.connection, ["F3"]) == []  # the loads are another's
    assert [each.first for each in scope.of_fills(small.connection, ["F1"], until_ms=found[2].closing_ms)] == [
        each.first for each in found[:2]
    ]


def test_a_device_that_met_twice_flips_only_if_both_do(small: LookedBack) -> None:
    """GS-01 lay in both closures of its load, GS-02 in the second only partly; the first alone is supposed to fail."""
    first, second, *_ = laid(small)
    assert [each.verdict for each in (first, second)] == [Verdict.MET, Verdict.MET]
    failed = replace(first, worth={STEP: Worth(False, Verdict.NOT_MET, -1)})
    flips = {each.turn.device: each.flips for each in rounds_of([failed])}
    assert flips == {"GS-01": True, "GS-02": True}
    whole = scope.with_whole_loads(small.connection, [failed])
    assert [each.first for each in whole] == [first.first, second.first]
    rounds = rounds_of(whole)
    assert [(each.turn.device, each.flips, each.met, each.still_met) for each in rounds] == [
        ("GS-02", True, True, {STEP: False}),
        ("GS-01", False, True, {STEP: True}),
    ]


def test_a_device_that_did_not_met_does_not_meet_by_a_supposition(small: LookedBack) -> None:
    """A sensor that read too low: told, and no more."""
    _, _, third, *_ = laid(small)
    assert third.verdict is Verdict.NOT_MET
    gained = replace(third, worth={STEP: Worth(True, Verdict.MET, 1)})
    assert gained.gains
    assert [(each.met, each.still_met, each.flips) for each in rounds_of([gained])] == [(False, {STEP: False}, False)]


def test_a_load_of_long_ago_that_is_still_open_is_over_its_closures(small: LookedBack) -> None:
    first, *_ = scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS)
    began_ms = first.closing_ms - 40 * 24 * 3_600_000
    small.put(_load("L1", began_ms, None), _load("L2", began_ms, began_ms + 1))
    first, *_ = scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS)
    assert [load.id for load in first.loads] == ["L1"]


def test_order_of_the_list(small: LookedBack) -> None:
    one, *_ = [each for each in laid(small) if each.verdict is Verdict.MET]
    worths = [
        {STEP: Worth(True, Verdict.MET, 100), DRIFT: Worth(True, Verdict.MET, 150)},
        {STEP: Worth(True, Verdict.MET, 5), DRIFT: Worth(True, Verdict.MET, 50)},
        {STEP: Worth(False, Verdict.NOT_MET, -5), DRIFT: Worth(True, Verdict.MET, 50)},
        {STEP: Worth(False, Verdict.NOT_MET, -80), DRIFT: Worth(False, Verdict.NOT_MET, -20)},
        {STEP: Worth(False, None, None), DRIFT: Worth(False, None, None)},
    ]
    several = [replace(one, worth=worth) for worth in worths]
    assert [worths.index(each.worth) for each in flips_first(several)] == [4, 3, 2, 1, 0]


# Faults of this program


def rewrite(small: LookedBack, concerned: Concerned, verdict: Verdict, software: str) -> None:
    """As if an earlier version with a fault had judged it."""
    store = small.collecting.store
    wrong = replace(concerned.judged.closure, verdict=verdict)
    with store.transaction():
        judged = ClosureJudged(
            concerned.stream, concerned.closing_ms, True, wrong, supersedes=[concerned.judged.number]
        )
        record = Ledger(small.connection, small.collecting.clock, software).append(ClosureJudged.KIND, judged)
        projections.follow(small.connection, record)


def test_a_fault_of_a_version_is_looked_for_and_both_verdicts_stay(small: LookedBack) -> None:
    found = [
        each for each in scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS) if each.verdict is Verdict.NOT_MET
    ]
    bad, fine = found[0], scope.of_time(small.connection, "n1/b1", FROM_MS, ENDS_MS)[0]
    rewrite(small, bad, Verdict.MET, "soakledger 0.0.9")
    rewrite(small, fine, fine.verdict, "soakledger 0.0.9")
    assert software_of(small.connection)["soakledger 0.0.9"] == 2
    concerned = scope.of_software(small.connection, ["soakledger 0.0.9"])
    again = list(anew.judged_anew(small.connection, [each.judged for each in concerned]))
    assert [(each.judged.key, each.differs) for each in again] == [(fine.key, False), (bad.key, True)]
    wrong = again[1]
    assert wrong.now is not None
    assert (wrong.judged.closure.verdict, wrong.now.verdict) == (Verdict.MET, Verdict.NOT_MET)

    asked = Asked(software_from="0.0.9", software_until="0.0.10")
    look_back = LookBack(
        id="K9",
        cause="software-fault",
        text="a fault",
        opened_ms=ENDS_MS,
        by="sam",
        from_ms=FROM_MS,
        until_ms=ENDS_MS,
        asked=asked,
    )
    with small.collecting.store.transaction():
        shelf.write(small.connection, 1, {LookBack.KIND: {"K9": msgspec.to_builtins(look_back)}})
    reassessment = Reassessment(small.collecting.store, small.collecting.intake)
    reassessment.look()
    while reassessment.step():
        pass
    assert [each.key for each in scope.of_software(small.connection, ["soakledger 0.0.9"])] == [fine.key]
    (standing,) = [each for each in scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS) if each.key == bad.key]
    assert standing.verdict is Verdict.NOT_MET
    verdicts = [
        (each.software, body.closure.verdict)
        for each in records(small.connection, kinds=(ClosureJudged.KIND,))
        if (body := msgspec.json.decode(each.body, type=ClosureJudged)).stream == bad.stream
        and body.closure.first == bad.first
    ]
    present = standing.judged.software
    assert verdicts == [(present, Verdict.NOT_MET), ("soakledger 0.0.9", Verdict.MET), (present, Verdict.NOT_MET)]


def test_the_whole_store_judged_anew_is_what_was_recorded(year: LookedBack) -> None:
    """Over losses and gaps too, and whether they are read in one pass or one by one."""
    closures = [each.judged for each in scope.of_time(year.connection, None, FROM_MS, ENDS_MS)]
    again = list(anew.judged_anew(year.connection, closures))
    assert [each.now for each in again] == [each.judged.closure for each in again]
    assert {each.judged.id for each in again} == {each.id for each in closures}
    for each in closures[::7]:
        (alone,) = anew.judged_anew(year.connection, [each])
        assert alone.now == each.closure


def test_after_a_loss_the_strictest_judges_again(tmp_path: Path) -> None:
    """The label was relaxed over a closure that a loss ends: so the next one is judged by both, also when reread."""
    one = BasinSettings("n1", "b1", "Basin 1", {ONE: SensorSettings(u_c="0.2")})
    strict = RequirementSettings(min_temp_c="20", contact="1m", since=at(-10))
    relaxed = RequirementSettings(min_temp_c="20", contact="30s", since=at(10))
    collecting = Collecting(tmp_path / "data", Settings("Clinic", BrokerSettings(), [replace(one, requirement=strict)]))
    collecting.restart(Settings("Clinic", BrokerSettings(), [replace(one, requirement=relaxed)]))
    readings = [reading(second * 1_000, "closed" if second else "open", sensor=ONE) for second in range(70)]
    readings[65] = reading(65_000, "open", sensor=ONE)
    collecting.take(batch(readings[:20]), batch(readings[21:], 22), state((stream_id(1), 71, 70), ms=70_000))
    connection = collecting.store.db.conn
    closures = scope.of_time(connection, None, FROM_MS, ENDS_MS)
    assert [(each.first, each.verdict) for each in closures] == [(2, Verdict.UNPROVEN), (22, Verdict.UNPROVEN)]
    assert [each.differs for each in anew.judged_anew(connection, [closures[1].judged])] == [False]
    collecting.close()


def at(second: int) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(BOOTED_UTC_MS / 1000 + second, datetime.UTC)


def test_a_damaged_page_is_named_and_its_closure_counts_as_failed(small: LookedBack) -> None:
    """The evidence is never silently thinner."""
    small.connection.execute("DROP TRIGGER page_update")
    with small.collecting.store.transaction():
        small.connection.execute("UPDATE page SET body = x'00' WHERE first = 1")
    closures = scope.of_time(small.connection, None, FROM_MS, ENDS_MS)
    broken = [each for each in anew.judged_anew(small.connection, [each.judged for each in closures]) if each.trouble]
    assert broken
    assert all(each.now is None and each.verdict_differs and each.differs for each in broken)
    found = scope.under(
        small.connection, [each for each in closures if each.judged == broken[0].judged], Needed(19_000, 59_000, 21_000)
    )
    assert [(each.worth[OTHERWISE].meets, each.worth[OTHERWISE].trouble) for each in found] == [
        (False, broken[0].trouble)
    ]


def test_readings_that_give_another_verdict_now_are_said_to(small: LookedBack) -> None:
    """Whatever is supposed: then something else is wrong too."""
    bad = next(e for e in scope.of_time(small.connection, "n1/b2", FROM_MS, ENDS_MS) if e.verdict is Verdict.NOT_MET)
    rewrite(small, bad, Verdict.MET, "soakledger 0.0.9")
    (each,) = scope.of_software(small.connection, ["soakledger 0.0.9"])
    (found,) = scope.under(small.connection, [each], Needed(20_100, 39_000))  # shorter and warmer: its readings tell
    assert found.worth[OTHERWISE] == Worth(
        True,
        Verdict.MET,
        600,
        reread=True,
        trouble="With what is on record now its readings give 'not met', not 'met', whatever is supposed. "
        "Let the collector judge it again.",
    )


def test_an_unknown_sensor_concerns_nothing(year: LookedBack) -> None:
    assert scope.of_sensor(year.connection, "28-0000000000ff", 400, FROM_MS, ENDS_MS) == []
    assert scope.of_moved(year.connection, []) == []


def test_a_range_has_what_touches_it(year: LookedBack) -> None:
    closures = [each.judged for each in scope.of_time(year.connection, "n1/b2", FROM_MS, ENDS_MS)]
    from_ms, until_ms = closures[3].last_ms, closures[7].closing_ms
    found = [each.closure_id for each in scope.of_time(year.connection, "n1/b2", from_ms, until_ms)]
    assert found == [each.id for each in closures[3:7]]
    later = scope.of_time(year.connection, "n1/b2", from_ms + 1, until_ms + 1)
    assert [each.closure_id for each in later] == [each.id for each in closures[4:8]]


def test_a_closure_whose_times_cannot_be_trusted_is_not_left_out(tmp_path: Path) -> None:
    """Its node's clock was a year behind: it counts by when it was judged, and any error may be its."""
    collecting = Collecting(tmp_path / "data", settings(BOOTED_UTC_MS - 366 * 86_400_000))
    lids = ["open", *["closed"] * 69, *["open"] * 5]
    closed = [reading(second * 1_000, lid, 20_900, sensor=THIRD) for second, lid in enumerate(lids)]
    behind = clock_at(closed[-1].ms, synced=False, booted_utc_ms=BOOTED_UTC_MS - 365 * 86_400_000)
    collecting.clock.now_ms = now_ms = BOOTED_UTC_MS + 86_400_000
    collecting.take(batch(closed, basin="b2", clock=behind))
    connection = collecting.store.db.conn
    (each,) = scope.of_sensor(connection, THIRD, 701, now_ms - 1_000, now_ms + 1_000)
    assert (each.judged.clock_synced, each.flips(STEP), each.flips(DRIFT)) == (False, True, True)
    assert each.closing_ms < now_ms - 364 * 86_400_000
    assert scope.of_sensor(connection, THIRD, 701, now_ms - 2_000, now_ms - 1_000)  # it may have come late
    assert scope.of_sensor(connection, THIRD, 701, now_ms + 1, now_ms + 1_000) == []
    assert [len(scope.of_time(connection, None, now_ms - 1, end_ms)) for end_ms in (now_ms, now_ms + 1)] == [0, 1]
    collecting.close()


def test_a_range_with_nothing_in_it(year: LookedBack) -> None:
    assert scope.of_sensor(year.connection, ONE, 400, ENDS_MS, ENDS_MS + 1) == []
    assert scope.of_time(year.connection, "n1/b9", FROM_MS, ENDS_MS) == []
    assert STREAMS["b1"] != STREAMS["b2"]
