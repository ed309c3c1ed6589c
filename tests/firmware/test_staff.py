"""The demo's staff, planned: the same every time, in order, and in step with the loads that the nodes send."""

from __future__ import annotations

import contextlib
import itertools
import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from firmware.simulator.clinic import CLINIC, node_names
from firmware.simulator.memory import Memory
from firmware.simulator.past import past_script
from firmware.simulator.script import DAY_MS, Mistake
from firmware.simulator.staff import Staff
from firmware.simulator.staff_days import Day, Seen, day_items, review
from firmware.simulator.staff_label import REVISIONS, picture
from firmware.simulator.staff_live import Play
from firmware.simulator.staff_past import end_ms, past_days, past_streams, special_days, start_ms
from firmware.simulator.staff_plan import Item, Occasion, Ward, resolved
from firmware.simulator.staff_rounds import Fates
from firmware.simulator.staff_screen import Screen
from firmware.simulator.staff_setup import set_up
from firmware.simulator.staff_stock import GOES_INTO, KIND_OF, KINDS, PROFILE_OF, SOLUTIONS, STAFF, udi
from firmware.simulator.staff_talk import Answer, AwayError, Teller, parts
from soak.rehearsal import Rehearsal

END_MS = 1_790_000_000_000  # a Monday
DAYS = 30
NODES = {name: Memory("1:2:1", END_MS + 90_000, DAYS, END_MS, 3_600_000) for name in node_names()}


@pytest.fixture(scope="module")
def days() -> list[Day]:
    return past_days(NODES, 1)


def fine(occasion: Occasion) -> bool:
    return not occasion.mistakes


def planned(days: list[Day], seed: int = 1) -> list[Item]:
    ward = Ward(seed)
    items = set_up(ward, start_ms(NODES))
    for day in days:
        items += day_items(ward, day, Seen(fine), Fates(), special_days(days))
        items += review(ward, day, ["closure:a:1", "device:GS-01"], "2026-09-01")
    return items


def test_the_same_seed_plans_the_same_month(days: list[Day]) -> None:
    assert planned(days) == planned(past_days(NODES, 1))
    assert planned(days) != planned(days, seed=2)


def test_loads_are_those_that_the_nodes_send(days: list[Day]) -> None:
    """Every load of the simulator's past, no other, each with the closure that its node saw, unless power failed."""
    found = {(each.basin, each.closed_ms, each.opened_ms) for day in days for each in day.occasions}
    sent = set()
    for basin in CLINIC:
        key = f"{basin.node}/{basin.name}"
        begins_ms = END_MS - DAYS * DAY_MS
        script = past_script(
            basin.played(), 1, key, start_ms=begins_ms, end_ms=END_MS, utc_offset_ms=NODES[basin.node].utc_offset_ms
        )
        sent |= {
            (key, load.closed_ms, load.opened_ms) for load in script.loads if Mistake.DEVICE_ADDED not in load.mistakes
        }
    assert found == sent
    assert len(found) > 1_000
    streams = past_streams(NODES, 1)
    keyed = [each for day in days for each in day.occasions if each.closure]
    assert {each.closure.partition(":")[0] for each in keyed} <= streams
    assert len(found) - len(keyed) < 30


def test_days_follow_each_other(days: list[Day]) -> None:
    assert [day.number for day in days] == list(range(len(days)))
    assert days[0].from_ms == start_ms(NODES) == END_MS - DAYS * DAY_MS
    assert days[-1].until_ms == end_ms(NODES) == END_MS
    for before, after in itertools.pairwise(days):
        assert before.until_ms == after.from_ms == after.midnight_ms


def test_everything_is_named_before_it_is_spoken_of(days: list[Day]) -> None:
    """In the order in which it is sent, no declaration refers to something that is made only later."""
    numbers: dict[str, str] = {}
    for item in planned(days):
        resolved(item.fields, numbers)
        if item.makes:
            assert item.makes not in numbers
            numbers[item.makes] = f"{item.makes[0]}{len(numbers) + 1}"


def test_a_day_is_in_order_of_time(days: list[Day]) -> None:
    ward = Ward(1)
    before_ms = start_ms(NODES)
    assert max(item.at_ms for item in set_up(ward, before_ms)) < before_ms
    for day in days[:-1]:
        items = day_items(ward, day, Seen(fine), Fates(), special_days(days))
        assert [item.at_ms for item in items] == sorted(item.at_ms for item in items)
        if items:
            assert items[0].at_ms >= before_ms
            assert items[-1].at_ms < day.until_ms
            before_ms = items[-1].at_ms


