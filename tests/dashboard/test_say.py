"""The sentence of a basin: what is going on and what to do next, whole texts."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pagekit import NOW_MS, WHEN, sensor

from collector.read import Basin, BasinNow, StoredClosure
from dashboard.say import FRESH_MS, Kind, Said, Seen, say
from dashboard.unbroken import unbroken_ms
from dashboard.words import counter, needs_words, requirement_words
from soak.closure import Closure
from soak.exposure import Meter
from soak.quantity import tenths
from soak.reading import Fault, Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms

SENSOR = sensor(1)
NEED = Requirement(min_mc=20_000, contact_ms=720_000)
BASIN = Basin(1, "n1", "b1", "Basin 1", "scope room", NEED, {SENSOR: SensorTerms(u_mc=580)})


def reading(ms: int, lid: Lid, mc: int | None) -> Reading:
    fault = {} if mc is not None else {SENSOR: Fault("no-answer")}
    return Reading(ms, Why.TICK, lid, {SENSOR: mc}, fault)


def readings(*spans: tuple[int, Lid, int | None]) -> list[Reading]:
    """One reading a second: so many seconds, lid, millidegrees."""
    found: list[Reading] = []
    for seconds, lid, mc in spans:
        found += [reading((len(found) + second) * 1000, lid, mc) for second in range(seconds)]
    return found


def watched(*spans: tuple[int, Lid, int | None], basin: Basin = BASIN, **known: object) -> tuple[Seen, list[Reading]]:
    """What is known after these readings, by the real rule."""
    meter = Meter(basin.requirement, basin.sensors)
    taken = readings(*spans)
    ended: Closure | None = None
    for number, each in enumerate(taken, start=1):
        ended = meter.feed(number, each) or ended
    last = taken[-1]
    offset_ms = NOW_MS - last.ms
    now = BasinNow(NOW_MS, True, "a" * 32, len(taken), last.ms, last.lid, last.mc, last.fault, meter.running())
    latest = None
    if ended is not None:
        latest = StoredClosure(7, 1, ended.closing_ms + offset_ms, ended.last_ms + offset_ms, True, NOW_MS, None, ended)
    seen = Seen(basin, now, latest, NOW_MS, unbroken_ms=unbroken_ms(basin, now, lambda _: taken))
    return msgspec.structs.replace(seen, **known), taken


def said(*spans: tuple[int, Lid, int | None], basin: Basin = BASIN, **known: object) -> Said:
    return say(watched(*spans, basin=basin, **known)[0], WHEN)


WAIT = (10, Lid.OPEN, 21_300)


def test_soaking() -> None:
    """7 min 24 s of 12 min: 4 min 36 s to go from 13:18:00, so ready in the minute that ends at 13:23."""
    found = said(WAIT, (445, Lid.CLOSED, 21_300))
    assert found.headline == "Keep closed. Ready 13:23."
    assert found.detail == "7 min 24 s of 12 min proven without a break."
    assert (found.kind, found.left_ms, found.level) == (Kind.SOAKING, 276_000, 616)


def test_met() -> None:
    """Never plain go: a met soak says what comes next."""
    found = said(WAIT, (790, Lid.CLOSED, 21_300))
    assert (found.kind, found.headline, found.level) == (Kind.MET, "Soak met. Rinse next.", 1000)
    assert found.detail == "12 min proven. Lid on for 13 min 9 s."


@pytest.mark.parametrize("lid", list(Lid))
def test_a_hole_never_lets_an_earlier_verdict_stand_for_what_is_in_the_basin(lid: Lid) -> None:
    """A met soak, then readings that have not come yet: what is in the basin now may be another device."""
    seen, _ = watched(WAIT, (790, Lid.CLOSED, 21_300), (5, Lid.OPEN, 21_300))
    assert seen.now is not None
    assert say(seen, WHEN).kind is Kind.MET
    late = msgspec.structs.replace(seen.now, lid=lid, judged_to=seen.now.number, number=seen.now.number + 30)
    found = say(msgspec.structs.replace(seen, now=late), WHEN)
    assert (found.kind, found.headline, found.level) == (Kind.BEHIND, "Catching up", 0)
    assert found.detail.startswith(f"Lid {lid.value}. Earlier readings are still coming;")


def test_a_met_soak_before_a_hole_is_not_said_of_the_lid_closed_behind_it() -> None:
    seen, _ = watched(WAIT, (790, Lid.CLOSED, 21_300))
    assert seen.now is not None
    assert say(seen, WHEN).kind is Kind.MET
    late = msgspec.structs.replace(seen.now, judged_to=seen.now.number, number=seen.now.number + 30)
    assert say(msgspec.structs.replace(seen, now=late), WHEN).kind is Kind.BEHIND


def test_a_closed_lid_of_which_nothing_is_judged_is_not_called_open() -> None:
    seen, _ = watched(WAIT, (5, Lid.CLOSED, 21_300))
    assert seen.now is not None
    unknown = msgspec.structs.replace(seen.now, closure=None)
    assert say(msgspec.structs.replace(seen, now=unknown), WHEN).detail.startswith("Lid closed.")


def test_met_and_opened() -> None:
    found = said(WAIT, (790, Lid.CLOSED, 21_300), (60, Lid.OPEN, 21_300))
    assert (found.kind, found.headline, found.level) == (Kind.MET, "Soak met. Rinse next.", 0)
    assert found.detail == "Opened 13:17 after 13 min 9 s."


def test_opened_early() -> None:
    found = said(WAIT, (551, Lid.CLOSED, 21_300), (240, Lid.OPEN, 21_300))
    assert (found.kind, found.headline) == (Kind.REPROCESS, "Reprocess: opened at 9 min 10 s of 12 min")
    assert found.detail == "Opened 13:14. A device that was in it is not proven disinfected."


def test_opened_after_a_cold_soak() -> None:
    found = said(WAIT, (790, Lid.CLOSED, 19_400), (5, Lid.OPEN, 19_400))
    assert (found.kind, found.headline) == (Kind.REPROCESS, "Reprocess: too cold")
    assert "Opened with 0 s of 12 min proven" in found.detail


def test_opened_without_proof() -> None:
    """Unproven tells the person the same thing to do as not met."""
    found = said(
        WAIT, (400, Lid.CLOSED, 21_300), (30, Lid.CLOSED, None), (400, Lid.CLOSED, 21_300), (5, Lid.OPEN, 21_300)
    )
    assert (found.kind, found.headline) == (Kind.REPROCESS, "Reprocess: no temperature")


def test_a_lid_put_down_in_passing_is_no_reprocessing() -> None:
    found = said(WAIT, (30, Lid.CLOSED, 21_300), (5, Lid.OPEN, 21_300))
    assert (found.kind, found.headline, found.detail) == (Kind.OPEN, "Lid open", "Asks for 12 min at 20 °C or more.")


def test_an_old_verdict_is_no_news() -> None:
    """Half an hour after the opening the lid is simply open."""
    seconds = FRESH_MS // 1000
    assert said(WAIT, (551, Lid.CLOSED, 21_300), (seconds, Lid.OPEN, 21_300)).kind is Kind.REPROCESS
    assert said(WAIT, (551, Lid.CLOSED, 21_300), (seconds + 1, Lid.OPEN, 21_300)).kind is Kind.OPEN


def test_standing_by_overnight() -> None:
    found = said(WAIT, (54_600, Lid.CLOSED, 21_300))
    assert (found.kind, found.headline) == (Kind.STANDING, "Lid on since Mon 2 Mar 2026 22:08")
    assert found.detail == (
        "15 h 9 min, contact time met long ago. A device still in it: look at its maker’s longest time."
    )


def test_too_cold_says_what_the_display_must_show() -> None:
    """20 °C and U = 0.58 °C: 20.58, so the display must show 20.6."""
    found = said(WAIT, (60, Lid.CLOSED, 21_300), (60, Lid.CLOSED, 20_579))
    assert (found.kind, found.headline, found.level) == (Kind.OUT, "Too cold: 20.5 °C", 0)
    assert found.detail == "The display must show 20.6 or more. The time starts again from zero."
    assert said(WAIT, (60, Lid.CLOSED, 20_580)).kind is Kind.SOAKING


def test_too_warm() -> None:
    basin = msgspec.structs.replace(BASIN, requirement=Requirement(20_000, 720_000, max_mc=25_000))
    found = said(WAIT, (60, Lid.CLOSED, 24_421), basin=basin)
    assert (found.kind, found.headline) == (Kind.OUT, "Too warm: 24.5 °C")
    assert found.detail == "The display may show 24.4 at most. The time starts again from zero."
    assert said(WAIT, (60, Lid.CLOSED, 24_420), basin=basin).kind is Kind.SOAKING


def test_no_temperature_only_after_the_longest_pause() -> None:
    """A failed conversion or two do not break a soak, so they are no headline."""
    spans = (WAIT, (60, Lid.CLOSED, 21_300), (4, Lid.CLOSED, None))
    assert said(*spans, without_ms=5_000).kind is Kind.SOAKING
    found = said(*spans, without_ms=5_001)
    assert (found.kind, found.headline) == (Kind.NO_TEMPERATURE, "No temperature")
    assert found.detail == (f"Nothing can be proven meanwhile. Sensor {SENSOR} does not answer; push its plug home.")


def test_not_heard() -> None:
    found = said(WAIT, (60, Lid.CLOSED, 21_300), silent_ms=12_400)
    assert (found.kind, found.headline, found.level) == (Kind.SILENT, "Not heard for 12 s", 0)
    assert found.detail == (
        "Lid closed when last heard, 13:18. Check the node’s power and network; what it recorded will follow."
    )
    assert said(WAIT, silent_ms=5_000).kind is Kind.OPEN
    gone = said(WAIT, silent_ms=5_001, node_gone=True)
    assert gone.detail == "Lid open when last heard, 13:18. Its node is off or cut off. Check power and network."


def test_silence_is_counted_at_the_pace_of_a_rehearsal() -> None:
    """At sixty times the pace, five real seconds are five minutes."""
    assert said(WAIT, silent_ms=300_000, speed=60).kind is Kind.OPEN
    assert said(WAIT, silent_ms=300_001, speed=60).kind is Kind.SILENT


def test_old_readings_arriving_are_not_the_present() -> None:
    found = said(WAIT, (60, Lid.CLOSED, 21_300), silent_ms=3_600_000, arriving=True)
    assert (found.kind, found.headline, found.level) == (Kind.BEHIND, "Catching up", 0)


def test_a_collector_that_stores_nothing_says_nothing_about_nodes() -> None:
    """Who is sent to look at the node's power while the collector stands looks in the wrong place."""
    found = said(WAIT, (60, Lid.CLOSED, 21_300), silent_ms=60_000, not_stored=True, node_gone=True)
    assert (found.kind, found.headline) == (Kind.SILENT, "Not heard for 1 min")
    assert found.detail.endswith("Nothing new is stored at present: see above. What the node records will follow.")


