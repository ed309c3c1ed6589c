"""The same for further seeds, in a file of its own so that another process can play them at the same time."""

from __future__ import annotations

import pytest

from tests.simulated.test_simulated import CHUNK, SEEDS, hold


@pytest.mark.parametrize("first", range(SEEDS + 1, SEEDS + CHUNK + 1, CHUNK))
def test_nothing_is_lost_in_further_clinics(first: int) -> None:
    hold(first)
