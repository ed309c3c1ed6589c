"""Whatever keeps the collector from storing: no receipt, said plainly, nothing damaged, and it carries on by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any

import pytest
from faults import (
    codes,
    disk_full,
    files_may_not_grow,
    integrity,
    nothing_may_be_written,
    small_disk,
    somebody_writes,
)
from kit import batch, looking, soak, stream_id
from running import CollectorProcess, NodeSide

from collector import status
from collector.read import Reader

pytestmark = pytest.mark.broker
A = stream_id(1)
SOAK = soak(720_000)
HALF = 400


@pytest.fixture
def working(
    tmp_path: Path, broker: Callable[[], Any], request: pytest.FixtureRequest
) -> Iterator[tuple[CollectorProcess, NodeSide, bool]]:
    """A collector with half a soak, its data folder a small disk of its own, where that is wanted and can be had."""
    port = broker().port
    collector = CollectorProcess(tmp_path / "collector", port)
    with small_disk(collector.data_dir) if getattr(request, "param", True) else nullcontext(False) as own_disk:
        collector.start()
        node = NodeSide(port)
        node.wait_orders()
        node.send(*_in_tens(0, HALF))
        node.wait_covered(A, HALF)
        yield collector, node, own_disk
        collector.close()
        node.close()


def _in_tens(start: int, stop: int) -> list[Any]:
    return [batch(SOAK[first : min(stop, first + 10)], first + 1) for first in range(start, stop, 10)]


def _fault(
    kind: str, collector: CollectorProcess, own_disk: bool
) -> tuple[AbstractContextManager[None], tuple[str, ...]]:
    if kind == "full":
        if own_disk:
            return disk_full(collector.data_dir), ("disk-full",)
        return files_may_not_grow(collector), ("disk-errors",)
    if kind == "input/output error":
        return files_may_not_grow(collector), ("disk-errors",)
    return somebody_writes(collector.data_dir), ("database-locked",)


@pytest.mark.parametrize("kind", ["full", "input/output error", "locked"])
def test_what_cannot_be_stored_waits_and_is_taken_in_when_it_can(
    working: tuple[CollectorProcess, NodeSide, bool], wait_until: Callable[..., None], kind: str
) -> None:
    """Where no small disk can be mounted, a full one is a file that must not grow."""
    collector, node, own_disk = working
    fault, expected = _fault(kind, collector, own_disk)
    with fault:
        node.send(*_in_tens(HALF, len(SOAK)))
        wait_until(lambda: set(expected) & set(codes(collector.data_dir)))
        refused = [each for each in expected if f"raised {each}: " in collector.log()]
        assert refused
        with looking(collector.data_dir) as other:
            ((stored,),) = other.execute("SELECT stored FROM stream").fetchall()
        assert node.covered[A].count() <= stored < len(SOAK)
        assert status.read(collector.data_dir).problem == ""
    node.wait_covered(A, len(SOAK))
    _all_there(collector)
    wait_until(lambda: not codes(collector.data_dir))
    said = collector.log()
    assert said.count(f"raised {refused[0]}: ") == said.count(f"cleared {refused[0]}") == 1
    assert "Traceback" not in said


@pytest.mark.parametrize("working", [False], indirect=True)
def test_where_nothing_can_be_written_the_status_grows_old(
    working: tuple[CollectorProcess, NodeSide, bool], wait_until: Callable[..., None]
) -> None:
    """A file system that has become read-only: not even the status can be written, and its age tells."""
    collector, node, _ = working
    with nothing_may_be_written(collector):
        node.send(*_in_tens(HALF, len(SOAK)))
        wait_until(lambda: status.read(collector.data_dir).problem.startswith("It has said nothing for "), 30)
        assert node.covered[A].count() == HALF
    node.wait_covered(A, len(SOAK))
    wait_until(lambda: status.read(collector.data_dir).problem == "" and not codes(collector.data_dir))
    _all_there(collector)


def _all_there(collector: CollectorProcess) -> None:
    """Nothing lost, nothing twice, the verdict of a quiet run."""
    with Reader(collector.data_dir) as reader:
        assert [each for _, each in reader.readings(1, 0, 1 << 50)] == SOAK
        assert [(each.closure.verdict, each.closure.credited_ms) for each in reader.closures()] == [("met", 720_000)]
        assert reader.parked_counts() == {}
    assert integrity(collector.data_dir) == "ok"


def test_killed_on_a_full_disk_it_starts_again_when_there_is_room(
    working: tuple[CollectorProcess, NodeSide, bool], wait_until: Callable[..., None]
) -> None:
    collector, node, own_disk = working
    fault, expected = _fault("full", collector, own_disk)
    with fault:
        node.send(*_in_tens(HALF, len(SOAK)))
        wait_until(lambda: set(expected) & set(codes(collector.data_dir)))
        collector.end(9)
    collector.start()
    for first, last in node.covered[A].missing(1, len(SOAK)):
        node.send(*_in_tens(first - 1, last))  # as its timer does
    node.wait_covered(A, len(SOAK))
    _all_there(collector)
