"""Two collectors on one broker by mistake: one of them stops. A restart never does, however it came about."""

from __future__ import annotations

import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from faults import codes
from kit import BOOT, batch, soak, stream_id
from running import CollectorProcess, NodeSide

from collector.read import Reader
from soak.wire import Topic, encode

pytestmark = pytest.mark.broker
A = stream_id(1)
SOAK = soak(720_000)


class Town:
    """A broker, and collectors and nodes that talk to it."""

    def __init__(self, folder: Path, broker: Any) -> None:
        self._folder, self.broker = folder, broker
        self._parts: list[CollectorProcess | NodeSide] = []

    def collector(self, name: str, *, settings: str | None = None) -> CollectorProcess:
        one = CollectorProcess(self._folder / name, self.broker.port, settings=settings)
        self._parts.append(one)
        return one

    def node(self, name: str = "n1") -> NodeSide:
        one = NodeSide(self.broker.port, name)
        self._parts.append(one)
        return one

    def close(self) -> None:
        for each in self._parts:
            each.close()


@pytest.fixture
def town(tmp_path: Path, broker: Callable[[], Any]) -> Iterator[Town]:
    one = Town(tmp_path, broker())
    yield one
    one.close()


def _in_tens(start: int, stop: int) -> list[Any]:
    return [batch(SOAK[first : min(stop, first + 10)], first + 1) for first in range(start, stop, 10)]


def _ended(collector: CollectorProcess) -> int | None:
    assert collector.process
    return collector.process.poll()


def _said_to_stop(collector: CollectorProcess) -> str:
    (line,) = [line for line in collector.log().splitlines() if line.startswith("soakledger collector: ")]
    return line


def test_of_two_collectors_the_later_stops_and_the_earlier_goes_on(town: Town, wait_until: Callable[..., None]) -> None:
    first, second = town.collector("first"), town.collector("second")
    first.start()
    node = town.node()
    orders = node.wait_orders()
    node.send(*_in_tens(0, 100))
    node.wait_covered(A, 100)
    second.start()
    wait_until(lambda: _ended(second) is not None)
    assert _ended(second) == 4
    said = _said_to_stop(second)
    assert said.startswith("soakledger collector: Another collector works on this broker (started 20")
    assert said.endswith(
        f"its data {orders.epoch}). Two would tell nodes different things, so this one, which started later, has "
        "stopped. Stop the other first, or name another broker."
    )
    wait_until(lambda: "second-collector" in codes(first.data_dir))
    node.send(*_in_tens(100, len(SOAK)))
    node.wait_covered(A, len(SOAK))
    wait_until(lambda: node.orders[-1].epoch == orders.epoch)
    with Reader(second.data_dir) as reader:
        assert reader.now() == {}  # it took nothing in, so no node has let go of anything for it
    assert "Traceback" not in first.log() + second.log()


def test_a_second_collector_without_basins_is_noticed_by_its_first_receipt(
    town: Town, wait_until: Callable[..., None]
) -> None:
    """It tells nobody anything until a node speaks: then both hear of it."""
    bare = f'site = "Elsewhere"\n[broker]\nport = {town.broker.port}\n'
    first, second = town.collector("first"), town.collector("second", settings=bare)
    first.start()
    node = town.node()
    node.wait_orders()
    second.start()
    wait_until(lambda: "broker connected" in second.log())
    node.send(*_in_tens(0, 10))
    for start in range(10, 500, 10):
        node.send(*_in_tens(start, start + 10))
        node.wait_covered(A, start)
        if _ended(second) is not None:
            break
    wait_until(lambda: _ended(second) == 4)
    assert _ended(first) is None


def test_a_copied_data_folder_stops_one_of_them(town: Town, wait_until: Callable[..., None]) -> None:
    """The same epoch and the same name at the broker, which throws each out when the other comes."""
    first = town.collector("first")
    first.start()
    node = town.node()
    node.wait_orders()
    node.send(*_in_tens(0, 100))
    node.wait_covered(A, 100)
    assert first.end() == 0
    copy = town.collector("copy")
    shutil.copytree(first.data_dir, copy.data_dir)
    first.start()
    wait_until(lambda: first.log().count("broker connected") == 2)
    copy.start()
    wait_until(lambda: None in (_ended(first), _ended(copy)) and 4 in (_ended(first), _ended(copy)), 40)
    assert _ended(copy) == 4, first.log()
    assert "started later, has stopped" in _said_to_stop(copy)
    node.send(*_in_tens(100, 200))
    node.wait_covered(A, 200)


def test_restarts_in_a_row_never_stop_it(town: Town, wait_until: Callable[..., None]) -> None:
    """Killed again and again, at any moment, with words of its own still on their way and retained."""
    collector = town.collector("one")
    node = town.node()
    for kill in range(12):
        count = len(node.orders)
        collector.start()
        wait_until(lambda times=kill + 1: collector.log().count("broker connected") >= times)
        if kill % 3 == 0:
            wait_until(lambda least=count: len(node.orders) > least)
        node.send(*_in_tens(kill * 10, kill * 10 + 10))
        if kill % 4 == 0:
            node.send(*_in_tens(0, kill * 10))
            node.wait_covered(A, kill * 10)
        assert _ended(collector) is None, collector.log()
        collector.end(signal.SIGKILL)
    collector.start()
    node.send(*_in_tens(0, 200))
    node.wait_covered(A, 200)
    assert _ended(collector) is None
    assert "second-collector" not in collector.log()


def test_a_broker_that_falls_back_to_an_older_state_stops_nobody(town: Town, wait_until: Callable[..., None]) -> None:
    """What an earlier start of ours had said comes back, retained and live: it is old."""
    collector = town.collector("one")
    collector.start()
    node = town.node()
    node.wait_orders()
    old = town.node("n1")
    old.wait_orders()
    collector.end(signal.SIGKILL)
    collector.start()
    wait_until(lambda: collector.log().count("broker connected") == 2)
    wait_until(lambda: len({each.by.run for each in node.orders if each.by}) == 2)
    town.broker.stop(kill=True)
    assert town.broker.start()
    town.node("n9").publish(Topic.ORDERS.of("n1"), encode(old.orders[0]), retain=True)
    wait_until(lambda: collector.log().count("broker connected") == 3)
    node.send(batch(SOAK[:10], 1, boot=BOOT))
    node.wait_covered(A, 10)
    assert _ended(collector) is None
