"""Quarantine: a device that must not be used, why, and what to do about it. It ends the device's round."""

from __future__ import annotations

from msgspec.structs import replace

from collector.record.book import Book
from collector.record.deed import LEADS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import last_turn
from collector.record.said import need_reason
from collector.record.things import Device, Id, Quarantine, Stage, Text


@deed
class QuarantineDevice(Deed, frozen=True, kw_only=True):
    """Put a device into quarantine: it must not be used. A reason is asked for.

    Attributes:
        device: Its asset number.
        next_action: What to do about it, e.g. "Reprocess." or "Send it for repair."
    """

    NAME = "quarantine-device"

    device: Id
    next_action: Text

    def perform(self, book: Book) -> Device:
        """At any time. What has been released or soaked must be reprocessed afterwards."""
        device = book.get(Device, self.device)
        if device.quarantine is not None:
            raise RefusedError(
                "quarantined",
                f"{device.id} is in quarantine since {book.local_text(device.quarantine.at_ms)}, "
                f"put there by {book.name_of(device.quarantine.by)}: {device.quarantine.reason}",
                "Nothing more is needed; a note on its round can add to it.",
            )
        need_reason(self, f"{device.id} goes into quarantine only with a reason.", "Say in a sentence what is wrong.")
        if not self.next_action.strip():
            raise RefusedError("next-action", "Nobody would know what to do next.", "Say what to do about it.")
        return put_into(book, device, self.reason, self.next_action)


@deed
class LiftQuarantine(Deed, frozen=True, kw_only=True):
    """Lift a quarantine, with a reason. The device has to be reprocessed before it is used.

    Attributes:
        device: Its asset number.
    """

    NAME = "lift-quarantine"
    ROLES = LEADS
    SECOND_FACTOR = True

    device: Id

    def perform(self, book: Book) -> Device:
        """What it was for stays in its round and in the ledger."""
        device = book.get(Device, self.device)
        if device.quarantine is None:
            raise RefusedError("not-quarantined", f"{device.id} is not in quarantine.", "Nothing needs to be lifted.")
        need_reason(self, f"The quarantine of {device.id} is lifted only with a reason.", "Say what was done about it.")
        return book.put(replace(device, quarantine=None))


def put_into(book: Book, device: Device, reason: str, next_action: str) -> Device:
    """Quarantine a device and end its round; one that lies in a basin ends when it is taken out."""
    quarantine = Quarantine(book.who, book.at_ms, reason, next_action)
    turn = last_turn(book, device)
    if turn is not None and turn.open():
        stage = Stage.SOAKING if turn.stage is Stage.SOAKING else Stage.ENDED
        book.put(replace(turn, quarantine=quarantine, stage=stage))
    return book.put(
        replace(book.get(Device, device.id), quarantine=quarantine, stored_in="", stored_ms=None, hang_until_ms=None)
    )
