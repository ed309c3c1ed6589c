"""The findings' whole texts: what a technician reads. Each comes out of the meter from readings that earn it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from meterside import metered
from oracle import Force, Need, Row, Terms
from streams import Case, cases

from soak.closure import Closure, Finding, Verdict
from soak.exposure import Meter
from soak.findings import CODES
from soak.reading import Fault, Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms

A, B = "28-00000000000a", "28-00000000000b"
TWELVE_MIN = Need(20_000, 720_000)
STRICT = Force(TWELVE_MIN, {A: Terms(0)})
GUARDED = Force(TWELVE_MIN, {A: Terms(579)})


def closed(seconds: float, *changes: tuple[float, int | None], usual_mc: int = 21_000) -> list[Row]:
    """A soak at one reading a second: open at 0 s, closed from 1 s, `seconds` long, then open one second after.

    Args:
        seconds: From the first closed reading to the last; a fraction moves only the last.
        changes: (seconds after closing, indicated temperature from then on).
        usual_mc: Indicated temperature before the first change.
    """
    times_ms = [1_000 + 1_000 * i for i in range(int(seconds) + 1)]
    if seconds != int(seconds):
        times_ms[-1] = round(1_000 + 1_000 * seconds)
    rows = [Row(1, 0, False, {A: usual_mc})]
    for number, ms in enumerate(times_ms, 2):
        mc: int | None = usual_mc
        for after, changed_mc in changes:
            if ms - 1_000 >= after * 1_000:
                mc = changed_mc
        rows.append(Row(number, ms, True, {A: mc}))
    return [*rows, Row(len(rows) + 1, times_ms[-1] + 1_000, False, {A: usual_mc})]


def only(rows: Sequence[Row], force: Force = STRICT, newer_stream: bool = False) -> Closure:
    closures = metered(rows, force, newer_stream)
    assert len(closures) == 1
    return closures[0]


def test_a_soak_that_is_met_without_incident_has_no_findings() -> None:
    closure = only(closed(720))
    assert (closure.verdict, closure.findings) == (Verdict.MET, ())


def test_opened_early_and_too_short() -> None:
    """One second before the time: 11 min 59 s are proven, in both findings, with the moment and the figures."""
    closure = only(closed(719))
    assert closure.verdict is Verdict.NOT_MET
    numbers = {"closed_ms": 719_000, "credited_ms": 719_000, "contact_ms": 720_000}
    assert closure.findings == (
        Finding("opened-early", "Opened with 11 min 59 s of 12 min proven without a break.", 721_000, numbers),
        Finding("too-short", "Closed for 11 min 59 s; the contact time is 12 min.", 720_000, numbers),
    )


def test_below_minimum() -> None:
    """Two readings at 19.9 °C after 5 min: out of range from the reading before them to the one after."""
    closure = only(closed(900, (300, 19_900), (302, 21_000)))
    assert closure.verdict is Verdict.NOT_MET
    opened, cold = closure.findings
    assert opened.text == "Opened with 9 min 58 s of 12 min proven without a break."
    assert cold == Finding(
        "below-minimum",
        "Down to 19.9 °C; the minimum is 20 °C. Out of range for 3 s.",
        301_000,
        {"coldest_mc": 19_900, "min_mc": 20_000, "out_ms": 3_000},
    )


def test_below_minimum_is_told_of_a_soak_that_is_met_all_the_same() -> None:
    closure = only(closed(900, (60, 21_000), usual_mc=19_000))
    assert closure.verdict is Verdict.MET
    assert [finding.text for finding in closure.findings] == [
        "Down to 19 °C; the minimum is 20 °C. Out of range for 1 min."
    ]


def test_above_maximum() -> None:
    force = Force(Need(20_000, 720_000, 25_000), {A: Terms(0)})
    closure = only(closed(800, (400, 25_001), (401, 21_000)), force)
    assert closure.verdict is Verdict.NOT_MET
    opened, hot = closure.findings
    assert opened.text == "Opened with 6 min 39 s of 12 min proven without a break."
    assert hot == Finding(
        "above-maximum",
        "Up to 25.01 °C; the maximum is 25 °C. Out of range for 2 s.",
        401_000,
        {"hottest_mc": 25_001, "max_mc": 25_000, "out_ms": 2_000},
    )


def test_guard_band() -> None:
    """20.3 °C indicated for a minimum of 20 °C with U = 0.579 °C: warm enough as shown, but that is no proof."""
    closure = only(closed(720, usual_mc=20_300), GUARDED)
    assert closure.verdict is Verdict.NOT_MET
    opened, guard = closure.findings
    assert opened.text == "Opened with 0 s of 12 min proven without a break."
    assert guard == Finding(
        "guard-band",
        "Within the limits as indicated, but by less than the sensor's uncertainty: that is not proof.",
        1_000,
        {"out_ms": 720_000, "coldest_mc": 20_300},
    )


def test_sensor_fault() -> None:
    """Ten minutes without a temperature in a long soak: what was missing, how long, which faults."""
    closure = only(closed(900, (120, None), (720, 21_000)))
    assert closure.verdict is Verdict.UNPROVEN
    assert closure.findings == (
        Finding(
            "sensor-fault",
            "No temperature for 10 min 1 s, 600 of 901 readings (crc 600).",
            121_000,
            {"unknown_ms": 601_000, "missing": 600, "readings": 901},
        ),
    )


def test_sensor_fault_lists_each_fault_word_with_its_count() -> None:
    meter = Meter(Requirement(20_000, 720_000), {A: SensorTerms(0), B: SensorTerms(0)})
    meter.feed(1, Reading(0, Why.TICK, Lid.OPEN, {A: 21_000, B: 21_000}))
    words = ["stale", "crc", "crc", "no-answer", "crc", "stale", "crc"]
    for number, word in enumerate(words, 2):
        fault = {A: Fault(word)} | ({B: Fault("power-on")} if word == "stale" else {})
        meter.feed(number, Reading(1_000 * number, Why.TICK, Lid.CLOSED, {A: None, B: 21_000}, fault))
    closure = meter.feed(20, Reading(20_000, Why.TICK, Lid.OPEN, {A: 21_000, B: 21_000}))
    assert closure is not None
    assert closure.faults == {"stale": 2, "power-on": 2, "crc": 4, "no-answer": 1}
    assert closure.findings[0].text == (
        "No temperature for 6 s, 7 of 7 readings (crc 4, no-answer 1, power-on 2, stale 2)."
    )


def test_a_silence_between_cold_readings_is_told_with_its_length() -> None:
    """Cold is why it is not met; that nobody knows how cold for ten minutes is told beside it."""
    meter = Meter(Requirement(20_000, 720_000), {A: SensorTerms(0)})
    meter.feed(1, Reading(0, Why.TICK, Lid.OPEN, {A: 19_000}))
    for number in range(2, 602):
        mc = 19_000 if number in (2, 601) else None
        meter.feed(number, Reading(1_000 * number, Why.TICK, Lid.CLOSED, {A: mc}))
    closure = meter.feed(602, Reading(602_000, Why.TICK, Lid.OPEN, {A: 19_000}))
    assert closure is not None
    assert (closure.unknown_ms, closure.silent_out_ms, closure.out_ms) == (0, 599_000, 599_000)
    found = {finding.code: finding for finding in closure.findings}
    assert found["sensor-fault"].text == "No temperature for 9 min 59 s, 598 of 600 readings."
    assert found["sensor-fault"].numbers == {
        "unknown_ms": 0,
        "silent_out_ms": 599_000,
        "missing": 598,
        "readings": 600,
    }


def test_ever_new_fault_words_are_bounded_and_none_is_left_uncounted() -> None:
    """A node gone mad, or somebody in its name, may make up words: memory and the finding stay small."""
    meter = Meter(Requirement(20_000, 720_000), {A: SensorTerms(0)})
    for number in range(1, 5_001):
        fault = {A: Fault("crc" if number % 2 else f"word-{number}")}
        meter.feed(number, Reading(1_000 * number, Why.TICK, Lid.CLOSED, {A: None}, fault))
    again = Meter.restored(meter.state())
    for one in (meter, again):
        closure = one.end()
        assert closure is not None
        assert closure.faults["crc"] == 2_500
        assert closure.faults["other"] == 2_500 - 15
        assert (len(closure.faults), sum(closure.faults.values())) == (17, 5_000)
        assert len(closure.findings[0].text) < 500


def test_faults_of_a_sensor_that_is_not_required_are_not_counted() -> None:
    """The basin is judged by its required sensors; another one's trouble is not why the proof lacks temperatures."""
    meter = Meter(Requirement(20_000, 720_000), {A: SensorTerms(0)})
    fault = {A: Fault("crc"), B: Fault("no-answer")}
    for number in range(1, 10):
        meter.feed(number, Reading(1_000 * number, Why.TICK, Lid.CLOSED, {A: None, B: None}, fault))
    closure = meter.end()
    assert closure is not None
    assert closure.faults == {"crc": 9}


