"""Closures judged anew by the rule as it is now: for a fault of this program in a range of versions.

Nothing is written here. The collector gives its verdict again while such a look-back is open (`collector/reassess.py`):
the record of the old one stays, with its date and the version that gave it, and the new one names it as superseded.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import msgspec

from collector.lookback.judged import Judged
from collector.lookback.reread import Rereading
from soak.closure import Closure


class Anew(NamedTuple):
    """A closure beside what the present rule says of it.

    Attributes:
        judged: As it stands on record: with its verdict, when it was given and by which version.
        now: By the present rule; None if its readings cannot be judged.
        trouble: Why not, in words.
    """

    judged: Judged
    now: Closure | None
    trouble: str = ""

    @property
    def verdict_differs(self) -> bool:
        """Another verdict, or none can be given."""
        return self.now is None or self.now.verdict is not self.judged.closure.verdict

    @property
    def differs(self) -> bool:
        """Anything differs: verdict, figures, or which findings there are. Findings may be worded otherwise."""
        return self.now is None or _figures(self.now) != _figures(self.judged.closure)


def judged_anew(connection: sqlite3.Connection, several: Iterable[Judged]) -> Iterator[Anew]:
    """Judge closures anew from their readings, one after the other, by stream and number.

    Every page of theirs is read: some milliseconds each. Memory does not grow with their number.

    Args:
        connection: To the database.
        several: Which.
    """
    for read in Rereading(connection).many(several):
        yield Anew(read.judged, read.present, read.trouble)


def _figures(closure: Closure) -> tuple[Closure, list[str]]:
    codes = sorted(finding.code for finding in closure.findings)
    return msgspec.structs.replace(closure, findings=()), codes
