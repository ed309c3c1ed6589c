"""The daily drill: once a day, over every route; taken is not arrived, and only a person can say that it was."""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

import pytest
from record_kit import AUDITOR, SUPERVISOR, TECHNICIAN, Recording

from collector.alarms.drill import Arrival, arrival, begun, drill_id, due, notices, with_outcome
from collector.alarms.notices import Outcome
from collector.record.alarms.drills import ConfirmDrill
from collector.record.things import Confirmed, Drill, Reached
from soak.alarms import Priority

BERLIN = ZoneInfo("Europe/Berlin")
DAY = "2026-03-02"
LISTED = [("Sam", "mailto line 1"), ("Sam", "json line 3"), ("Ward phone", "json line 1")]


def local(text: str) -> datetime.datetime:
    return datetime.datetime.fromisoformat(text).replace(tzinfo=BERLIN)


def outcome(
    person: str, route: str, ok: bool, detail: str = "", *, key: str = f"drill-{DAY}", at_ms: int = 5
) -> Outcome:
    return Outcome(key, person, route, ok, detail, 1, at_ms)


@pytest.mark.parametrize(
    ("now", "last", "expected"),
    [
        ("2026-03-02 07:59:59", None, False),
        ("2026-03-02 08:00", None, True),
        ("2026-03-02 08:00", "2026-03-01", True),
        ("2026-03-02 08:00", "2026-03-02", False),
        ("2026-03-02 23:59", "2026-03-02", False),
        ("2026-03-02 15:00", "2026-03-01", True),  # the collector was away in the morning
        ("2026-03-03 00:00", "2026-03-02", False),
        ("2026-03-02 08:00", "2026-03-09", True),  # a clock that was ahead for a while
    ],
)
def test_it_is_due_once_a_day(now: str, last: str | None, expected: bool) -> None:
    assert due("08:00", local(now), last) is expected


def test_without_a_time_there_is_none() -> None:
    assert not due(None, local("2026-03-02 12:00"), None)


@pytest.mark.parametrize(("drill_at", "days"), [("02:30", 1), ("00:00", 1), ("23:59", 1)])
@pytest.mark.parametrize("date", ["2026-03-29", "2026-10-25", "2026-06-01"])
def test_days_of_23_and_25_hours_have_one_each(drill_at: str, days: int, date: str) -> None:
    """02:30 does not come on the day the clocks go forward, and comes twice on the day they go back."""
    midnight = local(f"{date} 00:00").astimezone(datetime.UTC)
    last, drills = None, []
    for minute in range(25 * 60):
        now = (midnight + datetime.timedelta(minutes=minute)).astimezone(BERLIN)
        if now.date().isoformat() == date and due(drill_at, now, last):
            last = drill_id(now)
            drills.append(last)
    assert drills == [date] * days


def test_everybody_gets_it_once_and_is_told_that_nothing_is_wrong() -> None:
    sent = notices(begun(DAY, 1, LISTED), "Clinic at the Mill")
    assert [(each.key, each.person, each.priority) for each in sent] == [
        (f"drill-{DAY}", "Sam", Priority.LOW),
        (f"drill-{DAY}", "Ward phone", Priority.LOW),
    ]
    assert sent[0].title == "Drill: Clinic at the Mill"
    assert sent[0].body == (
        "This is the daily test of the way an alarm takes to you. Nothing is wrong. "
        f"Say that you got it: at Clinic at the Mill, drill {DAY}, 'I got it'."
    )


def test_how_far_it_came_is_told_honestly() -> None:
    drill = begun(DAY, 1, LISTED)
    assert [arrival(drill, each) for each in ("Sam", "Ward phone")] == [Arrival.WAITING] * 2
    drill = with_outcome(drill, outcome("Sam", "mailto line 1", False, "refused: the server answered 500"))
    assert arrival(drill, "Sam") is Arrival.WAITING
    drill = with_outcome(drill, outcome("Sam", "json line 3", False, "no connection, or it broke off"))
    assert arrival(drill, "Sam") is Arrival.FAILED
    assert drill.told["Sam"]["mailto line 1"] == Reached(False, "refused: the server answered 500", 5, True)
    drill = with_outcome(drill, outcome("Sam", "json line 3", True, "taken by the route", at_ms=9))
    assert arrival(drill, "Sam") is Arrival.TAKEN
    assert arrival(drill, "Ward phone") is Arrival.WAITING
    assert str(Arrival.TAKEN) == "taken by a route, not confirmed"


def test_what_does_not_belong_to_it_changes_nothing() -> None:
    drill = with_outcome(begun(DAY, 1, LISTED), outcome("Sam", "json line 3", True))
    for other in (
        outcome("Sam", "json line 3", False),  # taken stays taken
        outcome("Sam", "mailto line 1", True, key="drill-2026-03-01"),
        outcome("Sam", "mailto line 1", True, key="W12"),
        outcome("Sam", "gone line 9", True),
        outcome("Nobody", "json line 1", True),
    ):
        assert with_outcome(drill, other) is drill


@pytest.fixture
def drilled(recording: Recording) -> Recording:
    recording.put(begun(DAY, recording.clock.now_ms, LISTED))
    return recording


def test_somebody_got_it(drilled: Recording) -> None:
    done = drilled.do(ConfirmDrill(drill=DAY, person="Ward phone"), TECHNICIAN, second_factor=False)
    drill = drilled.get(Drill, DAY)
    assert drill.confirmed == {"Ward phone": Confirmed(TECHNICIAN, drilled.clock.now_ms)}
    assert (done.kind, done.id) == ("drill", DAY)
    assert (arrival(drill, "Ward phone"), arrival(drill, "Sam")) == (Arrival.CONFIRMED, Arrival.WAITING)
    assert drill.open()
    drilled.do(ConfirmDrill(drill=DAY, person="Sam"), SUPERVISOR)
    assert not drilled.get(Drill, DAY).open()


def test_an_outcome_that_comes_later_keeps_the_confirmation(drilled: Recording) -> None:
    drilled.do(ConfirmDrill(drill=DAY, person="Sam"))
    drilled.put(with_outcome(drilled.get(Drill, DAY), outcome("Sam", "mailto line 1", False)))
    drill = drilled.get(Drill, DAY)
    assert arrival(drill, "Sam") is Arrival.CONFIRMED
    assert drill.told["Sam"]["mailto line 1"].ok is False
    assert drill.told["Sam"]["json line 3"].ok is None


def test_refusals(drilled: Recording) -> None:
    drilled.do(ConfirmDrill(drill=DAY, person="Sam"))
    drilled.later(60_000)
    assert drilled.refused(ConfirmDrill(drill=DAY, person="Sam"), SUPERVISOR) == (
        "drill-confirmed",
        f"Tina Test has confirmed the drill of {DAY} for 'Sam' 2026-03-02 09:00.",
        "Nothing more is needed.",
    )
    assert drilled.refused(ConfirmDrill(drill=DAY, person="Tom")) == (
        "not-told",
        f"'Tom' was not on the list of the drill of {DAY}.",
        "It was sent to: Sam, Ward phone.",
    )
    assert drilled.refused(ConfirmDrill(drill="2026-03-03", person="Sam")) == (
        "unknown-drill",
        "There is no drill '2026-03-03'.",
        "Look at the list of drills again.",
    )
    assert drilled.refused(ConfirmDrill(drill=DAY, person="Ward phone"), AUDITOR)[0] == "role"