def test_a_required_sensor_that_is_not_in_the_reading_at_all_is_unknown_too() -> None:
    """Missing is missing, whether the node says null or does not know the sensor."""
    meter = Meter(Requirement(20_000, 2_000), {A: SensorTerms(0), B: SensorTerms(0)})
    meter.feed(1, Reading(1_000, Why.TICK, Lid.OPEN, {A: 21_000}))
    for number in range(2, 10):
        meter.feed(number, Reading(1_000 * number, Why.TICK, Lid.CLOSED, {A: 21_000}))
    closure = meter.feed(10, Reading(10_000, Why.TICK, Lid.OPEN, {A: 21_000}))
    assert closure is not None
    assert (closure.verdict, closure.readings, closure.known) == (Verdict.UNPROVEN, 8, 0)
    assert closure.findings[0].text == "No temperature for 7 s, 8 of 8 readings."


def test_a_sensor_that_is_not_required_has_no_say() -> None:
    """Cold, hot or silent: only required sensors are judged."""
    for extra_mc in (5_000, 90_000, None):
        meter = Meter(Requirement(20_000, 2_000, 25_000), {A: SensorTerms(0)})
        for number in range(1, 6):
            meter.feed(number, Reading(1_000 * number, Why.TICK, Lid.CLOSED, {A: 21_000, B: extra_mc}))
        running = meter.running()
        assert running is not None
        assert (running.verdict, running.coldest_mc, running.hottest_mc) == (Verdict.MET, 21_000, 21_000)


