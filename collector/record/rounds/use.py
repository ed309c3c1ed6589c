"""Storage and use. A use is recorded whatever stands against it: it has happened."""

from __future__ import annotations

from msgspec.structs import replace

from collector.record.book import DAY_MS, Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.loads import ended_if_empty, taken_out
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.rounds.quarantine import put_into
from collector.record.rounds.references import Reference, opaque
from collector.record.rounds.rounds import last_turn, not_quarantined, round_at
from collector.record.things import Device, DeviceType, Id, Load, Stage, Text, Turn, Used


@deed
class StoreDevice(Deed, frozen=True, kw_only=True):
    """Put a released device into a storage cabinet.

    Attributes:
        device: Its asset number.
        cabinet: Which, as the site calls it.
    """

    NAME = "store-device"

    device: Id
    cabinet: Text

    def perform(self, book: Book) -> Device:
        """Its hang time counts from its release, so that moving it to another cabinet extends nothing."""
        device, turn = round_at(book, self.device, Stage.RELEASED)
        not_quarantined(book, device)
        cabinet = self.cabinet.strip()
        if device.stored_in == cabinet:
            raise RefusedError(
                "stored-already",
                f"{device.id} is in {cabinet} since {book.local_text(device.stored_ms or book.at_ms)}.",
                "Nothing more is needed for it.",
            )
        until_ms = _hang_until_ms(book, device, turn)
        return book.put(replace(device, stored_in=cabinet, stored_ms=book.at_ms, hang_until_ms=until_ms))


@deed
class RecordUse(Deed, frozen=True, kw_only=True):
    """Record that a device was used, released or not.

    Attributes:
        device: Its asset number.
        encounter: Opaque reference of the procedure. Without one nobody can say later whom it concerns: a finding.
    """

    NAME = "record-use"

    device: Id
    encounter: Reference = ""

    def perform(self, book: Book) -> Turn:
        """Never refused. What was not released, or was held back, is quarantined and looked back at."""
        device = book.get(Device, self.device)
        encounter = opaque(book, self.encounter)
        wrong = wrong_with_use(book, device)
        turn = _round_of_use(book, device)
        released = turn.stage is Stage.RELEASED
        turn = book.put(replace(turn, stage=Stage.USED, used=Used(book.who, book.at_ms, encounter, released)))
        held = book.get(Device, device.id)
        book.put(replace(held, turn=turn.id, stored_in="", stored_ms=None, hang_until_ms=None))
        if wrong:
            cause, text = wrong
            open_look_back(book, cause=cause, text=text, from_ms=book.at_ms, until_ms=book.at_ms + 1, turns=[turn])
            if held.quarantine is None:
                put_into(book, book.get(Device, device.id), text, "Reprocess it. A supervisor closes the look-back.")
        return turn


def wrong_with_use(book: Book, device: Device) -> tuple[str, str] | None:
    """Cause and text of the look-back that a use at this moment opens; None if nothing stands against it."""
    turn = last_turn(book, device)
    if device.quarantine is not None:
        return "used-in-quarantine", f"{device.id} was used while in quarantine: {device.quarantine.reason}"
    if turn is None or turn.stage is not Stage.RELEASED:
        return "used-without-release", f"{device.id} was used without having been released."
    if device.lookbacks:
        return "used-during-look-back", f"{device.id} was used while {' and '.join(device.lookbacks)} held it back."
    until_ms = device.hang_until_ms if device.stored_in else _hang_until_ms(book, device, turn)
    if until_ms is not None and book.at_ms > until_ms:
        until = book.local_text(until_ms)
        return "used-past-hang-time", f"{device.id} was used after its hang time had ended {until}."
    return None


def _hang_until_ms(book: Book, device: Device, turn: Turn) -> int | None:
    """From its release on, whether or not anybody recorded where it hangs; None: its type sets none."""
    hang_days = book.get(DeviceType, device.type).hang_days
    released_ms = turn.released.at_ms if turn.released else book.at_ms
    return None if hang_days is None else released_ms + hang_days * DAY_MS


def _round_of_use(book: Book, device: Device) -> Turn:
    """The round that a use belongs to: the present one, or a new one where there is none or it has been used."""
    turn = last_turn(book, device)
    if turn is None or not turn.open():
        return Turn(id=book.next_id(Turn), device=device.id, began_ms=book.at_ms, by=book.who)
    if turn.stage is Stage.SOAKING:
        out = taken_out(book, turn)
        ended_if_empty(book, book.get(Load, turn.load))
        return out
    return turn
