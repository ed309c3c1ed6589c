"""Shared by the bundle's tests: one furnished clinic, played once and copied by whoever writes to it."""

from __future__ import annotations

from pathlib import Path

import bundlekit
import pytest


@pytest.fixture(scope="session")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A furnished clinic; not to be written to."""
    return bundlekit.clinic(tmp_path_factory.mktemp("bundle") / "data")


@pytest.fixture
def data(clinic: Path, tmp_path: Path) -> Path:
    """The same once more, to be written to."""
    return bundlekit.copied(clinic, tmp_path / "data")
