"""What only a rehearsal can do: play a past that is invented, and give its people known badges, PINs and passwords.

These addresses exist only where the dashboard was started with a rehearsal's clock, which every page then shows.
"""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Router, post
from litestar.params import JSONBody

from collector import credentials
from collector.credentials import Kind
from collector.record.all import DEEDS
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from dashboard.site import AskedSite, only_known_parameters
from soak.decoding import converted

_MOST = 20_000
_MOST_BYTES = 64 * 1024 * 1024


class Played(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One deed of the invented past.

    Attributes:
        deed: Its name.
        fields: What is said.
        who: By whom.
        at_ms: When, milliseconds since 1970; not before the one before it, unless `between`.
        second_factor: They gave PIN or password.
        once: A key: played again, it is not done again.
        between: It lies between deeds that were played before: an alarm of the past is raised only once the day's
            loads are on record, and was seen long before the day's end.
    """

    deed: str
    fields: dict[str, Any]
    who: str
    at_ms: int
    second_factor: bool = False
    once: str = ""
    between: bool = False


class Refused(msgspec.Struct, frozen=True):
    """Why one was refused, as it would have been in earnest."""

    rule: str
    text: str
    next_step: str


class Outcome(msgspec.Struct, frozen=True, omit_defaults=True):
    """What became of one deed: its record's number and thing, or why it was refused."""

    number: int | None = None
    kind: str = ""
    id: str = ""
    refused: Refused | None = None


class PlayedPerson(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What an invented person signs in with.

    Attributes:
        person: Their id.
        pin: Their PIN; empty: none.
        password: Their password; empty: none.
        badge: The code on their badge; empty: none.
    """

    person: str
    pin: str = ""
    password: str = ""
    badge: str = ""


class PeopleSet(msgspec.Struct, frozen=True):
    """How many people can sign in now."""

    people: int


@post(
    "/api/rehearsal/deeds",
    status_code=200,
    summary="Play deeds of an invented past, all in one transaction",
    request_max_body_size=_MOST_BYTES,
)
async def post_deeds(site: AskedSite, data: JSONBody[list[Played]]) -> list[Outcome]:
    """Each at its own time. One that is refused does not stop the others."""
    if len(data) > _MOST:
        raise RefusedError("rehearsal", f"{len(data)} deeds are too many at once.", f"Send at most {_MOST}.")

    def work(desk: Desk) -> list[Outcome]:
        with desk.transaction():
            return [_play(desk, played) for played in data]

    return await site.desks.write(work)


@post("/api/rehearsal/people", status_code=200, summary="Set what invented people sign in with")
async def post_people(site: AskedSite, data: JSONBody[list[PlayedPerson]]) -> PeopleSet:
    """Known badges, PINs and passwords: what nobody may have in earnest."""
    now_ms = site.real_now_ms()

    def work(desk: Desk) -> None:
        with desk.transaction():
            for each in data:
                if each.pin:
                    credentials.set_secret(desk.connection, each.person, Kind.PIN, each.pin, now_ms)
                if each.password:
                    credentials.set_secret(desk.connection, each.person, Kind.PASSWORD, each.password, now_ms)
                if each.badge:
                    credentials.set_badge(desk.connection, each.person, each.badge, now_ms)

    await site.desks.write(work)
    return PeopleSet(len(data))


def rehearsal_router() -> Router:
    """Both of them."""
    return Router("/", route_handlers=[post_deeds, post_people], guards=[only_known_parameters], tags=["rehearsal"])


def _play(desk: Desk, played: Played) -> Outcome:
    connection = desk.connection
    connection.execute("SAVEPOINT played")
    try:
        done = desk.do_within(
            _deed(played),
            played.who,
            second_factor=played.second_factor,
            once=played.once,
            at_ms=played.at_ms,
            in_order=not played.between,
        )
    except RefusedError as refusal:
        connection.execute("ROLLBACK TO played")
        connection.execute("RELEASE played")
        return Outcome(refused=Refused(refusal.rule, refusal.text, refusal.next_step))
    connection.execute("RELEASE played")
    return Outcome(done.number, done.kind, done.id)


def _deed(played: Played) -> Any:
    kind = DEEDS.get(played.deed)
    if kind is None:
        raise RefusedError("malformed", f"There is no deed {played.deed[:60]!r}.", "The list is at /api/deeds.")
    try:
        return converted(played.fields, kind)
    except msgspec.ValidationError as error:
        raise RefusedError(
            "malformed", f"{played.deed}: {error}.", "The fields stand in /schema/openapi.json."
        ) from None
