"""What lay in certain fills: a failed MEC test, a recalled lot, a fill past its date, a wrong profile."""

from __future__ import annotations

from collections.abc import Sequence

from collector.lookback.described import described
from collector.lookback.reach import Reach, Span, bounds, merged, range_words, rounds_in_fills
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import basin_name
from collector.record.things import Asked, Fill, MecResult, MecTest, Poured, Profile


def mec_fail(book: Book, asked: Asked) -> Reach:
    """Back to the last passing test of the fill, or to its pour.

    A failed check calls into question every load since the last passing one, because concentration falls gradually
    (public role description citing SGNA, published at second hand).
    """
    test = book.get(MecTest, asked.mec_test or "")
    if test.result not in (MecResult.FAIL, MecResult.DOUBTFUL):
        said = "has not been read" if test.result is None else f"was recorded as {test.result.value!r}"
        raise RefusedError(
            "look-back-asks", f"MEC test {test.id} {said}: it did not fail.", "Choose the test that failed."
        )
    fill = book.get(Fill, test.fill)
    earlier = book.all(MecTest, group=fill.id, until_ms=test.dipped_ms)
    good = [each for each in earlier if each.result is MecResult.PASS]
    from_ms = good[-1].dipped_ms if good else fill.poured_ms
    since = f"its last passing test {good[-1].id}" if good else "its pour"
    until_ms = book.at_ms + 1
    text = (
        f"MEC test {test.id} of fill {fill.id} in {basin_name(book, fill.basin)} failed "
        f"{book.local_text(test.dipped_ms)}: everything soaked in it since {since} at {book.local_text(from_ms)} "
        "is in question."
    )
    return _of_fills(book, text, [fill], from_ms, until_ms)


def lot_recalled(book: Book, asked: Asked) -> Reach:
    """Every fill into which something of the lot was poured, from that pouring on."""
    lot = (asked.lot or "").strip()
    fills = [fill for fill in book.all(Fill) if any(_is(lot, each) for each in fill.poured)]
    if not fills:
        raise RefusedError(
            "look-back-asks",
            f"No fill was poured from a bottle of lot {lot!r}.",
            "Compare the lot with the bottle; it is on the page of solutions.",
        )
    from_ms, until_ms = bounds(book, asked)
    poured_ms = {fill.id: min(each.at_ms for each in fill.poured if _is(lot, each)) for fill in fills}
    parts = [
        described(book, rounds_in_fills(book, [fill.id], max(from_ms, poured_ms[fill.id]), until_ms)) for fill in fills
    ]
    text = (
        f"Solution of lot {lot} is in question: it was poured into {_listed(fills)}, first "
        f"{book.local_text(min(poured_ms.values()))}."
    )
    spans = tuple(_span(book, fill, max(from_ms, poured_ms[fill.id]), until_ms) for fill in fills)
    ids = tuple(fill.id for fill in fills)
    return Reach(text, min(poured_ms.values()), until_ms, merged(*parts), ids, spans)


def _is(lot: str, poured: Poured) -> bool:
    """Typed from the label each time: capital letters and spaces tell no two lots apart."""
    return _letters(poured.lot) == _letters(lot)


def _letters(lot: str) -> str:
    return "".join(lot.split()).casefold()


def fill_past_date(book: Book, asked: Asked) -> Reach:
    """What was still in a fill after its use-by, or after another moment that is given."""
    fill = book.get(Fill, asked.fill or "")
    from_ms = fill.use_by_ms if asked.from_ms is None else asked.from_ms
    until_ms = bounds(book, asked)[1]
    why = f" ({fill.use_by_why})" if asked.from_ms is None else ""
    text = (
        f"Fill {fill.id} in {basin_name(book, fill.basin)} was to be used by {book.local_text(from_ms)}{why}, and may "
        "have been used after that."
    )
    return _of_fills(book, text, [fill], from_ms, max(until_ms, from_ms + 1))


def profile_wrong(book: Book, asked: Asked) -> Reach:
    """Every fill of the solution, or the one that is named, within the range."""
    profile = book.get(Profile, asked.profile or "")
    from_ms, until_ms = bounds(book, asked)
    fills = [
        fill
        for fill in book.all(Fill)
        if fill.profile == profile.id
        and asked.fill in (None, fill.id)
        and fill.poured_ms < until_ms
        and (fill.discarded is None or fill.discarded.at_ms > from_ms)
    ]
    text = (
        f"Profile {profile.id} ({profile.name}) was not that of the solution or had a wrong figure "
        f"{range_words(book, from_ms, until_ms, asked)}: {len(fills)} {'fill' if len(fills) == 1 else 'fills'}."
    )
    return _of_fills(book, text, fills, from_ms, until_ms)


def _of_fills(book: Book, text: str, fills: Sequence[Fill], from_ms: int, until_ms: int) -> Reach:
    ids = tuple(fill.id for fill in fills)
    spans = tuple(_span(book, fill, from_ms, until_ms) for fill in fills)
    return Reach(text, from_ms, until_ms, described(book, rounds_in_fills(book, ids, from_ms, until_ms)), ids, spans)


def _span(book: Book, fill: Fill, from_ms: int, until_ms: int) -> Span:
    gone_ms = fill.discarded.at_ms if fill.discarded else book.at_ms + 1
    return Span(fill.basin, max(from_ms, fill.poured_ms), min(until_ms, gone_ms))


def _listed(fills: Sequence[Fill]) -> str:
    ids = [f"fill {fill.id}" for fill in fills]
    return ids[0] if len(ids) == 1 else f"{', '.join(ids[:-1])} and {ids[-1]}"
