"""Look-backs: something turned out to have been wrong; which rounds it may concern, until somebody concludes it."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from collector.ledger import COLLECTOR
from collector.record.book import Book
from collector.record.deed import LEADS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.things import Attested, Device, Fill, Id, Load, LookBack, Note, Turn


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


@deed
class CloseLookBack(Deed, frozen=True, kw_only=True):
    """Close a look-back with its conclusion.

    Attributes:
        look_back: Which.
        conclusion: What was found and what was done about it.
    """

    NAME = "close-look-back"
    ROLES = LEADS
    SECOND_FACTOR = True

    look_back: Id
    conclusion: Note

    def perform(self, book: Book) -> LookBack:
        """Its devices are free of it."""
        look_back = open_one(book, self.look_back)
        if not self.conclusion.strip():
            raise RefusedError(
                "conclusion",
                f"Look-back {look_back.id} has no conclusion: nobody could tell later what was found.",
                "Say in a sentence what was found and what was done.",
            )
        for device_id in look_back.devices:
            _free(book, device_id, look_back.id)
        closed = Attested(book.who, book.at_ms, self.conclusion)
        return book.put(msgspec.structs.replace(look_back, closed=closed))


@deed
class FreeFromLookBack(Deed, frozen=True, kw_only=True):
    """Free a device that was reprocessed from a look-back that goes on.

    Attributes:
        look_back: Which; its rounds, and who they concern, stay in it.
        device: Which.
    """

    NAME = "free-from-look-back"
    ROLES = LEADS
    SECOND_FACTOR = True

    look_back: Id
    device: Id

    def perform(self, book: Book) -> Device:
        """Only what a later round of it made good."""
        look_back = open_one(book, self.look_back)
        device = book.get(Device, self.device)
        if look_back.id not in device.lookbacks:
            raise RefusedError(
                "not-in-look-back",
                f"Look-back {look_back.id} does not hold {device.id} back.",
                "Look at the device's page: it lists what does.",
            )
        if device.turn in look_back.turns:
            raise RefusedError(
                "reprocess-first",
                f"{device.id} has not been reprocessed since: its round {device.turn} is the one in question.",
                f"Begin a new round of {device.id}, or close look-back {look_back.id} with its conclusion.",
            )
        if not self.reason.strip():
            raise RefusedError("reason", "This needs a reason.", "Say in a few words why.")
        _free(book, device.id, look_back.id)
        return book.get(Device, device.id)


def open_one(book: Book, look_back_id: str) -> LookBack:
    """A look-back that is open.

    Raises:
        RefusedError: There is none, or somebody has closed it.
    """
    look_back = book.get(LookBack, look_back_id)
    if look_back.closed is not None:
        raise RefusedError(
            "look-back-closed",
            f"Look-back {look_back.id} was closed by {book.name_of(look_back.closed.by)} "
            f"at {book.local_text(look_back.closed.at_ms)}.",
            "Read the conclusion; nothing more is needed.",
        )
    return look_back


def _free(book: Book, device_id: str, look_back_id: str) -> None:
    device = book.find(Device, device_id)
    if device is not None and look_back_id in device.lookbacks:
        kept = tuple(each for each in device.lookbacks if each != look_back_id)
        book.put(msgspec.structs.replace(device, lookbacks=kept))