def test_never_heard() -> None:
    found = say(Seen(BASIN, None, None, NOW_MS), WHEN)
    assert (found.kind, found.headline) == (Kind.UNHEARD, "Nothing heard yet")


def test_no_requirement() -> None:
    basin = msgspec.structs.replace(BASIN, requirement=None)
    found = said(WAIT, (60, Lid.CLOSED, 21_300), basin=basin)
    assert (found.kind, found.headline) == (Kind.NO_REQUIREMENT, "No requirement set")
    assert found.detail == (
        "Lid closed for 59 s. Nothing can be proven. "
        "Set minimum temperature and contact time for n1/b1 in the collector’s settings."
    )


def test_a_requirement_set_during_a_closure_promises_nothing() -> None:
    """The requirement in force at the closing judges the closure: it has none, so there is no time to be ready."""
    without = msgspec.structs.replace(BASIN, requirement=None)
    seen, _ = watched(WAIT, (60, Lid.CLOSED, 21_300), basin=without)
    found = say(msgspec.structs.replace(seen, basin=BASIN), WHEN)
    assert (found.kind, found.headline) == (Kind.NO_REQUIREMENT, "No requirement at this closing")


def test_an_unsynchronised_clock_does_not_shift_the_promise() -> None:
    """Ready is counted from when the reading came, not from the node's wrong wall clock."""
    seen, _ = watched(WAIT, (445, Lid.CLOSED, 21_300))
    assert seen.now is not None
    astray = msgspec.structs.replace(seen.now, at_utc_ms=NOW_MS - 86_400_000, synced=False)
    assert say(msgspec.structs.replace(seen, now=astray), WHEN).headline == "Keep closed. Ready 13:23."


