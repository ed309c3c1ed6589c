"""Look-backs concluded: what was found, and what becomes of the devices that they held back."""

from __future__ import annotations

import msgspec

from collector.record.book import Book
from collector.record.deed import LEADS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.quarantine import put_into
from collector.record.rounds.release import release_facts
from collector.record.rounds.rounds import last_turn
from collector.record.things import Attested, Device, Id, LookBack, Note, Stage

_REEXAMINED = frozenset({"profile", "mec-test", "fill-in-date", "soak"})
"""Clauses of a release that what opens look-backs can undo; rinses and steps stand as they were."""


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
        """Its devices are free of it; a release that what is known now does not bear out ends in quarantine."""
        look_back = open_one(book, self.look_back)
        if not self.conclusion.strip():
            raise RefusedError(
                "conclusion",
                f"Look-back {look_back.id} has no conclusion: nobody could tell later what was found.",
                "Say in a sentence what was found and what was done.",
            )
        for device_id in look_back.devices:
            _free(book, device_id, look_back.id)
            _hold_back(book, device_id, look_back)
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


def _hold_back(book: Book, device_id: str, look_back: LookBack) -> None:
    """No conclusion makes up for a soak or test that no longer holds: such a device must not be used as released."""
    device = book.find(Device, device_id)
    turn = last_turn(book, device) if device else None
    if device is None or turn is None or turn.id not in look_back.turns or turn.stage is not Stage.RELEASED:
        return
    undone = [each for each in release_facts(book, turn)[1] if each.rule in _REEXAMINED]
    if undone and device.quarantine is None:
        reason = f"Its release does not hold by what is known since look-back {look_back.id}: {undone[0].text}"
        put_into(book, device, reason, "Reprocess it: cleaning, soak, rinses.")
