"""One real Mosquitto with the generated settings for all tests of this folder; and sites of a test's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from brokersite import BrokerSite


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BrokerSite]:
    """Shared: use node names of your own. A witness may see and say everything."""
    made = BrokerSite(tmp_path_factory.mktemp("site"))
    made.start()
    made.let_witness_in()
    yield made
    made.stop()


@pytest.fixture
def own_site(tmp_path: Path) -> Iterator[BrokerSite]:
    """Set up, not started."""
    made = BrokerSite(tmp_path / "site")
    yield made
    made.stop()