def longest_tail_ms(taken: list[Reading]) -> int:
    """Slow and obvious: walk back from the newest reading for as long as known readings are warm and near."""
    credited, newest = 0, None
    for each in reversed(taken):
        if each.lid is Lid.OPEN:
            break
        mc = each.mc[SENSOR]
        if mc is None:
            continue
        if mc < 20_580 or (newest is not None and newest - each.ms > NEED.max_gap_ms):
            break
        if newest is None:
            first = each.ms
        credited, newest = first - each.ms, each.ms
    return min(credited, NEED.contact_ms)


SPANS = st.tuples(st.integers(1, 60), st.just(Lid.CLOSED), st.sampled_from([21_000, 20_580, 20_579, None]))


@settings(max_examples=200, deadline=None)
@given(st.lists(SPANS, min_size=1, max_size=12))
def test_the_level_is_the_time_proven_up_to_now(spans: list[tuple[int, Lid, int | None]]) -> None:
    """The stored closure knows the longest run; the level shows the present one, whatever came before."""
    seen, taken = watched(WAIT, *spans)
    assert seen.now is not None
    assert seen.now.closure is not None
    if seen.now.closure.verdict != "met":
        assert seen.unbroken_ms == longest_tail_ms(taken)


@pytest.mark.parametrize(("ms", "text"), [(276_000, "4:36"), (275_001, "4:36"), (1, "0:01"), (720_000, "12:00")])
def test_the_counter_counts_a_started_second_whole(ms: int, text: str) -> None:
    assert counter(ms) == text


@pytest.mark.parametrize(
    ("mc", "down", "up"),
    [(21_312, "21.3", "21.4"), (21_300, "21.3", "21.3"), (-50, "-0.1", "0.0"), (-62, "-0.1", "0.0")],
)
def test_tenths(mc: int, down: str, up: str) -> None:
    assert (tenths(mc), tenths(mc, up=True)) == (down, up)


def test_what_the_display_must_show() -> None:
    """Minimum plus U less the correction, up to the tenth; maximum less both, down to the tenth."""
    assert needs_words(NEED, SensorTerms(u_mc=580)) == "needs 20.6 or more"
    assert needs_words(NEED, SensorTerms(u_mc=580, correction_mc=-210)) == "needs 20.8 or more"
    assert needs_words(Requirement(20_000, 1, max_mc=25_000), SensorTerms(580)) == "needs 20.6 to 24.4"
    assert requirement_words(Requirement(20_000, 720_000, 25_000)) == "12 min at 20 °C or more, at most 25 °C"
