"""Chooses what happens next in a simulated clinic, until faults stop and everything arrives."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TypeVar

from tests.simulated.drain import drain
from tests.simulated.faults import FAULTS
from tests.simulated.steps import STEPS
from tests.simulated.world import World

Result = TypeVar("Result")
_NAMES, _WEIGHTS = list(STEPS), [often for _, often in STEPS.values()]


def simulate(
    seed: int, folder: Path, at_end: Callable[[World], Result], trace: Callable[[str], None] | None = None
) -> Result:
    """Everything goes wrong; then nothing any more, until all has arrived.

    Args:
        seed: What everything follows from.
        folder: Where nodes and collector keep their data.
        at_end: Looks at what came of it.
        trace: Called with a line for every step.

    Returns:
        What that saw.

    Raises:
        AssertionError: Something that must never be.
    """
    world = World(seed, {name: rate for name, (_, rate) in FAULTS.items()}, folder, trace)
    with world.seeded_names(), world.small_sizes(), ExitStack() as cleaning:
        cleaning.callback(world.close)
        world.clinic.start()
        for node in world.nodes:
            node.start()
        ticks = 0
        while ticks < world.plan.ticks:
            ticks += _step(world)
        drain(world)
        return at_end(world)


def _step(world: World) -> int:
    """One thing happens; returns how many ticks."""
    if fault := _fault(world):
        world.happened[fault] += 1
        FAULTS[fault][0](world)
        return 0
    what = world.rng.choices(_NAMES, _WEIGHTS)[0]
    return 1 if STEPS[what][0](world) else 0


def _fault(world: World) -> str:
    """The fault that happens now; mostly none."""
    chance = world.rng.random()
    for name, rate in world.plan.faults.items():
        chance -= rate
        if chance < 0:
            return name
    return ""
