"""Readiness: each thing that stands against a load, both ways and at its limit, with every word of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from kit import SECOND, SENSOR, arrived, batch, clock_at, opened, site, stream_id
from msgspec.structs import replace
from record_kit import DAY_MS, HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, TECHNICIAN, ZONE, Recording, at

from collector.intake import Intake
from collector.read import BasinNow
from collector.record import shelf
from collector.record.basins.physical import LOOK_BACK_MS
from collector.record.basins.readiness import Readiness, readiness
from collector.record.block import Block
from collector.record.book import Book
from collector.record.errors import UnknownThingError
from collector.record.things import (
    Fill,
    LabelConfirmed,
    Load,
    MecPolicy,
    MecResult,
    MecTest,
    Policy,
    Poured,
    Profile,
    SensorCheck,
    Thermometer,
    Thing,
)
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from collector.store import Store
from soak.reading import Fault, Lid, Reading, Why

BOOTED = MONDAY - HOUR_MS
"""When the node was started: 08:00."""

BASIN = "n1/b1"
NEEDS_MC = 20_580
"""Minimum 20 °C and U 0.58 °C; no correction."""

CONFIRMED = LabelConfirmed(
    by="ada", at_ms=MONDAY - DAY_MS, label_revision="R1", lot="L1", label_date="2026-01-05", picture_sha256="0" * 64
)
CONTACT_MS = 720_000
PROFILE = Profile(id="paa", name="peracetic acid", min_mc=20_000, contact_ms=CONTACT_MS, confirmed=CONFIRMED)
FILL = Fill(
    id="F1",
    basin=BASIN,
    profile="paa",
    poured=(Poured(bottle="B1", lot="L1", volume_ml=3_000, by=TECHNICIAN, at_ms=MONDAY - 30 * MINUTE_MS),),
    poured_ms=MONDAY - 30 * MINUTE_MS,
    poured_by=TECHNICIAN,
    use_by_ms=MONDAY + 13 * DAY_MS,
    use_by_why="reuse life of 14 days",
    tested_after_ms=MONDAY - 30 * MINUTE_MS,
)
TEST = MecTest(
    id="M1",
    fill="F1",
    strip_bottle="S1",
    by=TECHNICIAN,
    dipped_ms=MONDAY - 20 * MINUTE_MS,
    read_from_ms=MONDAY - 19 * MINUTE_MS,
    read_until_ms=MONDAY - 18 * MINUTE_MS,
    result=MecResult.PASS,
    read_ms=MONDAY - 19 * MINUTE_MS,
    read_by=TECHNICIAN,
)


class Basins:
    """One basin of two sensors that is ready on Monday at 09:00: nothing stands against a load."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        sensors = {SENSOR: SensorSettings(u_c="0.58"), SECOND: SensorSettings(u_c="0.58")}
        required = RequirementSettings("20", "12m", since=None)
        recording.clock.now_ms = BOOTED - HOUR_MS
        self.store = opened(recording.data, recording.clock)
        self.store.apply(site(basins=[BasinSettings("n1", "b1", "Basin 1", sensors, requirement=required)]))
        recording.clock.now_ms = MONDAY
        self.intake = Intake(self.store, recording.clock)
        self.number = 1
        recording.put(PROFILE, FILL, TEST)
        # The lid was lifted and put back, before and after a soak of a minute.
        self.hear("08:40:00", lid="open")
        for second in range(60):
            self.hear(f"08:40:{second:02}", lid="closed", after_ms=500)
        self.hear("08:41:00", lid="open")
        self.hear("09:00:00")

    def hear(
        self,
        clock: str,
        lid: str = "open",
        mc: int | None = 21_000,
        second_mc: int | None = 21_000,
        fault: str = "crc",
        *,
        after_ms: int = 0,
        synced: bool = True,
    ) -> None:
        """A reading at a time of day on Monday."""
        ms = at(f"2026-03-02 {clock}") + after_ms - BOOTED
        values = {SENSOR: mc, SECOND: second_mc}
        faults = {sensor: Fault(fault) for sensor, value in values.items() if value is None}
        reading = Reading(ms, Why("tick"), Lid(lid), values, faults)
        message = batch([reading], self.number, clock=clock_at(ms, synced=synced, booted_utc_ms=BOOTED))
        self.intake.take([arrived(message)])
        self.number += 1

    def at(self, moment_ms: int | None = None) -> Readiness:
        """Readiness now, or at a moment."""
        at_ms = self.recording.clock.now_ms if moment_ms is None else moment_ms
        return readiness(Book.looking(self.recording.desk.connection, at_ms), BASIN)

    def blocks(self) -> list[Block]:
        return list(self.at().blocks)

    def only(self) -> Block:
        (block,) = self.blocks()
        return block

    def change(self, thing: Any, **changes: object) -> None:
        """Record a thing with something changed."""
        self.recording.put(replace(thing, **changes))

    def close(self) -> None:
        self.store.close()