def test_a_month_shows_everything(days: list[Day]) -> None:
    items = planned(days)
    said = {item.deed for item in items}
    assert said >= {
        *("record-person", "set-policy", "draft-profile", "confirm-profile", "correct-profile", "record-device"),
        *("receive-bottle", "activate-bottle", "pour-fill", "top-up-fill", "discard-fill", "receive-strip-bottle"),
        *("open-strip-bottle", "record-controls", "discard-strip-bottle", "begin-mec-test", "read-mec-test"),
        *("abandon-mec-test", "begin-turn", "attest-steps", "start-load", "take-out", "assign-late", "begin-rinse"),
        *("end-rinse", "attest-dried", "release", "store-device", "record-use", "quarantine-device"),
        *(
            "lift-quarantine",
            "record-reference",
            "record-mapping",
            "check-sensor",
            "read-thermometer",
            "hand-over",
            "transcribe-downtime",
        ),
        *("answer-closures", "sign-review", "announce-opening", "add-device"),
    }
    results = [item.fields["result"] for item in items if item.deed == "read-mec-test" and not item.may]
    assert {"pass", "fail"} <= set(results) or {"pass", "doubtful"} <= set(results)
    assert 10 < sum(item.deed == "sign-review" for item in items) < 27
    assert sum(item.deed == "transcribe-downtime" for item in items) == 1
    assert any(item.deed == "record-use" and not item.fields["encounter"] for item in items)


def test_a_load_is_prepared_and_tested_before_its_lid_closes(days: list[Day]) -> None:
    """Every load that is started has its steps, and where it is monitored a passing test, before the closing."""
    items = planned(days)
    occasions = {(each.basin, each.in_ms + 3_000): each for day in days for each in day.occasions}
    starts = [item for item in items if item.deed == "start-load" and "override" not in item.fields]
    assert len(starts) > 900
    monitored = {solution.profile for solution in SOLUTIONS if solution.strip}
    passes = sorted(item.at_ms for item in items if item.deed == "read-mec-test" and item.fields["result"] == "pass")
    for start in starts:
        occasion = occasions[start.fields["basin"], start.at_ms]
        assert occasion.lifted_ms < start.at_ms < occasion.closed_ms
        if PROFILE_OF[occasion.basin] in monitored:
            assert any(occasion.lifted_ms - 300_000 < at_ms < occasion.in_ms for at_ms in passes)
        for device in start.fields["devices"]:
            assert KIND_OF[device].id in GOES_INTO[occasion.basin]


def test_no_device_is_in_two_rounds_at_once(days: list[Day]) -> None:
    """A round begins after the last one of the same device was taken out."""
    busy: dict[str, int] = {}
    occasions = {(each.basin, each.in_ms + 3_000): each for day in days for each in day.occasions}
    for item in planned(days):
        if item.deed == "begin-turn":
            assert busy.get(item.fields["device"], 0) < item.at_ms
        if item.deed == "start-load":
            occasion = occasions.get((item.fields["basin"], item.at_ms))
            for device in item.fields["devices"] if occasion else ():
                busy[device] = occasion.out_ms  # type: ignore[union-attr]


def gs1_sum(code: str) -> int:
    """GS1 General Specifications 7.9, written out once more: weighted 3 and 1 from the right, check digit included."""
    return sum(int(digit) * (3, 1)[(len(code) - place) % 2] for place, digit in enumerate(code))


def test_product_codes_are_of_restricted_circulation_and_hold_together() -> None:
    codes = [kind.code for kind in KINDS] + [solution.code for solution in SOLUTIONS]
    assert len(set(codes)) == len(codes)
    for code in codes:
        assert re.fullmatch(r"004\d{11}", code)
        assert gs1_sum(code) % 10 == 0
    assert gs1_sum("09506000134352") % 10 == 0  # the example in GS1's own pages
    udis = [udi(device) for device in KIND_OF]
    assert len(set(udis)) == len(udis) == 33


@pytest.mark.parametrize("label", REVISIONS)
def test_a_label_is_a_pdf_whose_table_leads_to_its_parts(label: tuple[str, str]) -> None:
    """ISO 32000-1, 7.5.4: each entry of the cross-reference table is the offset at which its object begins."""
    content = picture(*label)
    assert picture(*label) == content
    at = int(content.rsplit(b"startxref\n", 1)[1].split(b"\n")[0])
    entries = content[at:].split(b"\n")[3:8]
    for number, entry in enumerate(entries, 1):
        assert content[int(entry[:10]) :].startswith(b"%d 0 obj" % number)
    assert b"INVENTED LABEL" in content


