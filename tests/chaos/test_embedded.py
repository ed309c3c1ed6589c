"""The demonstration's embedded broker keeps nothing: what it forgets, outboxes and receipts make good."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from firmware.simulator import broker as brokers
from tests.chaos.checks import check_ledger
from tests.chaos.rig import Rig

pytestmark = pytest.mark.broker


def test_nothing_is_lost_when_the_embedded_broker_is_killed_and_forgets_everything(tmp_path: Path) -> None:
    """Killed and started again twice while a node sends, the collector killed with it once."""
    rig = Rig(tmp_path, 1, nodes=1, basins=2, speed=20, climate=None, broker="embedded")
    try:
        rig.start()
        for number in range(2):
            before = rig.stored()
            rig.wait("readings arrive", lambda before=before: rig.stored() > before + 20)
            rig.broker.kill()
            if number:
                rig.collector.kill()
            time.sleep(1.0)  # readings that nobody takes
            rig.broker.start()
            rig.wait("the broker answers", lambda: brokers.accepts(rig.broker_port))
            if number:
                rig.collector.start()
        before = rig.stored()
        rig.wait("readings arrive", lambda: rig.stored() > before + 20)
        truth = rig.drain(90)
        assert rig.stop() == []
    finally:
        rig.close()
    assert rig.ended == []
    assert truth.kept() > 60
    assert [outcome.line() for outcome in check_ledger(rig.clinic, truth) if outcome.problems] == []
