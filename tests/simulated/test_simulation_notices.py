"""The simulation can fail: it notices known kinds of bug, and a seed is the same whenever it is played."""

from __future__ import annotations

import pytest

from tests.simulated.breaks import BREAKS
from tests.simulated.campaign import Failure, play, quiet

WITHIN_SEEDS = 60


@pytest.mark.parametrize("kind", BREAKS)
def test_the_simulation_notices(kind: str) -> None:
    broken, says = BREAKS[kind]
    with quiet():
        failure = None
        for seed in range(1, WITHIN_SEEDS + 1):
            with broken():
                came = play(seed)
            if isinstance(came, Failure) and says in came.problem:
                failure = came
                break
        assert failure is not None, f"{kind}: not noticed within {WITHIN_SEEDS} seeds"
        assert f"--seed {failure.seed} --trace" in str(failure)
        assert not isinstance(play(failure.seed), Failure), "it is no other bug that was noticed"


def test_a_seed_plays_the_same_each_time() -> None:
    for seed in (3, 4, 5):
        traces: list[list[str]] = [[], []]
        with quiet():
            for trace in traces:
                play(seed, trace.append)
        assert len(traces[0]) > 100
        assert traces[0] == traces[1]


def test_different_seeds_are_different_clinics() -> None:
    traces: list[list[str]] = [[], []]
    with quiet():
        for seed, trace in enumerate(traces, 1):
            play(seed, trace.append)
    assert traces[0] != traces[1]
