"""Scripts: the same seed gives the same day; what they say is possible; mistakes come at their rates."""

from __future__ import annotations

import itertools
from collections import Counter
from random import Random

import pytest

from firmware.simulator.live import Scene, live_scripts
from firmware.simulator.script import (
    OPENS_MS,
    SHUTS_MS,
    Act,
    Course,
    Habits,
    Mistake,
    Script,
    Step,
    cold_morning,
    day_script,
    load,
)

HABITS = Habits(contact_ms=720_000)


def days(count: int, habits: Habits = HABITS, seed: int = 1) -> list[Script]:
    return [day_script(habits, seed, "node/b1", day) for day in range(20_000, 20_000 + count)]


def check_possible(steps: tuple[Step, ...], *, lid_open: bool = False) -> None:
    """Lids open and close in turn, loads move only while it is open, everything in order of time."""
    loaded = False
    for step in steps:
        match step.act:
            case Act.OPEN:
                assert not lid_open
                lid_open = True
            case Act.CLOSE:
                assert lid_open
                lid_open = False
            case Act.LOAD_IN:
                assert lid_open
                assert not loaded
                loaded = True
            case Act.ADD:
                assert lid_open
                assert loaded
            case Act.LOAD_OUT:
                assert lid_open
                assert loaded
                loaded = False
            case _:
                pass
    assert not lid_open
    assert not loaded
    assert all(before.at_ms < after.at_ms for before, after in itertools.pairwise(steps))


def test_the_same_seed_gives_the_same_day_and_another_seed_another() -> None:
    assert days(20) == days(20)
    assert days(20) != days(20, seed=2)
    assert day_script(HABITS, 1, "node/b1", 20_000) != day_script(HABITS, 1, "node/b2", 20_000)


@pytest.mark.parametrize("contact_ms", [300_000, 720_000, 1_800_000])
def test_every_day_is_possible(contact_ms: int) -> None:
    for script in days(60, Habits(contact_ms, sensors=2)):
        check_possible(script.steps)


def test_days_keep_to_the_clinics_hours_and_sundays_are_quiet() -> None:
    """2026-01-04, day 20,457, was a Sunday (ISO 8601 week date 2026-W01-7)."""
    for day in range(20_457 - 14, 20_457 + 15):
        steps = day_script(HABITS, 1, "node/b1", day).steps
        assert bool(steps) == ((day - 20_457) % 7 != 0)
        assert all(OPENS_MS <= step.at_ms <= SHUTS_MS + 30 * 60_000 for step in steps)


def test_loads_say_what_the_steps_do() -> None:
    for script in days(60):
        lids = {step.at_ms: step.act for step in script.steps if step.act in (Act.OPEN, Act.CLOSE)}
        moves = sorted(lids)
        for planned in script.loads:
            assert lids[planned.closed_ms] is Act.CLOSE
            assert moves[moves.index(planned.closed_ms) + 1] == planned.opened_ms
            early = bool({Mistake.OPENED_EARLY, Mistake.DEVICE_ADDED} & {*planned.mistakes})
            assert (planned.opened_ms - planned.closed_ms < HABITS.contact_ms) == early
        assert sum(step.act in (Act.LOAD_IN, Act.ADD) for step in script.steps) == len(script.loads)


def test_a_month_shows_every_mistake_and_most_loads_are_good() -> None:
    loads = [planned for basin in "abcde" for day in range(30) for planned in day_script(HABITS, 1, basin, day).loads]
    mistakes = Counter(mistake for planned in loads for mistake in planned.mistakes)
    assert {*Mistake} - {Mistake.POWER_CUT} <= {*mistakes}  # power cuts belong to the node, not to a basin's day
    good = sum(not planned.mistakes for planned in loads)
    assert 0.7 < good / len(loads) < 0.95
    assert 0.02 < mistakes[Mistake.OPENED_EARLY] / len(loads) < 0.09


def test_cold_mornings_are_the_whole_clinics() -> None:
    cold = [day for day in range(400) if cold_morning(1, day)]
    assert 10 < len(cold) < 60
    assert cold == [day for day in range(400) if cold_morning(1, day)]


@pytest.mark.parametrize("scene", [*Scene, None])
def test_a_rehearsal_goes_on_without_end_and_is_possible(scene: Scene | None) -> None:
    start_ms = 1_790_000_000_000
    scripts = list(itertools.islice(live_scripts(HABITS, 1, "node/b1", start_ms, scene), 60))
    check_possible(tuple(itertools.chain.from_iterable(script.steps for script in scripts)))
    again = itertools.islice(live_scripts(HABITS, 1, "node/b1", start_ms, scene), 60)
    assert scripts == list(again)
    assert scripts[-1].steps[-1].at_ms > start_ms + 60 * HABITS.contact_ms


def first_load(scene: Scene) -> tuple[Script, int]:
    start_ms = 1_790_000_000_000
    return next(live_scripts(HABITS, 1, "node/b1", start_ms, scene)), start_ms


def test_a_rehearsal_shows_something_in_its_first_two_minutes() -> None:
    script, start_ms = first_load(Scene.SOAKING)
    assert script.loads[0].closed_ms < start_ms < script.loads[0].opened_ms
    script, start_ms = first_load(Scene.OPENED_EARLY)
    assert start_ms < script.loads[0].opened_ms < start_ms + 120_000
    assert script.loads[0].opened_ms - script.loads[0].closed_ms < HABITS.contact_ms
    for scene, act in ((Scene.UNPLUGGED, Act.TROUBLE), (Scene.COLD_LOAD, Act.LOAD_IN), (Scene.MET, Act.CLOSE)):
        script, start_ms = first_load(scene)
        assert any(step.act is act and start_ms < step.at_ms < start_ms + 120_000 for step in script.steps), scene
    script, start_ms = first_load(Scene.MET)
    assert HABITS.contact_ms <= script.loads[0].opened_ms - script.loads[0].closed_ms < HABITS.contact_ms + 240_000
    script, start_ms = first_load(Scene.POWER_CUT)
    [cut] = [step for step in script.steps if step.act is Act.POWER_CUT]
    assert script.loads[0].closed_ms < cut.at_ms < script.loads[0].opened_ms


def test_a_mishap_happens_during_the_soak_it_belongs_to() -> None:
    for mistake in (Mistake.UNPLUGGED, Mistake.CHECK_SUM, Mistake.POWER_ON, Mistake.POWER_CUT):
        for seed in range(50):
            script = load(Random(seed), Habits(720_000, sensors=3), 1_000, Course(mistake))
            [mishap] = [step for step in script.steps if step.act in (Act.TROUBLE, Act.POWER_CUT)]
            [planned] = script.loads
            assert planned.closed_ms < mishap.at_ms < planned.opened_ms
            assert mishap.for_ms > 0
            assert mishap.sensor in range(3)
            assert planned.mistakes == (mistake,)
