"""What is said of alarms, pure: order, counts, the key that tells a page that it is old."""

from __future__ import annotations

from typing import Any

import pytest
from pagekit import NOW_MS, WHEN

from collector.record.things import Alarm, Seen
from dashboard.alarms_words import Calling, alarms_now, facts, standing_key, summary, urgent_first
from soak.alarms import KINDS

CALLING = Calling({"tina": "Tina Test"}.__getitem__, {"n1/b1": "Basin 1"}.__getitem__)
MINUTE_MS = 60_000


def alarm(number: int, code: str, **more: Any) -> Alarm:
    given: dict[str, Any] = {"priority": KINDS[code].priority, "basin": "n1/b1", "raised_ms": NOW_MS, **more}
    return Alarm(id=f"W{number}", code=code, about="n1/b1", text="It is.", cause_ms=NOW_MS, **given)


SEEN = Seen("tina", NOW_MS)


def test_by_priority_then_unseen_then_newest() -> None:
    alarms = [
        alarm(1, "soak-waits"),
        alarm(2, "sensor-fault", seen=SEEN),
        alarm(3, "sensor-fault", raised_ms=NOW_MS - 2),
        alarm(4, "sensor-fault", raised_ms=NOW_MS - 9, risen_ms=NOW_MS - 1),
        alarm(5, "opened-early", seen=SEEN),
        alarm(6, "opened-early", raised_ms=NOW_MS - 5),
    ]
    assert [each.id for each in urgent_first(alarms)] == ["W6", "W5", "W4", "W3", "W2", "W1"]


def test_every_page_is_told_of_high_and_medium_and_counts_low() -> None:
    alarms = [alarm(1, "soak-waits"), alarm(2, "sensor-fault"), alarm(3, "opened-early"), alarm(4, "bad-fill")]
    now = alarms_now(alarms, CALLING, WHEN, NOW_MS)
    assert (now.prefix, now.summary) == ("[2 high, 1 medium] ", "2 high, 1 medium, 1 low alarms stand")
    assert [each.id for each in now.lines] == ["W3", "W4", "W2"]
    assert (now.lines[0].where, now.lines[0].state) == ("Basin 1", "since 13:18")
    assert now.sounds == ["W3:high", "W4:high", "W2:medium", "W1:low"]


@pytest.mark.parametrize(
    ("codes", "prefix", "words"),
    [
        ([], "", "No alarm stands"),
        (["soak-waits"], "", "1 low alarm stands"),
        (["sensor-fault"], "[1 medium] ", "1 medium alarm stands"),
    ],
)
def test_few_or_none(codes: list[str], prefix: str, words: str) -> None:
    alarms = [alarm(number, code) for number, code in enumerate(codes)]
    assert (alarms_now(alarms, CALLING, WHEN, NOW_MS).prefix, summary(alarms)) == (prefix, words)


def test_what_somebody_has_seen_or_silenced_does_not_sound() -> None:
    """Until the silence is over, to the millisecond."""
    alarms = [alarm(1, "opened-early", seen=SEEN), alarm(2, "bad-fill", silenced_until_ms=NOW_MS + 1)]
    now = alarms_now(alarms, CALLING, WHEN, NOW_MS)
    assert (now.sounds, [each.calm for each in now.lines]) == ([], [True, True])
    assert now.lines[0].state == "since 13:18, sound silenced until 13:18"  # W2: nobody has seen it, so it is first
    assert now.lines[1].state == "since 13:18, seen by Tina Test"
    assert alarms_now(alarms, CALLING, WHEN, NOW_MS + 1).sounds == ["W2:high"]


def test_the_key_changes_with_whatever_is_shown_and_with_nothing_else() -> None:
    one, other = alarm(1, "opened-early", silenced_until_ms=NOW_MS + 1), alarm(2, "bad-fill")
    key = standing_key([one, other], NOW_MS)
    assert standing_key([other, one], NOW_MS - 60_000) == key
    assert standing_key([one, other], NOW_MS + 1) != key  # its silence is over
    assert standing_key([one], NOW_MS) != key
    assert standing_key([one, alarm(2, "bad-fill", seen=SEEN)], NOW_MS) != key


def test_everything_that_is_said_of_one() -> None:
    raised_ms = NOW_MS - 20 * MINUTE_MS
    late = alarm(
        1,
        "over-immersed",
        raised_ms=raised_ms,
        late=True,
        risen_ms=raised_ms + MINUTE_MS,
        told=1,
        told_ms=raised_ms + 2 * MINUTE_MS,
        silenced_until_ms=NOW_MS + MINUTE_MS,
        cleared_ms=raised_ms,
    )
    assert [(each.term, each.text) for each in facts(late, CALLING, WHEN, NOW_MS)] == [
        ("Since", "12:58"),
        (
            "Late",
            "Its cause began 13:18 and was long over when it was raised: readings came late, or the collector was "
            "away. Nobody could have been told in time.",
        ),
        ("Rose", "to medium 12:59: nobody had acted"),
        ("Told", "the list as far as its place 1; the last 13:00"),
        ("Seen", "by nobody yet"),
        ("Sound", "silenced until 13:19; it stands all the same"),
        ("Cause", "over since 12:58; it stands until somebody has seen it"),
    ]
    over = alarm(2, "bad-fill", raised_ms=raised_ms, seen=Seen("tina", NOW_MS, "Taken out."), ended_ms=NOW_MS)
    assert [(each.term, each.text) for each in facts(over, CALLING, WHEN, NOW_MS)] == [
        ("Since", "12:58"),
        ("Told", "nobody of the list yet"),
        ("Seen", "by Tina Test, 13:18: Taken out."),
        ("Over", "13:18, after 20 min"),
    ]
