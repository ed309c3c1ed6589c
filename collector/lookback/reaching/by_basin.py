"""What lay in certain basins at certain times: a faulty lid switch or node, or bad rinse water."""

from __future__ import annotations

from collector.lookback.described import described
from collector.lookback.reach import Reach, Span, bounds, loads_in, range_words, rounds_of
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import basin_name, basins
from collector.record.things import Asked, Turn


def lid_or_node(book: Book, asked: Asked) -> Reach:
    """Every load of the basin, or of all basins of the node, within the range."""
    from_ms, until_ms = bounds(book, asked)
    where = _where(book, asked)
    if not where:
        raise RefusedError("look-back-asks", "Neither a basin nor a node is named.", "Name one of them.")
    turns = rounds_of(book, loads_in(book, where, from_ms, until_ms), from_ms, until_ms)
    what = [f"node {asked.node}"] if asked.node else []
    what += [f"the lid switch or node of {basin_name(book, asked.basin)}"] if asked.basin else []
    said = " or ".join(what)
    text = (
        f"{said[:1].upper()}{said[1:]} was faulty {range_words(book, from_ms, until_ms, asked)}: what it watched then "
        "is in question."
    )
    spans = tuple(Span(basin, from_ms, until_ms) for basin in where)
    return Reach(text, from_ms, until_ms, described(book, turns), spans=spans)


def rinse_water(book: Book, asked: Asked) -> Reach:
    """Every round that was rinsed within the range, of one basin, of a node's basins, or everywhere."""
    from_ms, until_ms = bounds(book, asked)
    where = _where(book, asked)
    turns = [
        turn
        for turn in book.all(Turn, until_ms=until_ms)
        if (not where or turn.basin in where)
        and any(each.began_ms < until_ms and (each.ended_ms or book.at_ms) > from_ms for each in turn.rinses)
    ]
    places = [f"at the basins of {asked.node}"] if asked.node else []
    places += [f"at {basin_name(book, asked.basin)}"] if asked.basin else []
    place = " and ".join(places) or "everywhere"
    text = (
        f"Rinse water used {place} {range_words(book, from_ms, until_ms, asked)} is in question: what was rinsed in it "
        "is listed."
    )
    return Reach(text, from_ms, until_ms, described(book, turns))


def _where(book: Book, asked: Asked) -> list[str]:
    """The basin, those of the node, or both: what was named is never left out because something else was named too."""
    named = [asked.basin] if asked.basin else []
    for each in named:
        basin_name(book, each)
    if not asked.node:
        return named
    found = [each for each in basins(book) if each.partition("/")[0] == asked.node]
    if not found:
        raise RefusedError(
            "look-back-asks", f"No basin belongs to a node {asked.node!r}.", "Take its name from the page of the site."
        )
    return list(dict.fromkeys([*named, *found]))
