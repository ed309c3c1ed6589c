"""Nothing is lost, whatever happens: simulated clinics, each from its seed.

`python -m tests.simulated --seeds 1-20000` plays more of them, and `--seed N --trace` one of them step by step.
"""

from __future__ import annotations

import pytest

from tests.simulated.campaign import play_all

SEEDS, CHUNK = 100, 50

SEEN_IN_EVERY_CHUNK = (
    "met standing",
    "not met standing",
    "unproven standing",
    "page",
    "never written",
    "kill_node",
    "kill_collector",
    "restart_broker",
    "disk_fails",
    "damage_card",
)


def hold(first: int) -> None:
    """A chunk of seeds holds, and the simulation has seen something."""
    played = play_all(range(first, first + CHUNK))
    assert not played.failures, "\n".join(str(failure) for failure in played.failures)
    for what in SEEN_IN_EVERY_CHUNK:
        assert played.seen[what], f"{CHUNK} seeds without any of {what!r}: the simulation has gone blind"


@pytest.mark.parametrize("first", range(1, SEEDS + 1, CHUNK))
def test_nothing_is_lost_and_every_verdict_is_that_of_a_quiet_run(first: int) -> None:
    hold(first)
