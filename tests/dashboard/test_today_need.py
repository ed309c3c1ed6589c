"""What a lane says is due: what is so now, before what is only still to be seen."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from pagekit import NOW_MS, WHEN
from test_basin_next import MET_OFF, MET_ON, OPEN, SOAKING, seen
from test_say import WAIT

from collector.record.things import Alarm, Seen
from dashboard.alarms_words import name_of, todo_of
from dashboard.lanes import lane
from dashboard.look import Doings
from dashboard.today.need import Need, Next, next_of
from soak.alarms import Priority
from soak.reading import Lid

EARLIER_MS = NOW_MS - 3_600_000
CLOSED_MS = NOW_MS - 444_000
"""The soak of `SOAKING` began."""


def alarm(code: str, cause_ms: int, cleared_ms: int | None = None, **known: Any) -> Alarm:
    given = {"about": "a:1", "basin": "n1/b1", "text": "It is.", "priority": Priority.HIGH, "raised_ms": cause_ms}
    return Alarm(id="AL7", code=code, cause_ms=cause_ms, cleared_ms=cleared_ms, **given | known)


def due(*spans: Any, alarms: tuple[Alarm, ...], **known: Any) -> Next:
    return next_of(msgspec.structs.replace(seen(*spans, **known), doings=Doings(alarms)), WHEN)


def words(code: str) -> tuple[str, str]:
    return name_of(code).capitalize(), todo_of(code)


EARLIER = alarm("opened-early", EARLIER_MS, EARLIER_MS)


def test_an_earlier_loads_alarm_does_not_speak_for_the_soak_under_way() -> None:
    """Over a closed lid that has to stay closed, "close the lid now" is wrong advice."""
    said = due(*SOAKING, alarms=(EARLIER,))
    assert (said.need, said.sentence) == (Need.SOAKING, "Keep closed. Ready 13:23.")
    basin = msgspec.structs.replace(seen(*SOAKING), doings=Doings((EARLIER,)))
    assert lane(basin, WHEN).next == "Keep closed. Ready 13:23."


@pytest.mark.parametrize("spans", [MET_ON, MET_OFF])
def test_nor_for_one_that_was_just_met(spans: Any) -> None:
    """With the lid open: for as long as the record does not say that nothing is in it any more."""
    said = due(*spans, alarms=(EARLIER,), fill=None)
    assert (said.need, said.sentence) == (Need.NOW, "Soak met. Rinse next.")
    assert due(*MET_OFF, alarms=(EARLIER,)).href == "/alarms/AL7"


def test_over_until_the_closing_is_of_before() -> None:
    assert due(*SOAKING, alarms=(alarm("opened-early", EARLIER_MS, CLOSED_MS),)).need is Need.SOAKING
    assert due(*SOAKING, alarms=(alarm("opened-early", EARLIER_MS, CLOSED_MS + 1),)).need is Need.NOW


@pytest.mark.parametrize(
    "present",
    [
        alarm("below-minimum", CLOSED_MS + 60_000, CLOSED_MS + 90_000),  # of this soak, over again
        alarm("fill-failed", EARLIER_MS),  # of before, and still so
        alarm("guard-band", EARLIER_MS, CLOSED_MS + 5_000, priority=Priority.MEDIUM),
    ],
)
def test_what_is_so_or_concerns_this_soak_speaks_first(present: Alarm) -> None:
    said = due(*SOAKING, alarms=(EARLIER, present))
    assert (said.need, said.sentence, said.why) == (Need.NOW, *words(present.code))


def test_once_nothing_else_is_due_it_speaks_again() -> None:
    said = due(WAIT, OPEN, alarms=(EARLIER,))
    assert (said.need, said.sentence, said.why, said.href) == (Need.NOW, *words("opened-early"), "/alarms/AL7")
    by_somebody = msgspec.structs.replace(EARLIER, seen=Seen("tina", NOW_MS, "Reprocessed."))
    assert due(WAIT, OPEN, alarms=(by_somebody,)).need is not Need.NOW


def test_a_lid_put_down_over_nothing_counts_as_any_other() -> None:
    said = due(WAIT, (20, Lid.CLOSED, 21_300), alarms=(alarm("opened-early", NOW_MS - 60_000, NOW_MS - 60_000),))
    assert said.need is Need.SOAKING
