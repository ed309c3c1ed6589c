"""Opening a look-back: which rounds it may concern, and which devices it holds back. Whoever finds out does it."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from collector.ledger import COLLECTOR
from collector.record.book import Book
from collector.record.things import Device, Fill, Load, LookBack, Turn


def open_look_back(
    book: Book,
    *,
    cause: str,
    text: str,
    from_ms: int,
    until_ms: int | None = None,
    fills: Iterable[str] = (),
    turns: Iterable[Turn] | None = None,
    by: str = "",
) -> LookBack:
    """Put a look-back into the book and mark the devices that must not be released or used meanwhile.

    Marked are devices whose round concerned is their present one and is still open. Where a round has been used, the
    device has moved on: its reference stays with the round, which the look-back lists.

    Args:
        book: Of the deed that found out.
        cause: E.g. "mec-fail".
        text: What was wrong, in words.
        from_ms: The last good evidence: what came out before it is not concerned.
        until_ms: What went in from here on is not concerned; this moment if not given.
        fills: Whose rounds are concerned; not looked at where `turns` are given.
        turns: The rounds concerned, if they are known.
        by: Who; the book's person if not given.
    """
    fills = tuple(fills)
    until_ms = book.at_ms + 1 if until_ms is None else until_ms
    concerned = tuple(_in_fills(book, fills, from_ms, until_ms) if turns is None else turns)
    look_back = LookBack(
        id=book.next_id(LookBack),
        cause=cause,
        text=text,
        opened_ms=book.at_ms,
        by=by or book.who or COLLECTOR,
        from_ms=from_ms,
        until_ms=until_ms,
        fills=fills,
        turns=tuple(each.id for each in concerned),
        devices=tuple(dict.fromkeys(each.device for each in concerned)),
    )
    for turn in concerned:
        device = book.find(Device, turn.device)
        if device is not None and device.turn == turn.id and turn.open() and look_back.id not in device.lookbacks:
            book.put(msgspec.structs.replace(device, lookbacks=(*device.lookbacks, look_back.id)))
    return book.put(look_back)


def _in_fills(book: Book, fills: tuple[str, ...], from_ms: int, until_ms: int) -> list[Turn]:
    """Rounds that lay in one of the fills within a time range, in the order in which they went in."""
    turns = [
        book.get(Turn, turn_id)
        for fill in (book.get(Fill, fill_id) for fill_id in fills)
        for load in book.all(Load, group=fill.basin, since_ms=fill.poured_ms, until_ms=until_ms)
        if load.fill == fill.id
        for turn_id in load.turns
    ]
    within = [
        turn
        for turn in turns
        if (turn.in_ms is None or turn.in_ms < until_ms) and (turn.out_ms is None or turn.out_ms > from_ms)
    ]
    return sorted(within, key=lambda turn: turn.in_ms or 0)
