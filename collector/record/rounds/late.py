"""Assigning devices to a closure after the lid was opened: with a second person, a reason, and records that agree."""

from __future__ import annotations

from typing import Annotated, ClassVar

import msgspec
from msgspec.structs import replace

from collector.record.book import Book, Watched
from collector.record.deed import HANDS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.admission import refuse_solution
from collector.record.rounds.rounds import basin_name, not_quarantined, round_at
from collector.record.rounds.soaks import longest_immersion_ms, soak_of
from collector.record.rounds.turns import busy_until_ms
from collector.record.rounds.unassigned import ClosureKey, Found, closure_of, load_over, note_of
from collector.record.said import need_reason
from collector.record.solutions.fills import spent
from collector.record.solutions.mec import daily, mec_test_for
from collector.record.things import Attested, Device, DeviceType, Fill, Id, Load, Person, Profile, Stage, Turn
from soak.quantity import in_words


@deed
class AssignLate(Deed, frozen=True, kw_only=True):
    """Say after the lid was opened which devices lay in a basin. A second person confirms it; a reason is asked for.

    Attributes:
        closure: In which closure, as "stream:first".
        devices: Asset numbers; their rounds were begun, and their steps on record, before the lid was closed.
        second_person: Who confirms it.
    """

    NAME = "assign-late"
    SECOND_FACTOR = True
    SECOND_PERSON: ClassVar[bool] = True

    closure: ClosureKey
    devices: Annotated[tuple[Id, ...], msgspec.Meta(min_length=1, max_length=50)]
    second_person: Id

    def perform(self, book: Book) -> Load:
        """Only what agrees with everything else on record; the load and its rounds are marked late."""
        found = closure_of(book, self.closure)
        _refuse_person(book, self.second_person)
        need_reason(self, "Assigning after the lid was opened needs a reason.", "Say why it was not said before.")
        fill = _fill_then(book, found)
        profile = book.get(Profile, fill.profile)
        _refuse_long(book, found, profile)
        turns = [_agreeing(book, each, found.watched, profile) for each in dict.fromkeys(self.devices)]
        late = Attested(self.second_person, book.at_ms, self.reason)
        load = load_over(book, found.basin, found.watched.closing_ms) or _late_load(book, found, fill, profile, late)
        for turn in turns:
            _place(book, turn, load, found.watched, late)
        book.put(replace(note_of(book, found), assignment=load.id))
        return book.put(replace(load, turns=(*load.turns, *(turn.id for turn in turns))))


def _refuse_person(book: Book, person_id: str) -> None:
    person = book.get(Person, person_id)
    if person.id == book.who or not person.active or not HANDS & set(person.roles):
        raise RefusedError(
            "second-person",
            f"{person.name} cannot confirm it: that takes somebody else who works at the basins.",
            "Ask another technician or a supervisor to confirm it with badge and PIN.",
        )


def _fill_then(book: Book, found: Found) -> Fill:
    watched = found.watched
    for fill in book.all(Fill, group=found.basin, until_ms=watched.closing_ms + 1, newest_first=True):
        if fill.discarded is None or fill.discarded.at_ms >= watched.opened_ms:
            return fill
    raise RefusedError(
        "no-fill-then",
        f"No fill was in {basin_name(book, found.basin)} from {book.local_text(watched.closing_ms)} "
        f"to {book.local_text(watched.opened_ms)}.",
        "Reprocess the devices.",
    )


def _refuse_long(book: Book, found: Found, profile: Profile) -> None:
    closed_ms = found.watched.opened_ms - found.watched.closing_ms
    longest_ms = longest_immersion_ms(book, profile)
    if closed_ms > longest_ms:
        raise RefusedError(
            "late-too-long",
            f"The lid was on for {in_words(closed_ms)}; the maximum immersion time is {in_words(longest_ms)}: "
            "nothing that is still fit for use can have been in it all the time.",
            "Quarantine the devices, and answer 'not known' for this closure if nobody knows what was in it.",
        )


def _agreeing(book: Book, device_id: str, watched: Watched, profile: Profile) -> Turn:
    """A round that can have been in a closure, by everything else that is on record."""
    device, turn = round_at(book, device_id, Stage.PREPARING)
    not_quarantined(book, device)
    refuse_solution(book, device, profile)
    why = _disagrees(book, device, turn, watched.closing_ms)
    if why:
        closed = book.local_text(watched.closing_ms)
        raise RefusedError(
            "late-disagrees",
            f"{device.id}: {why}; the lid was closed {closed}.",
            "It cannot be shown that it lay in there ready for it: reprocess it.",
        )
    return turn


def _disagrees(book: Book, device: Device, turn: Turn, closing_ms: int) -> str:
    if turn.began_ms > closing_ms:
        return f"its round was begun only {book.local_text(turn.began_ms)}"
    if (busy_ms := busy_until_ms(book, turn)) > closing_ms:
        return f"it was in another solution until {book.local_text(busy_ms)}"
    for step in book.get(DeviceType, device.type).steps:
        done = turn.steps.get(step.value)
        if done is None:
            return f"the step {step.value!r} is not on record"
        if done.on_record_ms > closing_ms:
            return f"the step {step.value!r} was recorded only {book.local_text(done.on_record_ms)}"
    return ""


def _late_load(book: Book, found: Found, fill: Fill, profile: Profile, late: Attested) -> Load:
    if refusal := spent(book, fill):
        raise refusal
    test = mec_test_for(book, fill, profile, found.watched.closing_ms) if profile.mec_monitored else None
    load = Load(
        id=book.next_id(Load),
        basin=found.basin,
        fill=fill.id,
        began_ms=found.watched.closing_ms,
        by=book.who,
        mec_test=test.id if test else "",
        ended_ms=found.watched.opened_ms,
        late=late,
    )
    if test is not None and not daily(book, profile):
        book.put(replace(test, used_for=load.id))
    book.put(replace(fill, loads=fill.loads + 1))
    return load


def _place(book: Book, turn: Turn, load: Load, watched: Watched, late: Attested) -> None:
    placed = replace(
        turn,
        stage=Stage.SOAKED,
        load=load.id,
        basin=load.basin,
        fill=load.fill,
        in_ms=watched.closing_ms,
        out_ms=watched.opened_ms,
        in_by=book.who,
        out_by=book.who,
        late=late,
    )
    met = soak_of(book, placed).met
    book.put(replace(placed, closure=met[0].key if met else ""))
