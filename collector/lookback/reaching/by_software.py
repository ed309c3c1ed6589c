"""What certain versions of this program judged: a fault in it was found."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence

from msgspec.structs import replace

from collector.ledger import this_software
from collector.lookback import concerned as laid
from collector.lookback import scope
from collector.lookback.anew import judged_anew
from collector.lookback.described import described
from collector.lookback.judged import Judged, basins, judged, software_of
from collector.lookback.reach import Reach, bounds, range_words
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Asked, Concerned, LookBack, Turn
from soak.closure import Verdict

CAUSE = "software-fault"
_MOST_ANEW = 100
"""Closures that are judged anew at once, some milliseconds each: nothing else is recorded meanwhile."""

_VERSION = re.compile(r"(\d+(?:\.\d+)*)")


def faulty(book: Book, asked: Asked) -> Reach:
    """Every soak that these versions judged; by the rule as it is now, both verdicts are said with their dates."""
    from_ms, until_ms = bounds(book, asked)
    versions = versions_of(book.connection, asked)
    if not versions:
        known = ", ".join(software_of(book.connection)) or "none"
        raise RefusedError(
            "look-back-asks",
            f"No soak was judged by a version from {asked.software_from} on"
            f"{f' and before {asked.software_until}' if asked.software_until else ''}.",
            f"Versions on record: {known}.",
        )
    closures = [each for each in scope.of_software(book.connection, versions, from_ms, until_ms) if each.turns]
    turns = book.many(Turn, dict.fromkeys(turn.id for each in closures for turn in each.turns))
    rows = described(book, sorted(turns, key=lambda turn: (turn.in_ms or 0, turn.id)))
    text = (
        f"A fault was found in {_listed(versions)}, which judged soaks {range_words(book, from_ms, until_ms, asked)}. "
        + _anew_words(len(closures))
    )
    if len(closures) <= _MOST_ANEW:
        rows = _judged_anew(book, rows, closures)
    return Reach(text, from_ms, until_ms, dict(sorted(rows.items(), key=lambda item: not item[1].flips)))


def versions_of(connection: sqlite3.Connection, asked: Asked) -> list[str]:
    """The faulty versions that have judged anything."""
    first, mended = _parts(asked.software_from or ""), _parts(asked.software_until or "")
    return [each for each in software_of(connection) if first <= _parts(each) and (not mended or _parts(each) < mended)]


def judged_by_faulty(connection: sqlite3.Connection, look_back: LookBack) -> list[Judged]:
    """Closures of a look-back's time, with or without a load, whose verdict its faulty versions gave."""
    if look_back.cause != CAUSE or look_back.asked is None:
        return []
    versions = frozenset(versions_of(connection, look_back.asked))
    several = judged(connection, basins(connection), look_back.from_ms, look_back.until_ms)
    return [each for each in several if each.software in versions]


def _judged_anew(book: Book, rows: dict[str, Concerned], closures: Sequence[laid.Concerned]) -> dict[str, Concerned]:
    """Each round with both verdicts of the closure that counts for it."""
    found = dict(rows)
    by_key = {each.judged.key: each for each in judged_anew(book.connection, [each.judged for each in closures])}
    for turn_id, row in rows.items():
        anew = by_key.get(row.closure)
        if anew is None:
            continue
        now = f"cannot be judged again ({anew.trouble})" if anew.now is None else f"is {anew.now.verdict.value!r}"
        was = anew.judged
        why = (
            f"Judged {was.closure.verdict.value!r} {book.local_text(was.judged_ms)} by {was.software}; "
            f"by {this_software()}, {book.local_text(book.at_ms)}, it {now}."
        )
        flips = row.verdict == Verdict.MET.value and (anew.now is None or anew.now.verdict is not Verdict.MET)
        found[turn_id] = replace(row, flips=flips, flips_drifting=flips, why=why)
    return found


def _anew_words(closures: int) -> str:
    if closures > _MOST_ANEW:
        return (
            f"Its {closures} soaks are too many to be judged anew here (at most {_MOST_ANEW} at once): each counts as "
            "in question. The collector judges them again one by one; both verdicts stay."
        )
    return "They were judged anew by the present rule; both verdicts stand beside each soak."


def _parts(version: str) -> tuple[int, ...]:
    found = _VERSION.search(version)
    return tuple(int(each) for each in found[1].split(".")) if found else ()


def _listed(versions: Sequence[str]) -> str:
    return versions[0] if len(versions) == 1 else f"{', '.join(versions[:-1])} and {versions[-1]}"