def test_the_watch_began_with_the_lid_closed() -> None:
    closure = only([Row(number - 1, row.ms, row.closed, row.mc) for number, row in enumerate(closed(60)[1:], 2)])
    assert closure.verdict is Verdict.UNPROVEN
    assert closure.findings == (
        Finding("closing-not-seen", "The watch began with the lid already closed.", 1_000, {"lost": 0}),
    )


def test_readings_lost_before_it() -> None:
    """A stream's numbers begin at 1: what comes first with number 7 has lost six before it."""
    rows = [Row(row.number + 3, row.ms, row.closed, row.mc) for row in closed(60)]
    closure = only(rows[3:])
    assert closure.verdict is Verdict.UNPROVEN
    assert closure.lost_before == 6
    assert [finding.text for finding in closure.findings] == [
        "6 readings are missing just before it: the lid may have been open.",
        "6 readings are missing just before it: what the lid did there was not seen.",
    ]


def test_one_reading_lost_before_it_is_told_in_the_singular() -> None:
    rows = closed(60)
    closure = only([rows[0], *rows[2:]])
    assert closure.lost_before == 1
    assert [finding.text for finding in closure.findings] == [
        "1 reading is missing just before it: the lid may have been open.",
        "1 reading is missing just before it: what the lid did there was not seen.",
    ]


def test_readings_lost_after_it() -> None:
    rows = closed(60)
    closure = only([row for row in rows if row.number not in (60, 61, 62)])
    assert closure.verdict is Verdict.UNPROVEN
    assert closure.findings == (
        Finding(
            "readings-missing",
            "3 readings are missing at its end: what the lid did there was not seen.",
            58_000,
            {"lost": 3},
        ),
    )


def test_readings_lost_on_both_sides() -> None:
    """Both losses are added up, and the moment is that of the last reading."""
    rows = closed(60)
    closure = only([row for row in rows if row.number not in (2, 3, 62)])
    assert [(finding.code, finding.text, finding.at_ms) for finding in closure.findings] == [
        ("closing-not-seen", "2 readings are missing just before it: the lid may have been open.", 3_000),
        ("readings-missing", "3 readings are missing on both sides: what the lid did there was not seen.", 60_000),
    ]


def test_a_pause_before_it_too_long_to_count_as_watched() -> None:
    rows = closed(60)
    later = [Row(row.number, row.ms + 5_001, row.closed, row.mc) for row in rows[1:]]
    closure = only([rows[0], *later])
    assert [(finding.code, finding.text) for finding in closure.findings] == [
        ("closing-not-seen", "The pause before it was too long: the lid may have been open."),
        ("readings-missing", "The readings break off just before it: what the lid did there was not seen."),
    ]


def test_a_pause_after_it_too_long_to_count_as_watched() -> None:
    rows = closed(60)
    last = rows[-1]
    closure = only([*rows[:-1], Row(last.number, last.ms + 5_000, False, last.mc)])
    assert closure.findings == (
        Finding(
            "readings-missing",
            "The readings break off at its end: what the lid did there was not seen.",
            61_000,
            {"lost": 0},
        ),
    )


