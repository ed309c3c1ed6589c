"""Fixtures for tests of the node."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin
from node_kit import Receiver, Tree


@pytest.fixture
def receiver() -> Iterator[Callable[..., Receiver]]:
    """`receiver(port, node, answers=True)`."""
    made: list[Receiver] = []

    def listen(port: int, node: str, **options: bool) -> Receiver:
        made.append(Receiver(port, node, **options))
        return made[-1]

    yield listen
    for one in made:
        one.close()


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """A 1-Wire tree of this test's own."""
    return Tree(tmp_path / "w1")


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    """A mock factory of this test's own; reservations are shared by class, so they are cleared."""
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    Device.pin_factory.reset()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before
