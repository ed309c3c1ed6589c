"""People: who works here and what they may do. How they prove who they are is kept elsewhere (credentials)."""

from __future__ import annotations

import datetime
from typing import Annotated

import msgspec
from msgspec import UNSET, UnsetType

from collector.ledger import COLLECTOR
from collector.record.book import Book, as_date
from collector.record.deed import KEEPERS, Deed, deed
from collector.record.desk import CLOCK_WAS_WRONG, FIRST_ADMINISTRATOR
from collector.record.errors import RefusedError
from collector.record.said import given, need_reason
from collector.record.things import ClockWrong, Date, Id, Person, Role, Text
from soak.quantity import in_words

NOT_PEOPLE = frozenset({COLLECTOR, "nobody"})
"""Names that the record uses where no person stands."""

Roles = Annotated[tuple[Role, ...], msgspec.Meta(max_length=len(Role))]

_ADMINISTRATORS = frozenset({Role.ADMINISTRATOR})


@deed
class FirstAdministrator(Deed, frozen=True, kw_only=True):
    """Record the first person, who records the others.

    Attributes:
        id: How the record names them, e.g. "a-lindqvist"; never given to anybody else.
        name: As on the badge.
    """

    NAME = FIRST_ADMINISTRATOR
    ROLES = _ADMINISTRATORS

    id: Id
    name: Text

    def perform(self, book: Book) -> Person:
        """Only while there are no people, and only in one's own name."""
        if book.all(Person, limit=1):
            raise RefusedError(
                "not-the-first",
                "There are people in the record already.",
                "Let an administrator among them record the new person.",
            )
        if self.id != book.who:
            raise RefusedError(
                "own-name",
                f"{book.who!r} cannot record {self.id!r} as the first administrator.",
                "The first administrator records themselves: use the same id twice.",
            )
        _refuse_reserved(self.id)
        return book.put(Person(id=self.id, name=self.name.strip(), roles=(Role.ADMINISTRATOR,)))


@deed
class RecordPerson(Deed, frozen=True, kw_only=True):
    """Record a person.

    Attributes:
        id: How the record names them, e.g. "a-lindqvist"; never given to anybody else.
        name: As on the badge.
        roles: What they may do; an auditor only reads.
        trained_on: When trained or last assessed for this work.
        training_expires: Last day on which that holds.
        colour_vision_on: When their colour vision was screened; strips are read by colour.
        colour_vision_passed: Its outcome.
    """

    NAME = "record-person"
    ROLES = _ADMINISTRATORS
    SECOND_FACTOR = True

    id: Id
    name: Text
    roles: Roles
    trained_on: Date | None = None
    training_expires: Date | None = None
    colour_vision_on: Date | None = None
    colour_vision_passed: bool | None = None

    def perform(self, book: Book) -> Person:
        """An id is of one person for ever; dates agree with each other."""
        _refuse_reserved(self.id)
        taken = next((person for person in book.all(Person) if person.id.lower() == self.id.lower()), None)
        if taken:
            raise RefusedError(
                "person-exists",
                f"{taken.id!r} is {taken.name}{'' if taken.active else ', who has left'}.",
                "Choose another id; to change what is on file for that person, change the person.",
            )
        person = Person(
            id=self.id,
            name=self.name.strip(),
            roles=_roles(self.roles),
            trained_on=self.trained_on,
            training_expires=self.training_expires,
            colour_vision_on=self.colour_vision_on,
            colour_vision_passed=self.colour_vision_passed,
        )
        _refuse_wrong_file(person, book.local_date(book.at_ms))
        return book.put(person)


@deed
class ChangePerson(Deed, frozen=True, kw_only=True):
    """Change what is on file for a person, or record that they have left.

    What is not given stays. Supervisors keep training and colour vision up to date; name, roles and leaving take an
    administrator.

    Attributes:
        id: Who.
        name: As on the badge.
        roles: What they may do.
        trained_on: When trained or last assessed for this work; null takes it away.
        training_expires: Last day on which that holds.
        colour_vision_on: When their colour vision was screened.
        colour_vision_passed: Its outcome.
        active: False: they have left.
    """

    NAME = "change-person"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    id: Id
    name: Text | UnsetType = UNSET
    roles: Roles | UnsetType = UNSET
    trained_on: Date | UnsetType | None = UNSET
    training_expires: Date | UnsetType | None = UNSET
    colour_vision_on: Date | UnsetType | None = UNSET
    colour_vision_passed: bool | UnsetType | None = UNSET
    active: bool | UnsetType = UNSET

    def perform(self, book: Book) -> Person:
        """The last administrator stays one."""
        before = book.get(Person, self.id)
        for_administrators = {"name": self.name, "roles": self.roles, "active": self.active}
        asked = [name for name, said in for_administrators.items() if said is not UNSET]
        if asked and Role.ADMINISTRATOR not in book.person.roles:
            raise RefusedError(
                "role",
                f"{book.person.name} is no administrator and cannot change {' or '.join(asked)} of a person.",
                "Ask an administrator to do it; training and colour vision can be kept by a supervisor.",
            )
        changed = msgspec.structs.replace(before, **given(self))
        if self.roles is not UNSET:
            changed = msgspec.structs.replace(changed, roles=_roles(changed.roles))
        _refuse_wrong_file(changed, book.local_date(book.at_ms))
        if _administers(before) and not _administers(changed):
            _refuse_without_administrator(book, before)
        return book.put(changed)


