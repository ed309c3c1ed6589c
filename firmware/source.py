"""What the uplink drains: anything that holds readings until a receipt covers them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from soak.ranges import Range, Ranges
from soak.wire import Batch, HeldStream


class Source(Protocol):
    """Readings waiting for a receipt: the node's outbox, or the simulator's past days."""

    def streams(self) -> list[HeldStream]:
        """Every stream still held or being written, oldest first."""

    def held(self, stream: str) -> Ranges:
        """Numbers of one stream that no receipt has covered yet."""

    def batch(self, stream: str, first: int, most: int) -> Batch:
        """Consecutive readings from `first` on, at most `most`, ready to send."""

    def release(self, stream: str, ranges: Iterable[Range]) -> None:
        """A receipt covers these numbers: they need not be held any longer."""

    def lost(self, stream: str, ranges: Iterable[Range]) -> None:
        """The collector has these numbers on record as lost: where they are gone, there is no need to remember it."""
