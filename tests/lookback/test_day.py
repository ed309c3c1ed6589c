"""A simulated day with the bench's own means: it asks, and is held to the pages."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench import bench_evidence_lookback as bench
from tests.bench.statistics_year import lay_loads
from tests.bench.year import make


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One day of one basin, a reading a second, taken in by the product's own intake; loads over its closures."""
    folder = make(tmp_path_factory.mktemp("day") / "data", 1, 1)
    loads, rounds, _ = lay_loads(folder)
    assert rounds >= loads > 20
    return folder


def test_what_the_allowance_answers_is_what_the_pages_say(day: Path) -> None:
    """For several errors, every one of some closures of a working day."""
    for seed in range(3):
        held = bench.held_to_readings(day, 1, 40, seed)
        assert (held.drawn, held.agree) == (8, 8)


def test_the_bench_asks(day: Path) -> None:
    asked = bench.ask(day, 1, "a sensor 0.4 °C high")
    assert asked.closures >= asked.flips > 0
    assert asked.rounds >= asked.round_flips > 0
    assert asked.peak_mb > 0
