"""Where messages wait to be taken in: what is fresh in one lane, what is large and so past in another, both bounded."""

from __future__ import annotations

import threading
from collections import deque

from collector.intake import Arrived

FRESH_BYTES = 8_192
"""A message up to this size goes before larger ones: after an outage the past must not keep what happens now waiting.
Streams do not mind: each is judged in the order of its numbers, whatever the order of its messages."""

MOST_MESSAGES = 20_000
MOST_FRESH_BYTES = 16_000_000
MOST_PAST_BYTES = 32_000_000
_OVERHEAD_BYTES = 300
"""What a waiting message costs beside its payload, about."""


class Lane:
    """A queue bounded by messages and by bytes; not for several threads by itself."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._waiting: deque[Arrived] = deque()
        self.held_bytes = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, message: Arrived) -> bool:
        """Queue it; False if there is no room."""
        size = _cost(message)
        if len(self._waiting) >= MOST_MESSAGES or self.held_bytes + size > self._most_bytes:
            return False
        self._waiting.append(message)
        self.held_bytes += size
        return True

    def take(self, most: int, most_bytes: int) -> list[Arrived]:
        """So many at most, and no more once so many bytes are reached."""
        taken: list[Arrived] = []
        taken_bytes = 0
        while self._waiting and len(taken) < most and taken_bytes < most_bytes:
            message = self._waiting.popleft()
            self.held_bytes -= _cost(message)
            taken_bytes += len(message.payload)
            taken.append(message)
        return taken


class Lanes:
    """Both lanes; one thread puts, another takes.

    Attributes:
        dropped: Messages for which there was no room; their nodes send them again.
    """

    def __init__(self) -> None:
        self.fresh = Lane(MOST_FRESH_BYTES)
        self.past = Lane(MOST_PAST_BYTES)
        self.dropped = 0
        self._arrived = threading.Condition()

    def put(self, message: Arrived) -> None:
        """Queue a message, or drop and count it: a full past never keeps out what is fresh."""
        lane = self.fresh if len(message.payload) <= FRESH_BYTES else self.past
        with self._arrived:
            if lane.put(message):
                self._arrived.notify()
            else:
                self.dropped += 1

    def take(self, most: int, most_bytes: int, wait_s: float) -> list[Arrived]:
        """What has arrived, fresh messages first, so much of each lane at most; waits a little for the first."""
        with self._arrived:
            if not (self.fresh or self.past):
                self._arrived.wait(wait_s)
            return self.fresh.take(most, most_bytes) + self.past.take(most, most_bytes)


def _cost(message: Arrived) -> int:
    return len(message.payload) + len(message.topic) + _OVERHEAD_BYTES