@pytest.fixture
def basins(recording: Recording) -> Iterator[Basins]:
    one = Basins(recording)
    yield one
    one.close()


def test_ready(basins: Basins) -> None:
    assert basins.at() == Readiness(
        BASIN,
        "F1",
        (),
        NEEDS_MC,
        21_000,
        (
            f"No check of sensor {SENSOR} is recorded, and the site has set no interval for checks.",
            f"No check of sensor {SECOND} is recorded, and the site has set no interval for checks.",
        ),
    )
    assert basins.at().ready


def test_an_unknown_basin_is_refused(basins: Basins) -> None:
    with pytest.raises(UnknownThingError) as refused:
        readiness(basins.recording.book(), "n1/b9")
    assert refused.value.rule == "unknown-basin"
    assert refused.value.text == "There is no basin 'n1/b9'."
    assert refused.value.next_step == "Choose a basin of the list, or name it in the collector's settings."


def test_a_node_is_heard_until_the_limit(basins: Basins) -> None:
    assert basins.at(MONDAY + 30 * SECOND_MS).ready
    silent = basins.at(MONDAY + 30 * SECOND_MS + 1)
    assert silent.blocks == (
        Block(
            "node-heard",
            "Nothing has been heard from Basin 1 for 30 s; the limit is 30 s.",
            "Check its node's power and network.",
        ),
    )
    assert silent.indicated_mc is None


def test_a_basin_never_heard(recording: Recording) -> None:
    found = readiness(recording.book(), "n1/b2")
    assert found.blocks[0] == Block(
        "node-heard",
        "No reading has come from Basin 2 lately: what happens in it is not known.",
        "Check its node's power and network.",
    )
    assert [block.rule for block in found.blocks] == ["node-heard", "fill-in-basin", "sensor-alive", "lid-moved"]


def test_a_node_that_does_not_know_the_time(basins: Basins) -> None:
    """Its readings carry a clock that nobody set: they may be of any day."""
    reading = Reading(1_000, Why("tick"), Lid("open"), {SENSOR: 21_000}, {})
    clock = clock_at(1_000, synced=False, booted_utc_ms=MONDAY)
    basins.intake.take([arrived(batch([reading], basin="b2", stream=stream_id(2), clock=clock), "n9")])
    assert readiness(basins.recording.book(), "n9/b2").blocks[0] == Block(
        "node-heard",
        "The node of n9 b2 does not know the time: how old its newest reading is cannot be told.",
        "See that the node reaches its time server.",
    )


def test_no_fill(basins: Basins) -> None:
    basins.change(FILL, id="F1", basin="n1/b2")
    assert basins.blocks() == [
        Block("fill-in-basin", "No fill is recorded in Basin 1.", "Pour solution into it and record it.")
    ]
    assert basins.at().fill == ""
    assert basins.at().needs_mc == NEEDS_MC, "before the first pour the settings say what is asked"


def test_a_failed_fill(basins: Basins) -> None:
    basins.change(FILL, failed_ms=MONDAY - MINUTE_MS)
    assert basins.only() == Block(
        "fill-failed",
        "A MEC test of fill F1 failed at 2026-03-02 08:59: it is out of use, whatever a later test says.",
        "Discard it and pour a new one.",
    )


def test_a_fill_is_in_date_until_its_last_moment(basins: Basins) -> None:
    basins.change(FILL, use_by_ms=MONDAY + CONTACT_MS)
    assert basins.at().ready
    for left_ms in (CONTACT_MS - 1, 0):  # in date, but not until the opening of a soak that starts now
        basins.change(FILL, use_by_ms=MONDAY + left_ms)
        assert basins.only() == Block(
            "fill-in-date",
            f"Fill F1 runs out at 09:{left_ms // 60_000:02} (reuse life of 14 days): a soak of 12 min that "
            "starts now would end after that.",
            "Discard it and pour a new one, even if a strip still passes.",
        )
    basins.change(FILL, use_by_ms=MONDAY - 1)
    assert basins.only() == Block(
        "fill-in-date",
        "Fill F1 was to be used by 2026-03-02 08:59 (reuse life of 14 days).",
        "Discard it and pour a new one, even if a strip still passes.",
    )


