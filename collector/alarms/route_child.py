"""The collector's end of the process that sends: begins it, talks with it, knows when it is dead or stuck."""

from __future__ import annotations

import contextlib
import select
import socket
import subprocess
import sys
import time

import msgspec

from collector.alarms.notices import Message
from collector.channel import Frame, Frames, encoded
from soak.decoding import from_json

ERRAND, SEND, DONE = b"E", b"S", b"D"
"""To the process: what it is to do; send a message, the topic says by which number. From it: what became of it."""

_AT_ONCE_BYTES = 65_536
_PATIENCE_S = 5.0
_BEGINNING_S = 20.0
"""So much longer for its first word: on a busy Pi its libraries take seconds to load, and one that is replaced while it
loads would never come to send. Our own choice."""


class RoutesErrand(msgspec.Struct, frozen=True):
    """What the process is told first.

    Attributes:
        urls: Every route; the first is number 0. Secret: they travel on the socket, not on the command line.
        limit_s: A sending is ended after so long.
    """

    urls: list[str]
    limit_s: float


class Result(msgspec.Struct, frozen=True):
    """What became of a message.

    Attributes:
        ok: The route's server took it.
        detail: For people, without a secret: none of the library's words, which may hold one.
    """

    ok: bool
    detail: str


class RouteChild:
    """One life of the process.

    Args:
        errand: What it is to do.

    Raises:
        OSError: It could not be begun.
    """

    def __init__(self, errand: RoutesErrand) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            try:
                self._process = subprocess.Popen(  # of what the collector has open it gets this socket, and no more
                    [sys.executable, "-m", "collector.alarms.route_process", str(theirs.fileno())],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    pass_fds=[theirs.fileno()],
                )
            except OSError:
                ours.close()
                raise
        ours.settimeout(_PATIENCE_S)
        self._channel, self._frames = ours, Frames()
        self.heard_s = time.monotonic() + _BEGINNING_S
        with contextlib.suppress(OSError):  # gone already: the first `hear` says so
            ours.sendall(encoded(Frame(ERRAND, payload=msgspec.json.encode(errand))))

    def fileno(self) -> int:
        """To wait for what it says."""
        return self._channel.fileno()

    @property
    def pid(self) -> int:
        """Of the process."""
        return self._process.pid

    def send(self, topic: str, message: Message) -> None:
        """Have a message sent; if the process is gone or takes nothing, `hear` or its silence tells."""
        try:
            self._channel.sendall(encoded(Frame(SEND, topic, msgspec.json.encode(message))))
        except OSError:  # half a frame must not be followed by another
            with contextlib.suppress(OSError):
                self._channel.shutdown(socket.SHUT_RDWR)

    def hear(self) -> list[tuple[str, Result]] | None:
        """What has become of messages, by topic; None when the process is gone. Does not wait."""
        said: list[tuple[str, Result]] = []
        while select.select([self._channel], [], [], 0)[0]:
            try:
                more = self._channel.recv(_AT_ONCE_BYTES)
            except OSError:
                more = b""
            if not more:
                return said or None
            self.heard_s = time.monotonic()
            frames = [frame for frame in self._frames.feed(more) if frame.kind == DONE]
            said += [(frame.topic, from_json(frame.payload, Result)) for frame in frames]
        return said

    def end(self) -> None:
        """End it at once, whatever it does."""
        self._channel.close()
        self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_PATIENCE_S)