def test_a_stream_that_ends_with_the_lid_closed() -> None:
    """Power cut: a newer stream of the basin has begun."""
    closure = only(closed(60)[:-1], newer_stream=True)
    assert closure.verdict is Verdict.UNPROVEN
    assert [finding.text for finding in closure.findings] == [
        "The readings break off at its end: what the lid did there was not seen."
    ]


def test_no_requirement() -> None:
    closure = only(closed(720), Force(None, {A: Terms(0)}))
    assert closure.verdict is Verdict.UNPROVEN
    assert closure.findings == (
        Finding(
            "no-requirement",
            "No minimum temperature and contact time are set for this basin: nothing to prove.",
            None,
            {},
        ),
    )


def test_temperatures_out_of_range_are_never_flattered() -> None:
    """Finer than a hundredth, the coldest is rounded down and the hottest up."""
    force = Force(Need(20_000, 60_000, 25_000), {A: Terms(0)})
    closure = only(closed(60, (30, 25_341), usual_mc=19_888), force)
    texts = {finding.code: finding.text for finding in closure.findings}
    assert texts["below-minimum"].startswith("Down to 19.88 °C; the minimum is 20 °C.")
    assert texts["above-maximum"].startswith("Up to 25.35 °C; the maximum is 25 °C.")


@pytest.mark.parametrize(
    ("coldest_mc", "min_mc"), [(19_999, 20_000), (20_001, 20_005), (19_991, 19_999), (-5, -1), (20_000, 20_001)]
)
def test_below_minimum_never_says_the_same_temperature_twice(coldest_mc: int, min_mc: int) -> None:
    """ "Down to 20 °C; the minimum is 20 °C" would look like a mistake of the tool and be waved through."""
    force = Force(Need(min_mc, 60_000), {A: Terms(0)})
    closure = only(closed(60, usual_mc=coldest_mc), force)
    (cold,) = [finding for finding in closure.findings if finding.code == "below-minimum"]
    said = cold.text.removeprefix("Down to ").split(". Out")[0].split("; the minimum is ")
    assert len(said) == 2
    assert said[0] != said[1], cold.text


@pytest.mark.parametrize(("closed_s", "contact_ms"), [(719, 720_000), (720, 720_500), (3_610, 3_630_000), (0.4, 500)])
def test_opened_early_never_says_that_all_of_the_time_was_proven(closed_s: float, contact_ms: int) -> None:
    """ "Opened with 12 min of 12 min proven" would contradict its own verdict."""
    closure = only(closed(closed_s), Force(Need(20_000, contact_ms), {A: Terms(0)}))
    assert closure.verdict is Verdict.NOT_MET
    texts = {finding.code: finding.text for finding in closure.findings}
    proven, of = texts["opened-early"].removeprefix("Opened with ").split(" proven")[0].split(" of ")
    assert proven != of, texts["opened-early"]
    lasted, contact = texts["too-short"].removeprefix("Closed for ").rstrip(".").split("; the contact time is ")
    assert lasted != contact, texts["too-short"]


@settings(max_examples=300, deadline=None)
@given(cases())
def test_every_finding_is_one_of_the_list_with_a_sentence_and_whole_numbers(case: Case) -> None:
    """And none is given twice; its moment lies within what was watched of the closure, or at its opening."""
    for closure in metered(case.rows, case.force, case.newer_stream):
        codes = [finding.code for finding in closure.findings]
        assert len(set(codes)) == len(codes)
        assert set(codes) <= set(CODES)
        for finding in closure.findings:
            assert finding.text[0].isupper() or finding.text[0].isdigit()
            assert finding.text.endswith(".")
            assert "None" not in finding.text
            assert all(type(number) is int for number in finding.numbers.values())
            if finding.at_ms is not None:
                assert closure.closing_ms <= finding.at_ms <= (closure.opening_ms or closure.last_ms)


@settings(max_examples=300, deadline=None)
@given(cases())
def test_a_failing_verdict_always_has_a_reason(case: Case) -> None:
    for closure in metered(case.rows, case.force, case.newer_stream):
        if closure.verdict in (Verdict.NOT_MET, Verdict.UNPROVEN):
            assert closure.findings


def test_the_list_of_codes_is_the_design_s() -> None:
    """In the order of the design page, so that none is missed; each has a sentence for people."""
    assert list(CODES) == [
        "opened-early",
        "too-short",
        "below-minimum",
        "above-maximum",
        "guard-band",
        "sensor-fault",
        "readings-missing",
        "closing-not-seen",
        "over-immersed",
        "clock-unsynchronised",
        "check-overdue",
        "sensor-out",
        "no-requirement",
    ]
    assert all(text.endswith(".") and text[0].isupper() for text in CODES.values())