def test_a_fill_for_a_single_use(basins: Basins) -> None:
    basins.change(FILL, loads=1)
    assert basins.at().ready
    basins.change(PROFILE, single_use=True)
    assert basins.only() == Block(
        "single-use", "Fill F1 is for a single use and has had its load.", "Discard it and pour a new one."
    )
    basins.change(FILL, loads=0)
    assert basins.at().ready


@pytest.mark.parametrize(
    ("changes", "block"),
    [
        (
            {"manual": False},
            Block(
                "profile-manual",
                "The claim of peracetic acid holds in automated reprocessors only, not for soaking by hand.",
                "Discard the fill and pour a solution whose label has a claim for manual use.",
            ),
        ),
        (
            {"confirmed": None},
            Block(
                "profile-confirmed",
                "Nobody has confirmed the profile of peracetic acid against its label.",
                "Compare it with the label and confirm it.",
            ),
        ),
        (
            {"min_mc": None},
            Block(
                "profile-confirmed",
                "The profile of peracetic acid has no minimum temperature.",
                "Enter it from the label and have it confirmed again.",
            ),
        ),
        (
            {"contact_ms": None},
            Block(
                "profile-confirmed",
                "The profile of peracetic acid has no contact time.",
                "Enter it from the label and have it confirmed again.",
            ),
        ),
    ],
)
def test_a_profile_is_confirmed_whole_and_for_hands(basins: Basins, changes: dict[str, Any], block: Block) -> None:
    basins.change(PROFILE, **changes)
    assert basins.only() == block


def test_a_mec_test_for_each_use(basins: Basins) -> None:
    strip = "Test the solution with a strip."
    basins.change(TEST, fill="F9")
    assert basins.only() == Block("mec-tested", "Fill F1 has not been MEC tested since it was poured.", strip)
    basins.change(TEST, used_for="L1")
    assert basins.only() == Block(
        "mec-tested", "MEC test M1 of fill F1, the last one, cleared load L1; each use needs its own.", strip
    )
    basins.change(TEST, result=MecResult.NOT_READ)
    assert basins.only() == Block(
        "mec-tested", "MEC test M1 of fill F1 was not read within its window: it says nothing.", strip
    )
    basins.change(TEST, result=None, read_ms=None, read_from_ms=MONDAY, read_until_ms=MONDAY + MINUTE_MS)
    assert basins.only() == Block(
        "mec-tested",
        "MEC test M1 of fill F1 waits to be read.",
        "Read it from 09:00:00 to 09:01:00 against its bottle's own chart.",
    )
    basins.change(TEST)
    basins.change(FILL, tested_after_ms=TEST.dipped_ms + 1)
    assert basins.only() == Block("mec-tested", "Fill F1 was topped up at 08:40; no MEC test since.", strip)
    basins.change(FILL, tested_after_ms=TEST.dipped_ms)
    assert basins.at().ready


def test_a_mec_test_a_day_where_label_and_site_say_so(basins: Basins) -> None:
    basins.change(TEST, used_for="L1")
    basins.change(PROFILE, mec_daily_allowed=True)
    assert [block.rule for block in basins.blocks()] == ["mec-tested"]
    basins.recording.set_policy(mec=MecPolicy.DAILY)
    assert basins.at().ready
    basins.change(PROFILE, mec_daily_allowed=False)
    assert [block.rule for block in basins.blocks()] == ["mec-tested"]
    basins.change(PROFILE, mec_monitored=False)
    assert basins.at().ready


def test_a_failed_fill_is_not_asked_for_a_test_besides(basins: Basins) -> None:
    basins.change(TEST, result=MecResult.FAIL)
    basins.change(FILL, failed_ms=TEST.dipped_ms)
    assert [block.rule for block in basins.blocks()] == ["fill-failed"]


def test_a_sensor_without_a_value(basins: Basins) -> None:
    basins.hear("09:00:01", mc=None)
    basins.recording.later(SECOND_MS)
    assert basins.only() == Block(
        "sensor-alive", f"Sensor {SENSOR} gives no temperature: garbled answer.", "Check its cable and plug."
    )
    basins.hear("09:00:02", mc=None, second_mc=None, fault="starting")
    basins.recording.later(SECOND_MS)
    assert basins.blocks()[0] == Block(
        "sensor-alive",
        f"Sensor {SENSOR} gives no temperature: has not measured yet.",
        "Wait for its first value; if none comes, check its plug.",
    )
    assert [block.rule for block in basins.blocks()] == ["sensor-alive", "sensor-alive"]
    assert basins.at().indicated_mc is None