@deed
class ClockWasWrong(Deed, frozen=True, kw_only=True):
    """Say that the clock was ahead when the last records were made, and is right now.

    Without it nothing more can be recorded until the clock has passed the last record: everything would seem to have
    happened before it. The records stay as they are; what they date (use-by dates above all) must be looked at.

    Attributes:
        first: The first record that was made with the wrong clock; leave it out if only the last one is known.
    """

    NAME = CLOCK_WAS_WRONG
    ROLES = _ADMINISTRATORS
    SECOND_FACTOR = True

    first: Annotated[int, msgspec.Meta(ge=1)] | None = None

    def perform(self, book: Book) -> ClockWrong:
        """Only while the clock is behind the last record, and with a reason."""
        need_reason(self, "The record keeps why the clock was wrong.", "Say how it was noticed and put right.")
        row = book.connection.execute(
            "SELECT number, at_ms FROM ledger WHERE who <> ? ORDER BY number DESC LIMIT 1", (COLLECTOR,)
        ).fetchone()
        last, last_ms = row or (0, 0)
        if book.at_ms >= last_ms:
            raise RefusedError(
                "clock-not-behind",
                "This machine's clock is not behind the last record: nothing is held up by it.",
                "Put a wrong date right where it stands: correct that record and give the reason.",
            )
        first = self.first or last
        if first > last:
            raise RefusedError(
                "record-number",
                f"Record {first} comes after the last one that a person made, {last}.",
                "Give the number of the first record with a wrong date.",
            )
        return book.put(
            ClockWrong(
                id=book.next_id(ClockWrong),
                by=book.who,
                at_ms=book.at_ms,
                first=first,
                last=last,
                ahead_ms=last_ms - book.at_ms,
                text=f"Records {first} to {last} were made with a clock that was ahead, the last by "
                f"{in_words(last_ms - book.at_ms)} or more: what they date must be compared with the labels.",
            )
        )


def _roles(roles: tuple[Role, ...]) -> tuple[Role, ...]:
    """Each once, in the order of `Role`; at least one."""
    if not roles:
        raise RefusedError(
            "no-role",
            "Without a role a person can do nothing, not even read.",
            "Give a role; if they have left, record that instead.",
        )
    return tuple(role for role in Role if role in roles)


def _refuse_reserved(person_id: str) -> None:
    if person_id.lower() in NOT_PEOPLE:
        raise RefusedError(
            "person-id", f"The record uses {person_id!r} where no person stands.", "Choose another id for this person."
        )


def _refuse_wrong_file(person: Person, today: datetime.date) -> None:
    """Training and screening happened, and are whole."""
    for name, said in (("training", person.trained_on), ("colour vision screening", person.colour_vision_on)):
        if said and as_date(said) > today:
            raise RefusedError(
                "date-in-future",
                f"The {name} is dated {said}, which is still to come.",
                "Record it once it has happened.",
            )
    if person.training_expires and not person.trained_on:
        raise RefusedError(
            "training-dates", "An expiry of training is given, but no training.", "Give the date of the training too."
        )
    if person.training_expires and as_date(person.training_expires) < as_date(person.trained_on or ""):
        raise RefusedError(
            "training-dates",
            f"Training of {person.trained_on} cannot have expired before it, on {person.training_expires}.",
            "Compare both dates with the certificate.",
        )
    if (person.colour_vision_on is None) != (person.colour_vision_passed is None):
        raise RefusedError(
            "colour-vision",
            "A colour vision screening has a date and an outcome; only one of them is given.",
            "Give both, or neither.",
        )


def _administers(person: Person) -> bool:
    return person.active and Role.ADMINISTRATOR in person.roles


def _refuse_without_administrator(book: Book, leaving: Person) -> None:
    if not any(_administers(person) and person.id != leaving.id for person in book.all(Person)):
        raise RefusedError(
            "last-administrator",
            f"{leaving.name} is the only administrator: without one nobody could let anybody in again.",
            "Make somebody else an administrator first.",
        )
