"""The process that holds the collector's connection: what passes between the two, and that both end together."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from running import CollectorProcess, NodeSide

from collector.channel import ALIVE, MESSAGE, PUBLISH, RETAINED, Frame, Frames, encoded
from collector.receiver import Buffered
from soak.wire import Topic

frames = st.builds(
    Frame, st.sampled_from([ALIVE, MESSAGE, PUBLISH, RETAINED]), st.text(max_size=40), st.binary(max_size=300)
)


@settings(max_examples=300)
@given(st.lists(frames, max_size=8), st.data())
def test_frames_arrive_whole_however_they_are_cut(sent: list[Frame], data: st.DataObject) -> None:
    stream = b"".join(map(encoded, sent))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    taker = Frames()
    pieces = [stream[start:end] for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert [frame for piece in pieces for frame in taker.feed(piece)] == sent


class Sluggish:
    """A socket that gives and takes a few bytes at a time."""

    def __init__(self, incoming: bytes, at_once: int) -> None:
        self.incoming, self.at_once, self.sent = incoming, at_once, b""

    def recv(self, _count: int) -> bytes:
        if not self.incoming:
            raise BlockingIOError
        given, self.incoming = self.incoming[: self.at_once], self.incoming[self.at_once :]
        return given

    def send(self, data: bytes) -> int:
        self.sent += data[: self.at_once]
        return min(len(data), self.at_once)


@settings(max_examples=200)
@given(st.binary(max_size=200), st.integers(1, 50), st.lists(st.integers(1, 20), min_size=200, max_size=200))
def test_nothing_is_lost_or_twice_behind_the_buffer(stream: bytes, at_once: int, counts: list[int]) -> None:
    inner = Sluggish(stream, at_once)
    buffered = Buffered(inner)
    got, wanted = b"", iter(counts)
    while len(got) < len(stream):
        got += buffered.recv(next(wanted))
    assert got == stream
    assert not buffered.pending
    with pytest.raises(BlockingIOError):
        buffered.recv(1)
    for start in range(0, len(stream), 7):
        assert buffered.send(stream[start : start + 7]) == len(stream[start : start + 7])
    while buffered.unsent:
        buffered.flush()
    assert inner.sent == stream


@pytest.mark.broker
def test_it_ends_when_its_collector_is_killed(
    tmp_path: Path, broker: Callable[[], Any], wait_until: Callable[..., None]
) -> None:
    """Else it would hold the connection, and its name at the broker, against the next one."""
    port = broker().port
    collector, node = CollectorProcess(tmp_path / "collector", port), NodeSide(port)
    try:
        collector.start()
        node.wait_orders()
        assert collector.process is not None
        pid = collector.process.pid
        (receiver,) = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        collector.end(signal.SIGKILL)
        wait_until(lambda: not os.path.exists(f"/proc/{receiver}") or _ended(int(receiver)))
    finally:
        node.close()
        collector.close()


def _ended(pid: int) -> bool:
    """Nobody waits for it here: it may stay listed as ended."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"


def test_a_node_cannot_speak_to_the_receiver() -> None:
    """What it passes on is named by the receiver, whatever the topic says."""
    (frame,) = Frames().feed(encoded(Frame(MESSAGE, Topic.ORDERS.of("n1"), encoded(Frame(PUBLISH, "x", b"y")))))
    assert frame.kind == MESSAGE
