"""What is poured decides what is required; when that is corrected, soaks are judged again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from kit import BOOTED_UTC_MS, SENSOR, Collecting, batch, clock_at, reading, soak, state, stream_id

from collector.machine import ClosureJudged
from collector.machine import Required as RequiredRecord
from collector.orders import orders_for
from collector.reassess import Reassessment
from collector.record.deed import HANDS, Deed
from collector.record.desk import Desk
from collector.record.things import Discarded, Fill, Person, Profile, SensorCheck, Thing
from collector.required import Required, Use, timeline
from collector.verify import verify
from soak.requirement import Requirement, SensorTerms

MINUTE_MS = 60_000


class _Put(Deed, frozen=True, kw_only=True):
    """Put a thing on the shelf, for these tests; in no list of deeds, for other tests ask all that are listed."""

    NAME = "test-put"
    ROLES = HANDS
    kind: str
    content: dict[str, Any]

    def perform(self, book: Any) -> Thing:
        kinds = {"profile": Profile, "fill": Fill, "sensor-check": SensorCheck, "person": Person}
        return book.put(msgspec.convert(self.content, kinds[self.kind]))  # type: ignore[no-any-return,arg-type]


class Working:
    """A collector that looks for changes, and a desk beside it."""

    def __init__(self, data: Path) -> None:
        self.collecting = Collecting(data)
        self.reassessment = Reassessment(self.collecting.store, self.collecting.intake)
        self.desk = Desk(data, self.collecting.clock)
        with self.desk.transaction():
            body = '{"id":"tina","name":"Tina","roles":["technician"]}'
            self.desk.connection.execute("INSERT INTO thing VALUES ('person', 'tina', '', 0, 1, 0, ?)", (body,))
        self.settle()

    def put(self, thing: Thing) -> None:
        self.desk.do(_Put(kind=thing.KIND, content=msgspec.to_builtins(thing)), "tina")

    def settle(self) -> set[str]:
        nodes = self.reassessment.look()
        while self.reassessment.step():
            pass
        return nodes

    def verdicts(self) -> list[tuple[str, int | None]]:
        found = []
        for each in self.collecting.closures():
            need = each.closure.requirement
            found.append((each.closure.verdict.value, need.contact_ms // MINUTE_MS if need else None))
        return found


@pytest.fixture
def working(tmp_path: Path) -> Iterator[Working]:
    one = Working(tmp_path / "data")
    yield one
    one.desk.close()
    one.collecting.close()


def profile(contact_min: int, min_mc: int = 20_000) -> Profile:
    return Profile(id="opa", name="ortho-phthalaldehyde 0.55 %", min_mc=min_mc, contact_ms=contact_min * MINUTE_MS)


def fill(poured_ms: int, discarded_ms: int | None = None) -> Fill:
    discarded = Discarded(by="tina", at_ms=discarded_ms, reason="spent", volume_ml=1) if discarded_ms else None
    return Fill(
        id="F1",
        basin="n1/b1",
        profile="opa",
        poured=(),
        poured_ms=poured_ms,
        poured_by="tina",
        use_by_ms=poured_ms + 10**9,
        use_by_why="",
        tested_after_ms=poured_ms,
        discarded=discarded,
    )


def soaked(working: Working, minutes: int, start_min: int, number: int) -> int:
    readings = soak(minutes * MINUTE_MS, start_ms=start_min * MINUTE_MS)
    working.collecting.take(batch(readings, number))
    return number + len(readings)


def test_a_fill_decides_what_is_required_of_soaks_in_it(working: Working) -> None:
    """The settings ask for 12 minutes; from the pour on the label's 10 count, after the discarding nothing does."""
    number = soaked(working, 11, 1, 1)
    working.put(profile(10))
    working.put(fill(BOOTED_UTC_MS + 20 * MINUTE_MS, BOOTED_UTC_MS + 60 * MINUTE_MS))
    assert working.settle() == {"n1"}
    number = soaked(working, 11, 30, number)
    soaked(working, 11, 70, number)
    assert working.verdicts() == [("not met", 12), ("met", 10), ("unproven", None)]


