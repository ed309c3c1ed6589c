"""Opening a look-back: which rounds it may concern, and which devices it holds back. Whoever finds out does it."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec.structs import replace

from collector.ledger import COLLECTOR
from collector.lookback.described import described
from collector.lookback.reach import rounds_in_fills
from collector.record.book import Book
from collector.record.rounds.quarantine import put_into
from collector.record.things import Asked, Concerned, Device, LookBack, Stood, Turn

_MOST = 1_000
"""Characters of a reason, as for any that a person types."""


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
    """Put a look-back into the book, which the record opens by itself, and hold back what it concerns.

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
    found = rounds_in_fills(book, fills, from_ms, until_ms) if turns is None else list(turns)
    look_back = LookBack(
        id=book.next_id(LookBack),
        cause=cause,
        text=text,
        opened_ms=book.at_ms,
        by=by or book.who or COLLECTOR,
        from_ms=from_ms,
        until_ms=until_ms,
        fills=fills,
    )
    return with_rounds(book, look_back, described(book, found))


def opened(
    book: Book,
    *,
    cause: str,
    asked: Asked,
    how_found: str,
    text: str,
    from_ms: int,
    until_ms: int,
    fills: tuple[str, ...],
    concerned: dict[str, Concerned],
    unexplained: int,
) -> LookBack:
    """The same for one that a person opens: what was asked and what was found stay in it."""
    look_back = LookBack(
        id=book.next_id(LookBack),
        cause=cause,
        text=text,
        opened_ms=book.at_ms,
        by=book.who,
        from_ms=from_ms,
        until_ms=until_ms,
        fills=fills,
        how_found=how_found,
        asked=asked,
        unexplained=unexplained,
    )
    return with_rounds(book, look_back, concerned)


def with_rounds(book: Book, look_back: LookBack, concerned: dict[str, Concerned]) -> LookBack:
    """A look-back with rounds that were found to be concerned; their devices are held back.

    Concerned is a device whose round is its present one and is still open. What hangs in a storage cabinet is put into
    quarantine at once: the next who opens the cabinet must not take it; that ends its round, and its next one stands on
    its own evidence. Others are marked as held. Where a round has been used, the device has moved on: its reference
    stays with the round, which the look-back lists.
    """
    new = {turn: row for turn, row in concerned.items() if turn not in look_back.concerned}
    turns = {each.id: each for each in book.many(Turn, new)}
    for turn_id, row in new.items():
        device, turn = book.find(Device, row.device), turns.get(turn_id)
        if device is None or turn is None or device.turn != turn.id or not turn.open():
            continue
        if row.stood is Stood.CABINET:
            reason = f"Look-back {look_back.id}: {look_back.text}"
            put_into(book, device, reason[:_MOST], f"Take it out of {row.place} and reprocess it.")
        elif look_back.id not in device.lookbacks:
            book.put(replace(device, lookbacks=(*device.lookbacks, look_back.id)))
    all_rows = {**look_back.concerned, **new}
    return book.put(
        replace(
            look_back,
            concerned=all_rows,
            turns=tuple(dict.fromkeys((*look_back.turns, *all_rows))),
            devices=tuple(dict.fromkeys((*look_back.devices, *(each.device for each in all_rows.values())))),
        )
    )
