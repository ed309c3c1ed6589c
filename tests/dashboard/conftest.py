"""Shared by the dashboard's tests: one clinic, played once, looked at by many."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from dashboard.app import build_app


@pytest.fixture(scope="session")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, pagekit.Track]]:
    """Five basins at 13:18: the data folder, not to be written to, and where each stream has got to."""
    data_dir = tmp_path_factory.mktemp("clinic")
    player = pagekit.clinic(data_dir)
    player.close()
    return data_dir, player.tracks


@pytest.fixture(scope="session")
def client(clinic: tuple[Path, dict[str, pagekit.Track]]) -> Iterator[TestClient[Litestar]]:
    """Asks an application over the clinic; no news comes, so after a while its basins are not heard."""
    app = build_app(clinic[0], rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        yield asking


@pytest.fixture
def fresh(clinic: tuple[Path, dict[str, pagekit.Track]]) -> Iterator[TestClient[Litestar]]:
    """The same, made for one test, whose clock says 13:18 when the test begins."""
    app = build_app(clinic[0], rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        yield asking
