"""Records of what a soak rests on that was not done for it alone: pour, label, bottles, strips, checks, people."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from collector import ledger
from collector.ledger import Record

KINDS: Final[Mapping[str, tuple[str, ...]]] = {
    "fill": ("pour-fill", "top-up-fill", "discard-fill"),
    "profile": ("draft-profile", "confirm-profile", "correct-profile"),
    "bottle": ("receive-bottle", "open-bottle", "activate-bottle", "correct-bottle"),
    "strip-bottle": ("receive-strip-bottle", "open-strip-bottle", "record-controls", "correct-strip-bottle"),
    "sensor": ("record-sensor-check", "check-sensor"),
    "reference": ("record-reference", "certify-reference"),
    "device": ("record-device", "change-device"),
}
"""By what they are about: the deeds that matter to every soak that rests on it."""


def supporting(connection: sqlite3.Connection, things: Iterable[tuple[str, str]], most: int = 50) -> Iterator[Record]:
    """Records of these kinds that name one of the things, the newest of each kind first.

    Args:
        connection: To the database.
        things: Kind, as in `KINDS`, and id.
        most: Of each kind of record about one thing.
    """
    for kind, thing_id in things:
        for deed in KINDS[kind]:
            rows = connection.execute(
                "SELECT number FROM ledger WHERE kind = ? AND instr(body, ?) ORDER BY number DESC LIMIT ?",
                (deed, f'"{thing_id}"', most),
            )
            for (number,) in rows:
                if record := ledger.record(connection, number):
                    yield record
