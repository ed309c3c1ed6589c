"""Shared by the dashboard's tests: one clinic, played once, looked at by many."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pagekit
import pytest
from doorkit import HOST, OLGA, PEOPLE, House, OpenBrowser, furnish
from litestar import Litestar
from litestar.testing import TestClient

from collector.record.all import DEEDS
from dashboard.app import build_app
from tests import applications

applications.hasten()


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


@pytest.fixture(scope="session")
def auditors(clinic: tuple[Path, dict[str, pagekit.Track]]) -> Iterator[TestClient[Litestar]]:
    """The same as an auditor sees it: what takes somebody who is signed in too."""
    app = pagekit.seen_by(build_app(clinic[0], rehearsal=pagekit.rehearsal(), when=pagekit.WHEN), PEOPLE[OLGA])
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        yield asking


@pytest.fixture
def fresh(clinic: tuple[Path, dict[str, pagekit.Track]]) -> Iterator[TestClient[Litestar]]:
    """The same, made for one test, whose clock says 13:18 when the test begins."""
    app = build_app(clinic[0], rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    with TestClient(app, base_url="http://127.0.0.1:8080") as asking:
        yield asking


@pytest.fixture(scope="session")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A site with people who can sign in, not to be written to, and their badges."""
    data_dir = tmp_path_factory.mktemp("furnished")
    return data_dir, furnish(data_dir)


@pytest.fixture
def house(furnished: tuple[Path, dict[str, str]], tmp_path: Path) -> House:
    """The same once more, made for one test."""
    return House(pagekit.copied(furnished[0], tmp_path / "data"), furnished[1])


@pytest.fixture
def opened(house: House) -> Iterator[OpenBrowser]:
    """`opened()` is a browser with cookies of its own, at an application of its own over the same data."""
    with ExitStack() as stack:

        def opened() -> TestClient[Litestar]:
            return stack.enter_context(TestClient(house.app(), base_url=f"http://{HOST}"))

        yield opened


@pytest.fixture
def own_deeds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the deeds that other tests of the same process have made up."""
    for name, kind in list(DEEDS.items()):
        if not kind.__module__.startswith("collector."):
            monkeypatch.delitem(DEEDS, name)
