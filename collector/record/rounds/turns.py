"""Rounds before the soak: begun at the reprocessing room's door, each step attested by whoever did it."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.references import Reference, opaque
from collector.record.rounds.rounds import elsewhere, in_service, last_turn, not_quarantined, round_at
from collector.record.things import Attested, Device, DeviceType, Id, Note, Stage, Step, Turn


@deed
class BeginTurn(Deed, frozen=True, kw_only=True):
    """Begin a device's round of reprocessing.

    Attributes:
        device: Its asset number.
        came_from: Opaque reference of the encounter that it came from. Left empty, it is the one that its last round
            was used for, if that is on record.
    """

    NAME = "begin-turn"

    device: Id
    came_from: Reference = ""

    def perform(self, book: Book) -> Turn:
        """One round at a time; a round that was soaked but not used ends with it."""
        device = in_service(book, self.device)
        not_quarantined(book, device)
        before = last_turn(book, device)
        came_from = opaque(book, self.came_from)
        if before is not None:
            _refuse_open(book, before)
            _refuse_unused(before, came_from)
            came_from = came_from or (before.used.encounter if before.used else before.came_from)
            if before.open():
                book.put(replace(before, stage=Stage.ENDED))
        turn = Turn(id=book.next_id(Turn), device=device.id, began_ms=book.at_ms, by=book.who, came_from=came_from)
        book.put(replace(device, turn=turn.id, stored_in="", stored_ms=None, hang_until_ms=None))
        return book.put(turn)


def _refuse_open(book: Book, before: Turn) -> None:
    if before.stage is Stage.SOAKING:
        raise elsewhere(book, before)
    if before.stage is Stage.PREPARING:
        raise RefusedError(
            "round-open",
            f"Round {before.id} of {before.device} was begun {book.local_text(before.began_ms)} "
            f"by {book.name_of(before.by)} and goes on.",
            "Go on with that round.",
        )


def _refuse_unused(before: Turn, came_from: str) -> None:
    """A round cannot come from an encounter for which the round before was not used."""
    if before.stage in (Stage.SOAKED, Stage.RELEASED) and came_from not in ("", before.came_from):
        raise RefusedError(
            "use-not-recorded",
            f"{before.device} comes from {came_from}, but no use of its last round {before.id} is on record.",
            "Record that use first, with this reference; then begin the new round.",
        )


@deed
class AttestSteps(Deed, frozen=True, kw_only=True):
    """Attest pre-soak steps that you did yourself.

    Attributes:
        device: Its asset number.
        steps: Which, in any order.
        done_ms: When they were done, milliseconds since 1970; now if not given.
        note: In your words.
    """

    NAME = "attest-steps"

    device: Id
    steps: Annotated[tuple[Step, ...], msgspec.Meta(min_length=1, max_length=len(Step))]
    done_ms: int | None = None
    note: Note = ""

    def perform(self, book: Book) -> Turn:
        """Each step of its type once; when it was recorded is kept beside when it was done."""
        device, turn = round_at(book, self.device, Stage.PREPARING, Stage.SOAKING)
        done_ms = book.at_ms if self.done_ms is None else self.done_ms
        _refuse_moment(book, turn, done_ms)
        steps = dict(turn.steps)
        for step in self.steps:
            _refuse_step(book, device, steps, step)
            recorded_ms = book.at_ms if done_ms != book.at_ms else None
            steps[step.value] = Attested(book.who, done_ms, self.note, recorded_ms)
        return book.put(replace(turn, steps=steps))


def _refuse_moment(book: Book, turn: Turn, done_ms: int) -> None:
    if done_ms > book.at_ms:
        raise RefusedError(
            "step-in-future",
            f"{book.local_text(done_ms)} has not come yet.",
            "Attest a step once it is done, with the time at which it was.",
        )
    busy_ms = busy_until_ms(book, turn)
    if done_ms < busy_ms:
        raise RefusedError(
            "step-too-early",
            f"{turn.device} was in a solution until {book.local_text(busy_ms)}: "
            f"a step of this round cannot have been done {book.local_text(done_ms)}.",
            "Attest the step with the time at which it was done in this round.",
        )


def busy_until_ms(book: Book, turn: Turn) -> int:
    """When a device was last taken out of a solution before this round; 0 if it never was."""
    others = (other for other in book.all(Turn, group=turn.device) if other.id != turn.id)
    return max((other.out_ms for other in others if other.out_ms is not None), default=0)


def _refuse_step(book: Book, device: Device, done: dict[str, Attested], step: Step) -> None:
    device_type = book.get(DeviceType, device.type)
    if step not in device_type.steps:
        asked = ", ".join(each.value for each in device_type.steps) or "none"
        raise RefusedError(
            "step-not-asked",
            f"A {device_type.name} does not take the step {step.value!r}.",
            f"Attest the steps of its type: {asked}.",
        )
    if before := done.get(step.value):
        raise RefusedError(
            "step-twice",
            f"The step {step.value!r} of {device.id} was attested by {book.name_of(before.by)} "
            f"for {book.local_text(before.at_ms)}.",
            "Attest only what you did yourself and what is not on record yet.",
        )


@deed
class NoteTurn(Deed, frozen=True, kw_only=True):
    """Write a note on a device's round or on a finding about it.

    Attributes:
        turn: Which round.
        note: In your words: what happened, not who is to blame.
    """

    NAME = "note-turn"

    turn: Id
    note: Note

    def perform(self, book: Book) -> Turn:
        """Notes are added to, never changed."""
        turn = book.get(Turn, self.turn)
        if not self.note.strip():
            raise RefusedError("note", "The note is empty.", "Write what happened, then record it.")
        return book.put(replace(turn, notes=(*turn.notes, Attested(book.who, book.at_ms, self.note))))
