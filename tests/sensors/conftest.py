"""Fixtures of the tests of sensor checks."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

for room in ("collector", "dashboard"):
    sys.path.insert(0, str(Path(__file__).parents[1] / room))  # their kits stand there

from record_kit import Recording  # noqa: E402 - found by the path above


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Recording]:
    """A data folder with people of every role and two basins."""
    one = Recording(tmp_path / "record")
    yield one
    one.close()
