"""Which pages a bundle needs: those of its range, and those on which its verdicts rest."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from collector.bundle.span import Span
from collector.bundle.told import Standing, Told


def touching(standing: Sequence[Standing], span: Span) -> list[Standing]:
    """Verdicts whose closure touches the range."""
    return [each for each in standing if each.closing_utc_ms < span.to_ms and each.last_utc_ms >= span.from_ms]


def covered(told: Told, verdict: Standing) -> bool:
    """Pages hold all readings of a closure, and the one that ended it: a short one is judged before it is sealed."""
    number = verdict.first
    while number <= verdict.last:
        page = told.page_of(verdict.stream, number)
        if page is None:
            return False
        number = page.last + 1
    return verdict.ended_by is None or told.page_of(verdict.stream, verdict.ended_by) is not None


def pages_needed(told: Told, verdicts: Sequence[Standing], standing: Sequence[Standing]) -> set[tuple[str, int]]:
    """Stream and first number of every page on which verdicts rest.

    These are the pages with a closure's readings, with the ones just before and after it, and on back to the last open
    reading where nobody saw the lid close: what was required since then may judge it, or say where it begins.

    Args:
        told: What the records say.
        verdicts: Those wanted.
        standing: All that stand.
    """
    firsts: dict[str, list[int]] = {}
    by_first = {(each.stream, each.first): each for each in standing}
    for stream, first in sorted(by_first):
        firsts.setdefault(stream, []).append(first)
    found: set[tuple[str, int]] = set()
    for verdict in verdicts:
        stream = verdict.stream
        begin = _reach_back(told, verdict, by_first, firsts[stream])
        end = told.after(stream, verdict.last) or verdict.last
        number: int | None = begin
        while number is not None and number <= end:
            if page := told.page_of(stream, number):
                found.add((stream, page.first))
                number = page.last
            number = told.after(stream, number)
    return found


def _reach_back(told: Told, verdict: Standing, by_first: dict[tuple[str, int], Standing], firsts: Sequence[int]) -> int:
    """The number of the reading from which on a closure can be judged."""
    stream, first = verdict.stream, verdict.first
    while (before := told.before(stream, first)) is not None:
        index = bisect_right(firsts, before) - 1
        earlier = by_first[stream, firsts[index]] if index >= 0 else None
        if verdict.closing_seen or earlier is None or earlier.last < before:
            return before  # its closing was watched, or the lid is open there
        first = earlier.first
    return first
