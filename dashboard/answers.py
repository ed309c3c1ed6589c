"""What the part of the API that records answers with."""

from __future__ import annotations

from typing import Any

import msgspec

from collector.record.desk import Done
from collector.record.things import Role


class RefusalBody(msgspec.Struct, frozen=True):
    """Why something was not done. Nothing was recorded.

    Attributes:
        status: The HTTP status.
        rule: The rule that stands against it.
        text: What happened, with its figures, and what it means.
        next_step: What to do now.
    """

    status: int
    rule: str
    text: str
    next_step: str


class DoneBody(msgspec.Struct, frozen=True):
    """A deed was recorded.

    Attributes:
        number: Its record in the ledger.
        kind: Of the thing it is about.
        id: That thing's.
        again: It had been recorded before under the same key; nothing was recorded now.
    """

    number: int
    kind: str
    id: str
    again: bool

    @classmethod
    def of(cls, done: Done) -> DoneBody:
        """What became of a deed."""
        return cls(done.number, done.kind, done.id, done.again)


class DeedBody(msgspec.Struct, frozen=True):
    """A deed that can be done.

    Attributes:
        name: As in its address.
        title: What it is, in words.
        roles: Who may.
        second_factor: A PIN or password is asked for besides the badge.
        second_person: Another person proves themselves at the same time.
    """

    name: str
    title: str
    roles: list[Role]
    second_factor: bool
    second_person: bool


class DeedsBody(msgspec.Struct, frozen=True):
    """Every deed there is."""

    deeds: list[DeedBody]


class PersonBody(msgspec.Struct, frozen=True):
    """Somebody who is signed in."""

    id: str
    name: str
    roles: list[Role]


class MeBody(msgspec.Struct, frozen=True):
    """Who is signed in at this browser.

    Attributes:
        person: Null if nobody is.
        second_factor: They gave PIN or password a short while ago; a deed that takes one needs no other now.
        must_change: What somebody else has set for them, so that it proves nothing until they change it.
    """

    person: PersonBody | None
    second_factor: bool = False
    must_change: list[str] = []


class BadgeBody(msgspec.Struct, frozen=True):
    """A new badge: the code to print on it. It is shown this once and kept nowhere."""

    person: str
    badge: str


class ThingBody(msgspec.Struct, frozen=True):
    """A thing as the record leaves it.

    Attributes:
        id: Its name among its kind.
        number: The last record that changed it.
        open: It still needs somebody.
        at_ms: Where it stands in time among its kind.
        thing: All of it; what is not set is left out.
    """

    id: str
    number: int
    open: bool
    at_ms: int
    thing: dict[str, Any]


class ThingsBody(msgspec.Struct, frozen=True):
    """Things of a kind, a page of them; `total` counts all that fit."""

    kind: str
    total: int
    limit: int
    offset: int
    things: list[ThingBody]


class RecordBody(msgspec.Struct, frozen=True):
    """A record of the ledger: its hash is over all of it and `previous`, the hash of the one before."""

    number: int
    kind: str
    at: str
    at_ms: int
    who: str
    software: str
    body: dict[str, Any]
    reason: str
    format: int
    previous: str
    hash: str


class RecordsBody(msgspec.Struct, frozen=True):
    """Records in order; `records` of `site`'s ledger in all, whose last has the hash `head`."""

    site: str
    total: int
    head: str
    records: list[RecordBody]


class HeadBody(msgspec.Struct, frozen=True):
    """The end of the chain: how many records, and the hash of the last."""

    site: str
    records: int
    hash: str


class HistoryBody(msgspec.Struct, frozen=True):
    """Every record that changed one thing, oldest first."""

    kind: str
    id: str
    records: list[RecordBody]


class PictureBody(msgspec.Struct, frozen=True):
    """A picture of record, kept beside the data under its digest."""

    sha256: str
    media_type: str
    bytes: int
