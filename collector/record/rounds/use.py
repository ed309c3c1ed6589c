"""Storage and use. A use is recorded whatever stands against it: it has happened."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.record.book import DAY_MS, Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.loads import ended_if_empty, taken_out
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.rounds.quarantine import put_into
from collector.record.rounds.references import Reference, opaque
from collector.record.rounds.rounds import last_turn, not_quarantined, round_at
from collector.record.things import Device, DeviceType, Id, Load, LookBack, Stage, Text, Turn, Used


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
        used_ms: When, if it is recorded late: it belongs to the round of that time. Before the round's release, or
            before its taking out, it takes a reason.
    """

    NAME = "record-use"

    device: Id
    encounter: Reference = ""
    used_ms: Annotated[int, msgspec.Meta(ge=0)] | None = None

    def perform(self, book: Book) -> Turn:
        """Never refused.

        What was not released, or was held back, is looked back at; the device is quarantined, unless a round that began
        after the use reprocesses it.
        """
        device = book.get(Device, self.device)
        encounter = opaque(book, self.encounter)
        used_ms = self._when_ms(book)
        round_then = last_turn(book, device) if self.used_ms is None else _round_then(book, device, used_ms)
        present = (round_then.id if round_then else "") == device.turn
        released = _released_then(round_then, used_ms, present=present)
        self._refuse_mistyped(book, device, round_then)
        wrong = _wrong_with_use(book, device, round_then, used_ms, released=released)
        turn = _round_of_use(book, device, round_then, used_ms, released=released)
        turn = book.put(replace(turn, stage=Stage.USED, used=Used(book.who, used_ms, encounter, released)))
        if present:
            held = book.get(Device, device.id)
            book.put(replace(held, turn=turn.id, stored_in="", stored_ms=None, hang_until_ms=None))
        else:
            _tell_next_round(book, turn)
        if wrong:
            cause, text = wrong
            open_look_back(book, cause=cause, text=text, from_ms=used_ms, until_ms=used_ms + 1, turns=[turn])
            if present and device.quarantine is None:
                put_into(book, book.get(Device, device.id), text, "Reprocess it. A supervisor closes the look-back.")
        return turn

    def _when_ms(self, book: Book) -> int:
        if self.used_ms is None:
            return book.at_ms
        if self.used_ms > book.at_ms:
            when = book.local_text(self.used_ms)
            raise RefusedError("time", f"A use of {self.device} at {when} lies ahead.", "Type the time again.")
        return self.used_ms

    def _refuse_mistyped(self, book: Book, device: Device, round_then: Turn | None) -> None:
        """A typed time that contradicts the record is rather a slip than a use; with a reason it is a fact."""
        if self.used_ms is None or self.reason.strip():
            return
        text = ""
        if round_then is None and device.turn:
            text = f"No round of {device.id} had begun by {book.local_text(self.used_ms)}."
        elif round_then is not None and round_then.used is None:
            after = round_then.released.at_ms if round_then.released else round_then.out_ms
            if after is not None and self.used_ms < after:
                what = "released" if round_then.released else "taken out"
                text = (
                    f"{device.id} was {what} {book.local_text(after)}, after the time that was typed, "
                    f"{book.local_text(self.used_ms)}."
                )
        if text:
            step = "Type the time again; if it was used then all the same, write how as the reason."
            raise RefusedError("time", text, step)


def _round_then(book: Book, device: Device, used_ms: int) -> Turn | None:
    """The round that was a device's present one at a time."""
    return next(iter(book.all(Turn, group=device.id, until_ms=used_ms + 1, newest_first=True, limit=1)), None)


def _released_then(turn: Turn | None, used_ms: int, *, present: bool) -> bool:
    """The round's release held at the time of a use that is the round's first."""
    if turn is None or turn.used is not None or turn.released is None or turn.released.at_ms > used_ms:
        return False
    if turn.quarantine is not None and turn.quarantine.at_ms <= used_ms:
        return False
    if turn.stage is Stage.ENDED:  # by a quarantine, by the next round, or, at a time that it does not keep, for good
        return turn.quarantine is not None or not present
    return turn.stage is Stage.RELEASED


def _wrong_with_use(
    book: Book, device: Device, turn: Turn | None, used_ms: int, *, released: bool
) -> tuple[str, str] | None:
    """Cause and text of the look-back that a use opens; None if nothing stands against it."""
    present = (turn.id if turn else "") == device.turn
    quarantine = device.quarantine if present else turn.quarantine if turn else None
    if quarantine is not None and quarantine.at_ms <= used_ms:
        return "used-in-quarantine", f"{device.id} was used while in quarantine: {quarantine.reason}"
    if turn is None or not released:
        return "used-without-release", f"{device.id} was used without having been released."
    if held := [each for each in device.lookbacks if present and _opened_ms(book, each) <= used_ms]:
        return "used-during-look-back", f"{device.id} was used while {' and '.join(held)} held it back."
    until_ms = device.hang_until_ms if present and device.stored_in else _hang_until_ms(book, device, turn)
    if until_ms is not None and used_ms > until_ms:
        until = book.local_text(until_ms)
        return "used-past-hang-time", f"{device.id} was used after its hang time had ended {until}."
    return None


def _opened_ms(book: Book, look_back_id: str) -> int:
    look_back = book.find(LookBack, look_back_id)
    return look_back.opened_ms if look_back else 0


def _hang_until_ms(book: Book, device: Device, turn: Turn) -> int | None:
    """From its release on, whether or not anybody recorded where it hangs; None: its type sets none."""
    hang_days = book.get(DeviceType, device.type).hang_days
    released_ms = turn.released.at_ms if turn.released else book.at_ms
    return None if hang_days is None else released_ms + hang_days * DAY_MS


def _round_of_use(book: Book, device: Device, turn: Turn | None, used_ms: int, *, released: bool) -> Turn:
    """The round that a use belongs to: the one of its time, or a new one where that was used or had ended."""
    if turn is None or not (turn.open() or released):
        return Turn(id=book.next_id(Turn), device=device.id, began_ms=used_ms, by=book.who)
    if turn.stage is Stage.SOAKING:
        out = taken_out(book, turn, max(used_ms, turn.in_ms or 0))
        ended_if_empty(book, book.get(Load, turn.load))
        return out
    return turn


def _tell_next_round(book: Book, turn: Turn) -> None:
    """The round after a use that was recorded late comes from its encounter, where nobody said that of another."""
    used = turn.used
    later = (each for each in book.all(Turn, group=turn.device, since_ms=turn.began_ms) if each.id != turn.id)
    following = next((each for each in later if used and each.began_ms > used.at_ms), None)
    if used and following is not None and following.came_from in ("", turn.came_from):
        book.put(replace(following, came_from=used.encounter or following.came_from))
