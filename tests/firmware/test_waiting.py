"""A wait of the node's always ends, also when a signal comes just as its time runs out."""

from __future__ import annotations

import ast
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory
from node_kit import SpeedyClock, Tree

import firmware
from firmware.board import Edge, Switch
from firmware.node import Node
from firmware.settings import Basin, Broker, Settings

SENSOR = "28-00000000000a"
SIGNALS = 3
HANDLING_S = 0.3  # longer than any wait of the loop's: whichever the signal meets is over when it has been handled
PATIENCE_S = 20.0


class Prober:
    """Runs a node and sends its loop signals, then asks it to end; an edge wakes it should it sleep on.

    Args:
        make: Makes the node.

    Attributes:
        slept_on: It would have slept for ever.
    """

    def __init__(self, make: Callable[..., Node]) -> None:
        self.slept_on = False
        self._node, self._stop, self._ended = make(on_ready=self._begin), threading.Event(), threading.Event()
        self._handled, self._thread = threading.Semaphore(0), threading.Thread(target=self._send)

    def handle(self, *_: object) -> None:
        time.sleep(HANDLING_S)
        self._handled.release()

    def run(self) -> None:
        before = signal.signal(signal.SIGUSR1, self.handle)
        try:
            self._node.run(self._stop)
        finally:
            self._ended.set()
            self._thread.join()
            signal.signal(signal.SIGUSR1, before)

    def _begin(self) -> None:
        self._thread.start()

    def _send(self) -> None:
        for _ in range(SIGNALS):
            time.sleep(HANDLING_S)  # until the loop waits again
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGUSR1)
            self._handled.acquire(timeout=PATIENCE_S)
        self._stop.set()
        if not self._ended.wait(PATIENCE_S):
            self.slept_on = True
            self._node._edges.put(Edge("b1", Switch.BUTTON, 0, active=False))


@pytest.fixture
def node(tmp_path: Path, tree: Tree, pins: MockFactory) -> Callable[..., Node]:
    tree.set(SENSOR, 336)

    def make(on_ready: Callable[[], None]) -> Node:
        settings = Settings(
            node="n1",
            broker=Broker(host="127.0.0.1", port=1),  # nobody answers there
            basins=(Basin(name="b1", sensors=(SENSOR,), lid_pin=17),),
            data_dir=str(tmp_path / "data"),
            w1_devices=str(tree.folder),
        )
        return Node(settings, SpeedyClock("9f6c0000-0000-4000-8000-000000000001"), on_ready=on_ready)

    return make


def test_the_loop_goes_on_after_a_signal_that_takes_longer_than_its_wait(node: Callable[..., Node]) -> None:
    prober = Prober(node)
    prober.run()
    assert not prober.slept_on


def test_nothing_in_the_node_waits_at_a_simple_queue() -> None:
    """Up to Python 3.12 its `get` waits for ever where its time is over before it comes to count it."""
    for path in Path(firmware.__file__).parent.rglob("*.py"):
        names = {node.attr for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Attribute)}
        assert "SimpleQueue" not in names, path
