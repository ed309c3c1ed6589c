"""Which load was in a basin when its lid was closed, for many closings at once: `load_over`, asked once for all."""

from __future__ import annotations

from collections.abc import Iterable

from collector.record.book import DAY_MS, Book
from collector.record.things import Load

_BEFORE_MS = 30 * DAY_MS
"""As in `load_over`: a load that began longer ago is asked about only while it is open."""


def loads_over(book: Book, basin: str, closings_ms: Iterable[int]) -> dict[int, Load]:
    """By closing, the load that was in a basin then; closings that no load explains are absent.

    Args:
        book: To look in.
        basin: "node/name".
        closings_ms: When its lid was closed, milliseconds since 1970.
    """
    wanted = sorted(set(closings_ms))
    if not wanted:
        return {}
    loads = book.all(Load, group=basin, since_ms=wanted[0] - _BEFORE_MS, until_ms=wanted[-1] + 1)
    loads += book.all(Load, group=basin, only_open=True, until_ms=wanted[0] - _BEFORE_MS)
    loads.sort(key=lambda each: each.began_ms)
    found, there, place = {}, list[Load](), 0
    for closing_ms in wanted:
        while place < len(loads) and loads[place].began_ms <= closing_ms:
            there.append(loads[place])
            place += 1
        there = [each for each in there if each.ended_ms is None or each.ended_ms > closing_ms]
        if there:
            found[closing_ms] = there[0]
    return found
