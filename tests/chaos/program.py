"""What happens in the basins: a program of soaks of known length, drawn from the seed before anything watches."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from firmware.simulator.live import Scene
from firmware.simulator.script import Course, Habits, Mistake, Script, load

CONTACT_MS = 90_000
_SECOND_MS = 1_000


def program(habits: Habits, seed: int, basin: str, start_ms: int, _scene: Scene | None = None) -> Iterator[Script]:
    """One load after the other without end, in the place of `firmware.simulator.live.live_scripts`.

    About half are long enough, a quarter is too short, some are just long enough, and some take several times as long,
    so that they live through more kills than one. A sensor fails now and then.
    """
    dice = Random(f"{seed}/{basin}/program")
    at_ms = start_ms + dice.randrange(2 * _SECOND_MS, 60 * _SECOND_MS)
    while True:
        closed_ms = _closed_ms(dice, habits.contact_ms)
        mistake = dice.choices([None, Mistake.CHECK_SUM, Mistake.UNPLUGGED], [80, 15, 5])[0]
        script = load(dice, habits, at_ms, Course(mistake, closed_ms=closed_ms, for_ms=3_000 if mistake else None))
        yield script
        at_ms = script.steps[-1].at_ms + dice.randrange(10 * _SECOND_MS, 100 * _SECOND_MS)


def _closed_ms(dice: Random, contact_ms: int) -> int:
    chance = dice.random()
    if chance < 0.5:
        return contact_ms + dice.randrange(5 * _SECOND_MS, 60 * _SECOND_MS)
    if chance < 0.75:
        return int(contact_ms * dice.uniform(0.2, 0.8))
    if chance < 0.85:
        return contact_ms + dice.randrange(0, 3 * _SECOND_MS)
    return int(contact_ms * dice.uniform(2, 5))
