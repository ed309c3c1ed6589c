"""What kept a node from its broker is told while it lasts and for ten minutes after; an absent broker is not."""

from __future__ import annotations

from firmware.obstacle import TOLD_FOR_S, Obstacle
from host.tls import Trouble

LASTS = Trouble("The password is wrong.", "Enrol it again.", lasts=True)
PASSES = Trouble("Nobody answers.", "Wait.", lasts=False)


def test_it_is_told_until_a_while_after_it_has_passed() -> None:
    now = [0.0]
    obstacle = Obstacle(lambda: now[0])
    obstacle.passed()
    assert obstacle.told == []
    obstacle.met(LASTS)
    now[0] = 100_000.0
    assert obstacle.told == ["The password is wrong. Enrol it again."]
    obstacle.met(PASSES)  # since then it is away as well
    assert obstacle.told == ["The password is wrong. Enrol it again."]
    obstacle.passed()
    now[0] += TOLD_FOR_S
    obstacle.passed()  # another connection does not make it newer
    assert obstacle.told == ["until a short while ago: The password is wrong"]
    now[0] += 1
    assert obstacle.told == []
    obstacle.met(LASTS)
    assert obstacle.told == ["The password is wrong. Enrol it again."]


def test_a_broker_that_is_away_is_no_obstacle() -> None:
    obstacle = Obstacle(lambda: 0.0)
    obstacle.met(PASSES)
    assert obstacle.told == []