def test_nobody_has_a_pin_that_anybody_would_try() -> None:
    assert len({each.pin for each in STAFF}) == len({each.badge for each in STAFF}) == len(STAFF)
    for each in STAFF:
        assert re.fullmatch(r"\d{6}", each.pin)
        assert len({(int(b) - int(a)) % 10 for a, b in zip(each.pin, each.pin[1:], strict=False)}) > 1


def test_a_basin_is_never_left_without_a_fill_between_two_parts() -> None:
    """What follows a discard until the next pour goes with it, however large the part becomes."""
    quiet = [Item(at_ms=at_ms, deed="hand-over", who="x") for at_ms in range(59)]
    refilled = [
        Item(at_ms=1_000 + number, deed=deed, who="x")
        for number, deed in enumerate(("discard-fill", "receive-bottle", "activate-bottle", "pour-fill", "hand-over"))
    ]
    assert [len(part) for part in parts([*quiet, *refilled])] == [63, 1]


class Pages:
    """Answers like the pages; keeps what it was asked."""

    def __init__(self, answers: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
        self.said: list[dict[str, Any]] = []
        self.asked: list[tuple[str, Any]] = []
        self._answers = answers

    def ask(self, path: str, said: Any) -> Answer:
        self.asked.append((path, said))
        if path == "api/rehearsal/deeds":
            self.said += said
            return Answer(200, [self._answers(each) for each in said])
        return Answer(200, {"id": "M9"})


def test_the_records_own_numbers_are_put_in() -> None:
    """Within one part they are foretold; afterwards they are those that the record gave."""
    given = iter(["F1", "F2", "M1"])
    pages = Pages(lambda each: {"id": next(given)} if each["deed"] != "hand-over" else {"id": "H1"})
    teller = Teller(pages.ask, Ward(1))
    pour = Item(at_ms=1, deed="pour-fill", who="x", makes="F#1")
    again = msgspec.structs.replace(pour, at_ms=2, makes="F#2")
    test = Item(at_ms=3, deed="begin-mec-test", who="x", fields={"fill": "@F#2"}, makes="M#1")
    teller.play([pour, again, test])
    assert pages.said[2]["fields"] == {"fill": "F2"}
    assert teller.recorded == 3


def test_numbers_foretold_in_vain_are_foretold_again() -> None:
    """What was not taken has no numbers, so what is sent again names the same ones."""
    given = iter(["F1", "M1"])
    pages, away = Pages(lambda _: {"id": next(given)}), [True]

    def ask(path: str, said: Any) -> Answer:
        return Answer(409, {}) if away and away.pop() else pages.ask(path, said)

    pour = Item(at_ms=1, deed="pour-fill", who="x", makes="F#1")
    test = Item(at_ms=3, deed="begin-mec-test", who="x", fields={"fill": "@F#1"}, makes="M#1")
    teller = Teller(ask, Ward(1))
    with pytest.raises(AwayError):
        teller.play([pour, test])
    teller.play([pour, test])
    assert pages.said[1]["fields"] == {"fill": "F1"}


def refusing(rule: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda _: {"refused": {"rule": rule, "text": "No.", "next_step": "Try."}}


def test_only_what_the_play_does_not_foresee_is_unexpected(caplog: pytest.LogCaptureFixture) -> None:
    teller = Teller(Pages(refusing("basin-busy")).ask, Ward(1))
    teller.play([Item(at_ms=1, deed="start-load", who="x", may=("basin-busy",))])
    assert (teller.refused, teller.unexpected) == (1, [])
    teller.play([Item(at_ms=1, deed="start-load", who="x")])
    assert [(each.rule, each.text) for each in teller.unexpected] == [("basin-busy", "No.")]
    assert "not expected: start-load of x refused by basin-busy: No." in caplog.text


def test_what_a_visitor_overtook_is_declared_now() -> None:
    answers = iter([refusing("clock-behind")({}), {"id": "H1"}])
    pages = Pages(lambda _: next(answers))
    teller = Teller(pages.ask, Ward(1))
    teller.play([Item(at_ms=1, deed="hand-over", who="x")], lambda: 77)
    assert [each["at_ms"] for each in pages.said] == [1, 77]
    assert (teller.recorded, teller.unexpected) == (1, [])


def test_the_same_is_sent_again_under_the_same_key() -> None:
    item = Item(at_ms=1, deed="hand-over", who="x", fields={"note": "a"})
    pages = Pages(lambda _: {"id": "H1"})
    for _ in range(2):
        Teller(pages.ask, Ward(1)).play([item])
    Teller(pages.ask, Ward(1)).play([msgspec.structs.replace(item, at_ms=2)])
    first, second, other = (each["once"] for each in pages.said)
    assert first == second != other


def test_an_answer_that_is_no_answer_is_not_taken_for_one() -> None:
    teller = Teller(lambda _path, _said: Answer(409, {"rule": "x"}), Ward(1))
    with pytest.raises(AwayError):
        teller.play([Item(at_ms=1, deed="hand-over", who="x")])
    assert teller.recorded == 0


def test_a_tablet_is_signed_in_once_for_each_person() -> None:
    pages = Pages(lambda _: {})
    teller = Teller(pages.ask, Ward(1), lambda: pages.ask)
    note = Item(at_ms=1, deed="hand-over", who="n-lampwick", fields={"note": "a"})
    teller.declare(note, "scope-room")
    teller.declare(note, "scope-room")
    teller.declare(msgspec.structs.replace(note, who="j-beispielmann"), "scope-room")
    paths = [path for path, _ in pages.asked]
    deed = "api/deeds/hand-over"
    assert paths == ["api/sign-in", deed, deed, "api/sign-in", deed]
    assert pages.asked[0][1] == {"badge": "DEMO-N-LAMPWICK", "pin": "816253"}


def live(seconds: int, met: Callable[[Occasion], bool | None], *, patient: bool = False) -> Iterator[Item]:
    """The first seconds of a live play without past days."""
    nodes = {name: Memory("1:2:1", END_MS + 90_000, 0, END_MS, 0) for name in node_names()}
    ward = Ward(1)
    set_up(ward, END_MS)
    play = Play(ward, nodes, END_MS - 45 * 60_000)
    yield from play.due(END_MS + 90_000 + seconds * 1_000, met, patient=patient)


@pytest.mark.parametrize("speed", [20, 1])
def test_what_is_due_while_the_pages_are_away_is_declared_once_they_are_back(
    speed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A load that is not on record raises no alarm when it is opened early."""
    staff = Staff(tmp_path, "http://127.0.0.1:1/", Rehearsal(0, END_MS, speed), 1, threading.Event())
    asked, away = [], iter([False, True, False, True])

    def ask(path: str, said: Any = None) -> Answer:
        if next(away, False):
            raise AwayError(path)
        asked.append(path)
        return Answer(200, [{"id": "H1"} for _ in said] if isinstance(said, list) else {"id": "H1", "things": []})

    teller = Teller(ask, Ward(1), lambda: ask)
    monkeypatch.setattr(staff, "_teller", teller)
    monkeypatch.setattr(staff, "_screen", Screen(ask))
    nodes = {name: Memory("1:2:1", END_MS, 0, END_MS, 0) for name in node_names()}
    due = [Item(at_ms=END_MS + at_ms, deed="hand-over", who="n-lampwick") for at_ms in range(100)]
    play = Play(Ward(1), nodes, END_MS, due)
    taken = 0
    for _ in range(3):
        with contextlib.suppress(AwayError):
            taken += 1
            staff._step(play, END_MS + 1_000, caught_up=True)
    assert taken == 3
    assert teller.recorded >= len(due)
    assert "api/rehearsal/deeds" in asked if speed == 20 else asked.count("api/deeds/hand-over") == len(due)
    assert staff._due == []


def test_live_declarations_come_in_order_and_reach_the_cabinet() -> None:
    items = list(live(3 * 3_600, fine))
    assert [item.at_ms for item in items] == sorted(item.at_ms for item in items)
    basins = {item.fields["basin"] for item in items if item.deed == "start-load"}
    assert basins == set(PROFILE_OF)
    deeds = {item.deed for item in items}
    assert {"release", "store-device", "record-use", "quarantine-device", "lift-quarantine"} <= deeds


def test_live_the_first_load_of_each_basin_is_on_record_whenever_the_play_begins() -> None:
    """Of later ones some are not; what the dice say of a load hangs on the millisecond at which it begins."""
    for began_ms in range(END_MS, END_MS + 60_000, 500):
        nodes = {name: Memory("1:2:1", began_ms, 0, END_MS, 0) for name in node_names()}
        ward = Ward(1)
        set_up(ward, END_MS)
        play = Play(ward, nodes, END_MS - 45 * 60_000)
        items = play.due(began_ms + 200_000, fine, patient=False)
        started = {item.fields["basin"] for item in items if item.deed == "start-load"}
        assert started == set(PROFILE_OF), began_ms


def test_live_nothing_is_released_before_the_screen_shows_a_verdict() -> None:
    waiting = [item.deed for item in live(3_600, lambda _: None, patient=True)]
    assert "take-out" in waiting
    assert not {"begin-rinse", "release"} & set(waiting)
    given_up = {item.deed for item in live(3 * 3_600, lambda _: None)}
    assert "release" not in given_up
    assert "quarantine-device" in given_up
