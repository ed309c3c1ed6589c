"""Many browsers at once, as far as they hear the live stream: a process of its own, so that it is not what is measured.

`python -m tests.bench.hearers ADDRESS COUNT` connects so many, says "ready" once each has heard a state, and on a line
at its input says what each heard: every change of a lid, and when, on `time.perf_counter`.
"""

from __future__ import annotations

import select
import selectors
import socket
import sys
import time
from collections.abc import Iterator

import msgspec

_PATIENCE_S = 60.0
_AT_ONCE = 1 << 18


class Heard(msgspec.Struct, frozen=True):
    """A lid was shown to be otherwise than before.

    Attributes:
        at_s: When.
        key: Of the basin.
        lid: How.
    """

    at_s: float
    key: str
    lid: str


class Report(msgspec.Struct, frozen=True):
    """What everybody heard.

    Attributes:
        heard: By client.
        states: How many states each heard.
        bytes: How many bytes came to each.
        first: Bytes of the first state of the first client.
        ended: How many connections have ended before their time.
    """

    heard: list[list[Heard]]
    states: list[int]
    bytes: list[int]
    first: int
    ended: int


class _Lane(msgspec.Struct, frozen=True):
    key: str
    lid: str


class _Frame(msgspec.Struct, frozen=True):
    lanes: list[_Lane]


class _State(msgspec.Struct, frozen=True):
    """A whole state, or what has changed of it: lanes are told apart by their keys in both."""

    frame: _Frame | None


class Hearer:
    """One client.

    Args:
        host: Where.
        port: Of the dashboard.
    """

    def __init__(self, host: str, port: int) -> None:
        self.socket = socket.create_connection((host, port), _PATIENCE_S)
        request = f"GET /live HTTP/1.1\r\nHost: {host}:{port}\r\nAccept: text/event-stream\r\n\r\n"
        self.socket.sendall(request.encode())
        self.socket.setblocking(False)
        self.heard: list[Heard] = []
        self.states = self.bytes = self.first = 0
        self.ended = False
        self._rest, self._event, self._lids = b"", b"", dict[str, str]()

    def read(self, decoder: msgspec.json.Decoder[_State]) -> None:
        """Take in what has come."""
        try:
            came = self.socket.recv(_AT_ONCE)
        except BlockingIOError:
            return
        at_s = time.perf_counter()
        if not came:
            self.ended = True
            return
        self.bytes += len(came)
        for line in self._lines(came):
            if line.startswith(b"event: "):
                self._event = line[7:]
            elif line.startswith(b"data: ") and self._event in (b"state", b"changes"):
                self._hear(decoder.decode(line[6:]), len(line), at_s)

    def _lines(self, came: bytes) -> Iterator[bytes]:
        """Whole lines; what frames the answer's pieces is lines of its own, or within none of ours."""
        *whole, self._rest = (self._rest + came).split(b"\n")
        return (line.rstrip(b"\r") for line in whole)

    def _hear(self, state: _State, length: int, at_s: float) -> None:
        self.states += 1
        self.first = self.first or length
        for lane in state.frame.lanes if state.frame else ():
            before = self._lids.get(lane.key)
            self._lids[lane.key] = lane.lid
            if before is not None and before != lane.lid:
                self.heard.append(Heard(at_s, lane.key, lane.lid))


def hear(address: str, count: int) -> Report:
    """Hear until a line comes at the input."""
    host, _, port = address.partition(":")
    hearers = [Hearer(host, int(port)) for _ in range(count)]
    decoder = msgspec.json.Decoder(_State)
    waiting = selectors.DefaultSelector()
    for each in hearers:
        waiting.register(each.socket, selectors.EVENT_READ, each)
    ready = False
    while True:
        for key, _ in waiting.select(0.1):
            key.data.read(decoder)
            if key.data.ended:
                waiting.unregister(key.fileobj)
        if not ready and all(each.states or each.ended for each in hearers):
            ready = True
            print("ready", flush=True)
        if select.select([sys.stdin], [], [], 0)[0]:
            break
    return Report(
        [each.heard for each in hearers],
        [each.states for each in hearers],
        [each.bytes for each in hearers],
        hearers[0].first,
        sum(each.ended for each in hearers),
    )


if __name__ == "__main__":
    sys.stdout.buffer.write(msgspec.json.encode(hear(sys.argv[1], int(sys.argv[2]))))
