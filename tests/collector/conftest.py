"""Fixtures of the collector's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from kit import Collecting
from record_kit import Recording
from ward_kit import Ward


@pytest.fixture
def collecting(tmp_path: Path) -> Iterator[Collecting]:
    """A collector without its broker, for one basin: 20 °C for 12 minutes, U = 0.5 °C."""
    one = Collecting(tmp_path / "data")
    yield one
    one.close()


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Recording]:
    """A data folder with people of every role and two basins."""
    one = Recording(tmp_path / "record")
    yield one
    one.close()


@pytest.fixture
def ward(recording: Recording) -> Iterator[Ward]:
    """Two watched basins that are ready, and three devices."""
    one = Ward(recording)
    yield one
    one.close()
