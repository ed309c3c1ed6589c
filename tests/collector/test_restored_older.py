"""An older copy of the database in the place of a newer one: noticed, named, no receipt for what is not there."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from faults import codes, integrity
from kit import Collecting, batch, soak, state, stream_id
from running import CollectorProcess, NodeSide

from collector.promises import Promises
from collector.read import Reader
from soak.wire import Receipt, Sender, Topic, decode

A, B = stream_id(1), stream_id(2)
SOAK = soak(720_000)


def _in_tens(start: int, stop: int) -> list[Any]:
    return [batch(SOAK[first : min(stop, first + 10)], first + 1) for first in range(start, stop, 10)]


@pytest.mark.broker
def test_a_restored_older_database_is_noticed_and_says_what_it_has(
    tmp_path: Path, broker: Callable[[], Any], wait_until: Callable[..., None]
) -> None:
    port = broker().port
    collector, node = CollectorProcess(tmp_path / "collector", port), NodeSide(port)
    try:
        collector.start()
        first = node.wait_orders()
        node.send(*_in_tens(0, 200))
        node.wait_covered(A, 200)
        assert collector.end() == 0
        backup = shutil.copytree(collector.data_dir, tmp_path / "backup")
        collector.start()
        wait_until(lambda: collector.log().count("broker connected") == 2)
        node.send(*_in_tens(200, 400))
        node.wait_covered(A, 400)
        assert collector.end() == 0
        shutil.rmtree(collector.data_dir)
        shutil.copytree(backup, collector.data_dir)

        collector.start()
        wait_until(lambda: "restored-older" in codes(collector.data_dir))
        assert "(200 readings of n1; the data are " in collector.log()
        wait_until(lambda: node.orders[-1].epoch != first.epoch)  # said after the corrected receipts
        late = NodeSide(port)  # the receipt that the broker now keeps
        try:
            wait_until(lambda: A in late.covered and late.orders and late.orders[-1].epoch != first.epoch)
            assert list(late.covered[A]) == [(1, 200)]
        finally:
            late.close()
        held = state((A, 401, 450), ms=SOAK[449].ms)  # the node let go of what it was promised
        node.send(held, *_in_tens(400, 450))
        node.wait_covered(A, 400)
        wait_until(lambda: node.covered[A].count() == 450)
        wait_until(lambda: "lost" in codes(collector.data_dir))
        with Reader(collector.data_dir) as reader:
            numbers = [each.ms for _, each in reader.readings(1, 0, 1 << 50)]
        assert numbers == [each.ms for each in SOAK[:200] + SOAK[400:450]]
        assert collector.end() == 0

        collector.start()  # once noticed it is not noticed again, and stays said
        wait_until(lambda: collector.log().count("broker connected") >= 5)
        wait_until(lambda: "restored-older" in codes(collector.data_dir))
        node.send(*_in_tens(450, len(SOAK)))
        wait_until(lambda: not node.covered[A].missing(401, len(SOAK)))
        assert collector.log().count("raised restored-older") == 1
        assert "Traceback" not in collector.log()
        assert collector.end() == 0
        assert integrity(collector.data_dir) == "ok"
    finally:
        collector.close()
        node.close()


def _receipt(epoch: str, run: str, **streams: list[tuple[int, int]]) -> Receipt:
    by = Sender(epoch, run, "2026-03-02T08:00:00.000Z", "2026-03-02T08:00:01.000Z")
    return Receipt({stream_id(int(name[1:])): ranges for name, ranges in streams.items()}, by=by)


def test_what_was_promised_is_held_against_the_store(collecting: Collecting) -> None:
    collecting.take(batch(SOAK[:100]))
    promises = Promises(collecting.store, "e", "me")
    promises.heard("n1", _receipt("e", "before", s1=[(1, 100)]))
    promises.heard("n2", _receipt("e", "me", s1=[(1, 500)]))  # our own, of just now
    promises.heard("n3", _receipt("other", "before", s1=[(1, 500)]))  # of other data
    promises.heard("n4", Receipt({A: [(1, 500)]}))  # of a version that does not sign
    assert (promises.broken, promises.corrected) == ({}, {})
    promises.heard("n1", _receipt("e", "before", s1=[(1, 40), (90, 110)], s2=[(5, 7)]))
    assert promises.broken == {"n1": 13}
    assert promises.corrected == {"n1": Receipt({A: [(1, 100)]})}
    assert B not in promises.corrected["n1"].streams
    assert decode(Topic.RECEIPT, b'{"streams": {}}') == Receipt({})