def test_no_sensor_at_all(recording: Recording) -> None:
    assert (
        Block(
            "sensor-alive",
            "No sensor of Basin 2 has its uncertainty in the collector's settings: nothing can be proven.",
            "Name its sensors in the settings, each with the uncertainty from its check.",
        )
        in readiness(recording.book(), "n1/b2").blocks
    )


def _check(sensor: str = SENSOR, **changes: Any) -> SensorCheck:
    figures: dict[str, Any] = {
        "id": f"C-{sensor[-1]}",
        "sensor": sensor,
        "basin": BASIN,
        "at_ms": at("2026-02-02 09:00"),
        "by": "sam",
        "reference": "reference thermometer 7",
        "correction_mc": 0,
        "u_mc": 580,
    }
    return SensorCheck(**figures | changes)


def test_a_check_is_in_date_to_the_end_of_its_day(basins: Basins) -> None:
    basins.recording.put(_check(due="2026-03-02"), _check(SECOND, due="2026-03-02"))
    assert basins.at().ready
    assert basins.at().remarks == ()
    basins.recording.put(_check(due="2026-03-01"))
    assert basins.only() == Block(
        "sensor-check",
        f"The check of sensor {SENSOR} was due on 2026-03-01.",
        "Compare it with a reference thermometer and record the check.",
    )


def test_the_sites_interval_counts_where_a_check_says_nothing(basins: Basins) -> None:
    basins.recording.put(_check(), _check(SECOND))
    basins.recording.set_policy(sensor_check_days=28)
    assert basins.at().ready
    basins.recording.set_policy(sensor_check_days=27)
    assert [block.text for block in basins.blocks()] == [
        f"The check of sensor {SENSOR} was due on 2026-03-01.",
        f"The check of sensor {SECOND} was due on 2026-03-01.",
    ]


def test_a_sensor_never_checked_where_the_site_checks(basins: Basins) -> None:
    basins.recording.put(_check())
    basins.recording.set_policy(sensor_check_days=365)
    assert basins.only() == Block(
        "sensor-check",
        f"Sensor {SECOND} has never been checked; the site checks every 365 days.",
        "Compare it with a reference thermometer and record the check.",
    )


def test_a_check_of_later_says_nothing_of_today(basins: Basins) -> None:
    basins.recording.set_policy(sensor_check_days=365)
    basins.recording.put(_check(at_ms=MONDAY), _check(SECOND, at_ms=MONDAY + 1))
    assert [block.rule for block in basins.blocks()] == ["sensor-check"]


def test_figures_of_a_later_check_count_from_then_on(basins: Basins) -> None:
    basins.recording.put(_check(at_ms=MONDAY + 1, correction_mc=-500))
    assert basins.at(MONDAY).needs_mc == NEEDS_MC
    assert basins.at(MONDAY + 1).needs_mc == NEEDS_MC + 500


def test_warm_enough_to_the_millidegree(basins: Basins) -> None:
    basins.hear("09:00:01", mc=NEEDS_MC)
    basins.recording.later(SECOND_MS)
    assert basins.at().ready
    basins.hear("09:00:02", mc=NEEDS_MC - 1)
    basins.recording.later(SECOND_MS)
    assert basins.only() == Block(
        "temperature", "Too cold: needs 20.6 °C, shows 20.5 °C.", "Warm the solution up, as its label says."
    )
    assert (basins.at().needs_mc, basins.at().indicated_mc) == (NEEDS_MC, NEEDS_MC - 1)


def test_each_sensor_is_held_to_its_own_figures(basins: Basins) -> None:
    """The one that reads higher may be the one that is too cold: it reads half a degree too high."""
    basins.recording.put(_check(correction_mc=-500, u_mc=300), _check(SECOND, correction_mc=200, u_mc=300))
    basins.hear("09:00:01", mc=20_799, second_mc=20_100)
    basins.recording.later(SECOND_MS)
    assert basins.only().text == "Too cold: needs 20.8 °C, shows 20.7 °C."
    assert (basins.at().needs_mc, basins.at().indicated_mc) == (20_800, 20_100)


def test_not_too_warm_to_the_millidegree(basins: Basins) -> None:
    basins.change(PROFILE, max_mc=25_000)
    basins.hear("09:00:01", mc=24_420)
    basins.recording.later(SECOND_MS)
    assert basins.at().ready
    basins.hear("09:00:02", mc=24_421)
    basins.recording.later(SECOND_MS)
    assert basins.only() == Block(
        "temperature-maximum",
        "Too warm: shows 24.5 °C, may show 24.4 °C at most.",
        "Let the solution cool down.",
    )