def test_a_corrected_profile_judges_again_what_it_judged(working: Working) -> None:
    working.put(profile(10))
    working.put(fill(BOOTED_UTC_MS))
    working.settle()
    number = soaked(working, 11, 1, 1)
    soaked(working, 16, 30, number)
    assert working.verdicts() == [("met", 10), ("met", 10)]
    working.put(profile(15))
    assert working.settle() == {"n1"}
    assert working.verdicts() == [("not met", 15), ("met", 15)]
    superseded = [each for each in working.collecting.closures(superseded=True) if each.superseded_by]
    assert [each.closure.verdict.value for each in superseded] == ["met", "met"]  # both stay
    assert verify(working.collecting.data_dir).wrong is None
    assert working.settle() == set()


def test_a_correction_made_while_the_collector_was_stopped_is_found(working: Working, tmp_path: Path) -> None:
    working.put(profile(10))
    working.put(fill(BOOTED_UTC_MS))
    working.settle()
    soaked(working, 11, 1, 1)
    working.put(profile(15))
    working.collecting.restart()
    working.reassessment = Reassessment(working.collecting.store, working.collecting.intake)
    working.settle()
    assert working.verdicts() == [("not met", 15)]


def test_a_soak_in_progress_is_judged_by_what_is_corrected_meanwhile(working: Working) -> None:
    working.put(profile(10))
    working.put(fill(BOOTED_UTC_MS))
    working.settle()
    readings = soak(11 * MINUTE_MS)
    working.collecting.take(batch(readings[:400]))
    working.put(profile(15))
    working.settle()
    running = working.collecting.now().closure
    assert running is not None
    assert running.requirement is not None
    assert running.requirement.contact_ms == 15 * MINUTE_MS
    working.collecting.take(batch(readings[400:], 401))
    assert working.verdicts() == [("not met", 15)]


def test_closures_that_end_with_their_stream_or_in_a_loss_are_judged_again(working: Working) -> None:
    working.put(profile(10))
    working.put(fill(BOOTED_UTC_MS - MINUTE_MS))  # after a loss the strictest since the boot counts
    working.settle()
    lost = [reading(1_000 * number, "closed") for number in range(1, 1_500)]
    working.collecting.take(batch(lost[:700]), batch(lost[720:], 721))
    working.collecting.take(state((stream_id(1), 721, 1_499), ms=1_500_000))
    after = [reading(1_000, "open")]
    working.collecting.take(batch(after, stream=stream_id(2), boot="9f6c0000-0000-4000-8000-000000000009"))
    newer = state((stream_id(2), 1, 1), ms=2_000, boot="9f6c0000-0000-4000-8000-000000000009")
    working.collecting.take(newer)
    assert working.verdicts() == [("met", 10), ("met", 10)]
    working.put(profile(13))
    working.settle()
    assert [need for _, need in working.verdicts()] == [13, 13]
    assert len(working.collecting.closures(superseded=True)) == 4


@pytest.mark.parametrize("restarted", [False, True])
def test_a_closure_dated_after_a_check_is_judged_by_it(working: Working, *, restarted: bool) -> None:
    """The node's clock is an hour ahead: its soak was judged before the check was made, and is dated after it."""
    readings = soak(13 * MINUTE_MS)
    ahead = clock_at(readings[-1].ms, booted_utc_ms=BOOTED_UTC_MS + 60 * MINUTE_MS)
    working.collecting.take(batch(readings, clock=ahead))
    check = SensorCheck(
        id="C1",
        sensor=SENSOR,
        basin="n1/b1",
        at_ms=BOOTED_UTC_MS + 30 * MINUTE_MS,
        by="tina",
        reference="r",
        correction_mc=-700,
        u_mc=400,
    )
    working.put(check)
    if restarted:
        working.collecting.restart()
        working.reassessment = Reassessment(working.collecting.store, working.collecting.intake)
    working.settle()
    assert [(each.closure.verdict, each.closure.allowance_mc) for each in working.collecting.closures()] == [
        ("not met", -100)
    ]
    working.reassessment = Reassessment(working.collecting.store, working.collecting.intake)
    working.settle()
    assert len(working.collecting.closures(superseded=True)) == 2  # and once is enough


