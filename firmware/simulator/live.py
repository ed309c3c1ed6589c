"""What a basin does while somebody watches a rehearsal: a scene in the first minutes, then one load after the other."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from random import Random

from firmware.simulator.script import Course, Habits, Mistake, Script, load, ordinary_course

_SECOND_MS = 1_000
_MINUTE_MS = 60_000
_LIVE_CUT_RATE = 0.02


class Scene(enum.StrEnum):
    """What a basin shows in the first minutes of a rehearsal."""

    SOAKING = "soaking"
    MET = "met"
    OPENED_EARLY = "opened-early"
    COLD_LOAD = "cold-load"
    UNPLUGGED = "unplugged"
    POWER_CUT = "power-cut"
    COLD_CUT = "cold-cut"


SCENES = {
    Scene.SOAKING: (-2 * _MINUTE_MS, Course(beyond_ms=4 * _MINUTE_MS)),
    Scene.MET: (5 * _SECOND_MS, Course()),
    Scene.OPENED_EARLY: (0, Course(Mistake.OPENED_EARLY, closed_ms=65 * _SECOND_MS)),
    Scene.COLD_LOAD: (0, Course(Mistake.COLD_LOAD)),
    Scene.UNPLUGGED: (
        -3 * _MINUTE_MS,
        Course(Mistake.UNPLUGGED, after_ms=195 * _SECOND_MS, for_ms=4 * _MINUTE_MS),
    ),
    Scene.POWER_CUT: (2 * _SECOND_MS, Course(Mistake.POWER_CUT, after_ms=150 * _SECOND_MS)),
    Scene.COLD_CUT: (2 * _SECOND_MS, Course(Mistake.POWER_CUT, after_ms=540 * _SECOND_MS, cold=True)),
}
"""When the lid is first lifted, against the start of the rehearsal, and how that load goes."""


def live_scripts(habits: Habits, seed: int, basin: str, start_ms: int, scene: Scene | None) -> Iterator[Script]:
    """What a basin does in a rehearsal, without end and at any hour: first its scene, then one load after the other.

    Args:
        habits: How it is used.
        seed: The clinic's.
        basin: Its node and name.
        start_ms: When the rehearsal starts.
        scene: What it shows first; None begins with an ordinary load.

    Yields:
        One load at a time, in order. The first may begin before `start_ms`.
    """
    dice = Random(f"{seed}/{basin}/live")  # noqa: S311
    offset_ms, course = SCENES[scene] if scene else (dice.randrange(_MINUTE_MS, 5 * _MINUTE_MS), Course())
    at_ms = start_ms + offset_ms
    while True:
        script = load(dice, habits, at_ms, course)
        yield script
        at_ms = script.steps[-1].at_ms + dice.randrange(_MINUTE_MS, 6 * _MINUTE_MS)
        course = Course(Mistake.POWER_CUT) if dice.random() < _LIVE_CUT_RATE else ordinary_course(dice)