def _read(**changes: Any) -> Thermometer:
    figures: dict[str, Any] = {"id": "R1", "basin": BASIN, "at_ms": MONDAY, "by": TECHNICIAN, "read_mc": 20_000}
    return Thermometer(**figures | changes)


def test_an_independent_thermometer_where_the_site_asks(basins: Basins) -> None:
    basins.recording.set_policy(thermometer=True, thermometer_valid_ms=10 * MINUTE_MS)
    todo = "Read the independent thermometer in the solution and record it."
    assert basins.only() == Block("thermometer", "No independent thermometer was read in fill F1 yet.", todo)
    basins.recording.put(_read(at_ms=MONDAY - 10 * MINUTE_MS))
    assert basins.at().ready
    basins.recording.put(_read(at_ms=MONDAY - 10 * MINUTE_MS - 1))
    assert basins.only() == Block(
        "thermometer", "The independent thermometer was read 10 min ago; it counts for 10 min.", todo
    )
    basins.recording.put(_read(read_mc=19_999))
    assert basins.only() == Block(
        "thermometer",
        "The independent thermometer showed 19.9 °C; the minimum is 20.0 °C.",
        "Warm the solution up and read it again.",
    )
    basins.change(PROFILE, max_mc=25_000)
    basins.recording.put(_read(read_mc=25_000))
    assert basins.at().ready
    basins.recording.put(_read(read_mc=25_001))
    assert basins.only() == Block(
        "thermometer",
        "The independent thermometer showed 25.1 °C; the maximum is 25.0 °C.",
        "Let the solution cool down and read it again.",
    )


def test_a_thermometer_reading_of_before_the_pour_is_of_another_solution(basins: Basins) -> None:
    basins.recording.set_policy(thermometer=True)
    basins.recording.put(_read(at_ms=FILL.poured_ms))
    assert basins.at().ready
    basins.recording.put(_read(at_ms=FILL.poured_ms - 1))
    assert basins.only().text == "No independent thermometer was read in fill F1 yet."


def test_the_lid_switch_moves_today(basins: Basins) -> None:
    """The day begins at midnight at the site; what was seen yesterday may be stuck since."""
    tuesday = MONDAY + DAY_MS
    basins.recording.clock.now_ms = tuesday
    moved = Block(
        "lid-moved",
        "The lid switch of Basin 1 has not been seen to move today: it may be stuck.",
        "Lift the lid, put it back, and see that its page follows.",
    )
    assert moved in basins.blocks()
    basins.recording.set_policy(lid_moved_today=False)
    assert moved not in basins.blocks()
    basins.recording.set_policy(lid_moved_today=True)
    assert moved not in basins.at(at("2026-03-02 23:59:59")).blocks
    assert moved in basins.at(at("2026-03-03 00:00:00")).blocks
    assert moved in basins.at(at("2026-03-02 08:40:00")).blocks, "it moved half a second later"
    assert moved not in basins.at(at("2026-03-02 08:40:00") + 500).blocks


def test_a_lid_seen_to_close_counts_before_it_opens_again(basins: Basins) -> None:
    tuesday = MONDAY + DAY_MS
    start = at("2026-03-03 08:59:58") - at("2026-03-02 08:59:58")
    basins.hear("08:59:58", lid="open", after_ms=start)
    basins.hear("08:59:59", lid="closed", after_ms=start)
    basins.recording.clock.now_ms = tuesday
    assert "lid-moved" not in [block.rule for block in basins.blocks()]


def test_a_lid_found_closed_has_not_been_seen_to_move(basins: Basins) -> None:
    """A node started under a closed lid: a reading with the lid closed is no movement."""
    tuesday = MONDAY + DAY_MS
    basins.hear("09:00:00", lid="closed", after_ms=DAY_MS)
    basins.recording.clock.now_ms = tuesday
    assert "lid-moved" in [block.rule for block in basins.blocks()]


def test_a_lid_found_closed_has_moved_once_it_was_opened(basins: Basins) -> None:
    """Its closing was seen by nobody, its opening was: of a moment in between, nothing had moved yet."""
    basins.recording.clock.now_ms = MONDAY + DAY_MS + HOUR_MS
    for second in range(31):
        basins.hear(f"09:00:{second:02}", lid="open" if second == 30 else "closed", after_ms=DAY_MS)

    def said(second: int) -> bool:
        blocks = basins.at(MONDAY + DAY_MS + second * SECOND_MS).blocks
        return "lid-moved" in [block.rule for block in blocks]

    assert [said(10), said(29), said(30), said(31)] == [True, True, False, False]