def test_what_is_poured_is_looked_up_by_the_clock_that_the_closing_came_with(working: Working) -> None:
    """The clock is set back an hour in the middle: the closing was dated before that, and so it is after a pour."""
    readings = soak(13 * MINUTE_MS, start_ms=70 * MINUTE_MS)
    working.collecting.take(batch(readings[:400]))
    behind = clock_at(readings[-1].ms, booted_utc_ms=BOOTED_UTC_MS - 60 * MINUTE_MS)
    working.collecting.take(batch(readings[400:], 401, clock=behind))
    working.put(profile(15))
    working.put(fill(BOOTED_UTC_MS + 40 * MINUTE_MS))
    working.settle()
    assert working.verdicts() == [("not met", 15)]
    body = working.collecting.rows("SELECT body FROM ledger WHERE kind = 'closure' ORDER BY number DESC")[0][0]
    record = msgspec.json.decode(body, type=ClosureJudged)
    assert record.closing_utc_ms == BOOTED_UTC_MS + 10 * MINUTE_MS
    assert record.closing_read_utc_ms == BOOTED_UTC_MS + 70 * MINUTE_MS


def test_orders_follow_the_fill(working: Working) -> None:
    working.put(profile(10, 25_000))
    working.put(fill(working.collecting.clock() - 1))
    working.settle()
    orders = orders_for(working.collecting.store, working.collecting.clock, "n1", 1)
    assert orders.basins["b1"].requirement == Requirement(25_000, 10 * MINUTE_MS)


def test_a_sensor_check_changes_its_figures_from_then_on() -> None:
    base = [Required(100, Requirement(20_000, 720_000), {SENSOR: SensorTerms(500)})]
    check = SensorCheck(
        id="C1", sensor=SENSOR, basin="n1/b1", at_ms=200, by="tina", reference="r", correction_mc=-250, u_mc=180
    )
    other = msgspec.structs.replace(check, id="C2", sensor="28-00000000000f", at_ms=300)
    assert timeline(base, [], [check, other]) == [
        base[0],
        Required(200, base[0].requirement, {SENSOR: SensorTerms(180, -250)}),
    ]


def test_a_check_of_an_earlier_moment_judges_again_what_came_after_it(working: Working) -> None:
    """A rehearsal plays the checks of its past when their readings are judged already; the same holds for a soak that
    ends in the second in which the check is made."""
    number = soaked(working, 13, 2, 1)
    soaked(working, 13, 60, number)
    assert [each.closure.allowance_mc for each in working.collecting.closures()] == [500, 500]
    between_ms = BOOTED_UTC_MS + 30 * MINUTE_MS
    check = SensorCheck(
        id="C1", sensor=SENSOR, basin="n1/b1", at_ms=between_ms, by="tina", reference="r", correction_mc=-250, u_mc=180
    )
    working.put(check)
    assert working.settle() == {"n1"}
    assert [each.closure.allowance_mc for each in working.collecting.closures()] == [500, 570]
    assert [each.closure.allowance_mc for each in working.collecting.closures(superseded=True)].count(500) == 2


def test_between_two_fills_nothing_is_required() -> None:
    first, second = Requirement(20_000, 600_000), Requirement(25_000, 1_200_000)
    base = [Required(100, Requirement(20_000, 720_000), {SENSOR: SensorTerms(500)})]
    found = timeline(base, [Use(200, 300, first), Use(400, None, second)], [])
    assert [(each.since_ms, each.requirement) for each in found] == [
        (100, base[0].requirement),
        (200, first),
        (300, None),
        (400, second),
    ]


def test_what_the_settings_say_later_does_not_undo_a_fill() -> None:
    base = [
        Required(100, Requirement(20_000, 720_000), {SENSOR: SensorTerms(500)}),
        Required(500, Requirement(20_000, 60_000), {SENSOR: SensorTerms(400)}),
    ]
    found = timeline(base, [Use(200, None, Requirement(25_000, 600_000))], [])
    assert found[-1] == Required(500, Requirement(25_000, 600_000), {SENSOR: SensorTerms(400)})


def test_the_record_of_a_requirement_says_what_the_settings_ask(working: Working) -> None:
    (body,) = working.collecting.rows("SELECT body FROM ledger WHERE kind = 'requirement'")[0]
    record = msgspec.json.decode(body, type=RequiredRecord)
    assert (record.basin, record.requirement) == ("n1/b1", Requirement(20_000, 720_000))
    assert clock_at(0).synced