def test_one_load_at_a_time(basins: Basins) -> None:
    load = Load(id="L1", basin=BASIN, fill="F1", began_ms=MONDAY - MINUTE_MS, by=TECHNICIAN)
    basins.recording.put(load)
    assert basins.only() == Block(
        "basin-free",
        "Load L1 has been in Basin 1 since 08:59.",
        "Add the device to that load, or take its devices out first.",
    )
    basins.change(load, ended_ms=MONDAY)
    assert basins.at().ready
    basins.change(load, basin="n1/b2")
    assert basins.at().ready


def test_a_moment_of_the_past_is_judged_by_its_own_readings(basins: Basins) -> None:
    """What is newest now says nothing of then: the demo plays past deeds, and old readings lie on pages."""
    past = at("2026-03-02 09:10")
    for minute in range(5):
        basins.hear(f"09:{10 + minute}:00", mc=20_700 - 100 * minute)
    basins.recording.clock.now_ms = at("2026-03-02 12:00")
    assert basins.at(past).ready
    assert basins.at(past + 30 * SECOND_MS).indicated_mc == 20_700
    assert basins.at(past + 30 * SECOND_MS + 1).indicated_mc is None
    assert basins.at(past - 1).indicated_mc is None
    assert basins.at(past - 1).blocks[0].text == (
        "No reading has come from Basin 1 lately: what happens in it is not known."
    )
    cold = basins.at(past + 2 * MINUTE_MS)
    assert [block.text for block in cold.blocks] == ["Too cold: needs 20.6 °C, shows 20.5 °C."]
    assert basins.at(past + LOOK_BACK_MS - 1).blocks[0].text == (
        "Nothing has been heard from Basin 1 for 59 s; the limit is 30 s."
    )


def test_the_most_important_comes_first(basins: Basins) -> None:
    """Everything is wrong at once."""
    basins.change(PROFILE, manual=False, confirmed=None)
    basins.change(FILL, use_by_ms=MONDAY - 1)
    basins.change(TEST, result=MecResult.NOT_READ)
    basins.recording.put(Load(id="L1", basin=BASIN, fill="F1", began_ms=MONDAY, by=TECHNICIAN))
    basins.recording.put(_check(due="2026-03-01"))
    basins.recording.set_policy(thermometer=True)
    basins.hear("09:00:00", mc=None, second_mc=19_000, after_ms=DAY_MS)
    basins.recording.clock.now_ms = MONDAY + DAY_MS
    everything = [
        "fill-in-date",
        "profile-manual",
        "profile-confirmed",
        "mec-tested",
        "sensor-alive",
        "sensor-check",
        "temperature",
        "thermometer",
        "lid-moved",
        "basin-free",
    ]
    assert [block.rule for block in basins.blocks()] == everything
    basins.recording.later(HOUR_MS)
    silent = [block.rule for block in basins.blocks()]
    assert silent == ["node-heard", *(rule for rule in everything if rule not in ("sensor-alive", "temperature"))]


AFTERNOON = at("2026-03-02 14:00")
THE_DAY_AFTER = at("2026-03-03 14:00")
NEVER = None


class Drawn(NamedTuple):
    """A basin as a test draws it, everything counted back from the moment of asking.

    Attributes:
        tomorrow: It is the day after the one on which the lid was seen to move.
        heard_ago_ms: Age of the newest reading.
        mc: What the two sensors indicate.
        fill: There is one.
        failed: A MEC test of it failed.
        left_ms: How long it is still in date; negative: it is not.
        manual, confirmed: Of its profile.
        most_mc: Its maximum temperature.
        test_ago_ms: Since the passed MEC test was dipped.
        topped_up_ago_ms: Since solution was added last.
        test_used: It has cleared a load.
        daily_label, daily_site: Daily tests are enough for the label, for the site.
        checks_due: Days from today to the day on which the check of each sensor is due; None: never checked.
        check_days: The site checks so often.
        asks_thermometer: The site asks for an independent thermometer.
        thermometer_ago_ms: Since it was read; None: never.
        thermometer_mc: What it showed.
        asks_lid: The lid must have been seen to move today.
        load: Another load is in the basin.
    """

    tomorrow: bool = False
    heard_ago_ms: int = 0
    mc: tuple[int | None, int | None] = (21_000, 21_000)
    fill: bool = True
    failed: bool = False
    left_ms: int = CONTACT_MS
    manual: bool = True
    confirmed: bool = True
    most_mc: int | None = None
    test_ago_ms: int | None = 60_000
    topped_up_ago_ms: int = 60_000
    test_used: bool = False
    daily_label: bool = False
    daily_site: bool = False
    checks_due: tuple[int | None, int | None] = (None, None)
    check_days: int | None = None
    asks_thermometer: bool = False
    thermometer_ago_ms: int | None = None
    thermometer_mc: int = 20_000
    asks_lid: bool = True
    load: bool = False


def stands_against(drawn: Drawn) -> set[str]:
    """What stands against a load, said once more and by other means: nothing of the program is asked."""
    against = set()
    if drawn.heard_ago_ms > 30_000:
        against.add("node-heard")
    if not drawn.fill:
        against.add("fill-in-basin")
    else:
        if drawn.failed:
            against.add("fill-failed")
        elif drawn.left_ms < CONTACT_MS:
            against.add("fill-in-date")
        if not drawn.manual:
            against.add("profile-manual")
        if not drawn.confirmed:
            against.add("profile-confirmed")
        enough = drawn.test_ago_ms is not None and drawn.test_ago_ms <= drawn.topped_up_ago_ms
        spent = drawn.test_used and not (drawn.daily_label and drawn.daily_site)
        if not drawn.failed and (not enough or spent):
            against.add("mec-tested")
        if drawn.asks_thermometer:
            ago_ms, most = drawn.thermometer_ago_ms, drawn.most_mc
            fresh = ago_ms is not None and ago_ms <= min(drawn.topped_up_ago_ms, 3_600_000)
            if not fresh or drawn.thermometer_mc < 20_000 or (most is not None and drawn.thermometer_mc > most):
                against.add("thermometer")
    for due in drawn.checks_due:
        if due is None and drawn.check_days is not None:
            against.add("sensor-check")
        if due is not None and due < 0:
            against.add("sensor-check")
    if drawn.heard_ago_ms <= 30_000:
        if None in drawn.mc:
            against.add("sensor-alive")
        for mc in drawn.mc:
            if mc is not None and mc - 580 < 20_000:
                against.add("temperature")
            if mc is not None and drawn.fill and drawn.most_mc is not None and mc + 580 > drawn.most_mc:
                against.add("temperature-maximum")
    if drawn.asks_lid and drawn.tomorrow:
        against.add("lid-moved")
    if drawn.load:
        against.add("basin-free")
    return against


_minutes = st.integers(0, 90 * 60_000)
_temperatures = st.one_of(st.none(), st.integers(20_570, 20_590), st.integers(24_410, 24_430), st.just(22_000))
_days = st.one_of(st.none(), st.integers(-2, 2))


def _mostly(usual: Any, other: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Nearly always as usual, so that a basin is ready now and then."""
    return st.integers(0, 5).flatmap(lambda dice: other if dice == 0 else st.just(usual))


drawings = st.builds(
    Drawn,
    tomorrow=_mostly(False, st.booleans()),
    heard_ago_ms=_mostly(0, st.sampled_from([0, 29_999, 30_000, 30_001, 50_000])),
    mc=_mostly((21_000, 21_000), st.tuples(_temperatures, _temperatures)),
    fill=_mostly(True, st.booleans()),
    failed=_mostly(False, st.booleans()),
    left_ms=st.sampled_from([CONTACT_MS, CONTACT_MS + 1, 86_400_000])
    | _mostly(CONTACT_MS, st.sampled_from([CONTACT_MS - 1, 0, -1, -60_000])),
    manual=_mostly(True, st.booleans()),
    confirmed=_mostly(True, st.booleans()),
    most_mc=st.sampled_from([None, 25_000]),
    test_ago_ms=_mostly(60_000, st.none() | _minutes),
    topped_up_ago_ms=_mostly(90 * 60_000, _minutes),
    test_used=_mostly(False, st.booleans()),
    daily_label=st.booleans(),
    daily_site=st.booleans(),
    checks_due=_mostly((1, 0), st.tuples(_days, _days)),
    check_days=st.sampled_from([None, 90]),
    asks_thermometer=st.booleans(),
    thermometer_ago_ms=_mostly(60_000, st.none() | _minutes),
    thermometer_mc=_mostly(20_000, st.integers(19_999, 20_001) | st.integers(24_999, 25_001)),
    asks_lid=st.booleans(),
    load=_mostly(False, st.booleans()),
)


def _things(drawn: Drawn, at_ms: int) -> Iterator[Thing]:
    began_ms = at_ms - 100 * MINUTE_MS
    day = datetime.fromtimestamp(at_ms / 1000, ZONE).date()
    yield replace(
        PROFILE,
        manual=drawn.manual,
        confirmed=CONFIRMED if drawn.confirmed else None,
        max_mc=drawn.most_mc,
        mec_daily_allowed=drawn.daily_label,
    )
    if drawn.fill:
        yield replace(
            FILL,
            poured_ms=began_ms,
            tested_after_ms=at_ms - drawn.topped_up_ago_ms,
            use_by_ms=at_ms + drawn.left_ms,
            failed_ms=began_ms if drawn.failed else None,
        )
    if drawn.test_ago_ms is not None:
        dipped_ms = at_ms - drawn.test_ago_ms
        yield replace(TEST, dipped_ms=dipped_ms, read_ms=dipped_ms, used_for="L9" if drawn.test_used else "")
    for number, (sensor, due) in enumerate(zip((SENSOR, SECOND), drawn.checks_due, strict=True)):
        if due is not None:
            yield _check(sensor, id=f"C{number}", at_ms=began_ms, due=(day + timedelta(due)).isoformat())
    if drawn.thermometer_ago_ms is not None:
        yield _read(at_ms=at_ms - drawn.thermometer_ago_ms, read_mc=drawn.thermometer_mc)
    if drawn.load:
        yield Load(id="L9", basin=BASIN, fill="F1", began_ms=began_ms, by=TECHNICIAN)
    yield Policy(
        id="site",
        time_zone=ZONE.key,
        mec=MecPolicy.DAILY if drawn.daily_site else MecPolicy.EACH_USE,
        sensor_check_days=drawn.check_days,
        thermometer=drawn.asks_thermometer,
        lid_moved_today=drawn.asks_lid,
    )


def _drawn_ready(store: Store, drawn: Drawn) -> Readiness:
    """Readiness of the basin as drawn; nothing of it stays in the database."""
    connection = store.db.conn
    at_ms = THE_DAY_AFTER if drawn.tomorrow else AFTERNOON
    connection.execute("BEGIN")
    try:
        connection.execute("DELETE FROM thing")
        for thing in _things(drawn, at_ms):
            shelf.write(connection, 1, {thing.KIND: {thing.id: msgspec.to_builtins(thing)}})
        mc = dict(zip((SENSOR, SECOND), drawn.mc, strict=True))
        now = BasinNow(at_ms - drawn.heard_ago_ms, True, stream_id(1), 99, 1, Lid("open"), mc, {}, None)
        connection.execute("UPDATE now SET body = ?", (msgspec.json.encode(now).decode(),))
        return readiness(Book.looking(connection, at_ms), BASIN)
    finally:
        connection.rollback()


@pytest.fixture(scope="module")
def drawn_in(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store whose basin is changed by each example and put back."""
    recording = Recording(tmp_path_factory.mktemp("drawn"))
    one = Basins(recording)
    yield one.store
    one.close()
    recording.close()


@settings(max_examples=400, deadline=None)
@given(drawn=drawings)
@example(drawn=Drawn())
@example(drawn=Drawn(left_ms=-1))
@example(drawn=Drawn(heard_ago_ms=30_001))
@example(drawn=Drawn(mc=(20_580, 20_579)))
@example(drawn=Drawn(most_mc=25_000, mc=(24_420, 24_421)))
@example(drawn=Drawn(asks_thermometer=True))
def test_ready_exactly_when_nothing_stands_against_it(drawn_in: Store, drawn: Drawn) -> None:
    found = _drawn_ready(drawn_in, drawn)
    assert {block.rule for block in found.blocks} == stands_against(drawn)
    assert found.ready is (not stands_against(drawn))


def test_a_moment_on_a_full_page_is_looked_up_quickly(basins: Basins) -> None:
    """One page is read, not the stream: a few thousand readings at most."""
    values: dict[str, int | None] = {SENSOR: 21_000, SECOND: 21_000}
    ticks = [Reading(3_700_000 + 1_000 * n, Why("tick"), Lid("open"), values, {}) for n in range(7_300)]
    for start in range(0, len(ticks), 500):
        piece = ticks[start : start + 500]
        basins.intake.take([arrived(batch(piece, basins.number, clock=clock_at(piece[-1].ms, booted_utc_ms=BOOTED)))])
        basins.number += len(piece)
    (pages,) = basins.store.db.execute("SELECT count(*) FROM page").fetchone()
    assert pages >= 2
    opened: list[str] = []
    past = BOOTED + 5_000_000
    basins.recording.desk.connection.set_trace_callback(opened.append)
    assert basins.at(past).indicated_mc == 21_000
    basins.recording.desk.connection.set_trace_callback(None)
    assert sum("page_index i USING" in sql for sql in opened) == 1
