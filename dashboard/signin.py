"""Signing in and out, and what people sign in with: the API; the pages do the same through it."""

from __future__ import annotations

import sqlite3
from typing import Annotated, Any, NamedTuple

import msgspec
from litestar import Request, Response, Router, get, post
from litestar.datastructures import Cookie
from litestar.params import JSONBody, PathParameter

from collector import browsers, proofs, sessions, sign_ins
from collector.credentials import Kind, person_of_badge
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.sign_ins import Outcome, Place
from dashboard.answers import BadgeBody, MeBody, PersonBody
from dashboard.cookies import browser_cookie, session_cookie
from dashboard.deeds_api import REFUSALS
from dashboard.doing import guessing, prove
from dashboard.door import Signed, address_of, browser_token, signed_in, somebody, someone
from dashboard.proving import Given, SignIn, note_failure, prove_who
from dashboard.query import MissingError
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
MOST_BODY_BYTES = 64 * 1024
"""Of what anybody may send without being signed in: megabytes of fields take seconds to be told apart."""
PersonId = Annotated[str, PathParameter(description="The person's id.")]


class Entry(NamedTuple):
    """What the browser of somebody who has signed in is given.

    Attributes:
        token: Of the session.
        browser: Of the browser; the one it had, or a new one.
    """

    token: str
    browser: str


class Secret(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """PIN or password of who is signed in."""

    secret: Given


class NewSecret(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A new PIN or password, and a present one of whoever asks; either will do."""

    secret: Given
    current: Given


@post(
    "/api/sign-in",
    status_code=200,
    summary="Sign in: badge, with or without PIN; or id and password",
    responses=REFUSALS,
)
async def post_sign_in(site: AskedSite, request: AnyRequest, data: JSONBody[SignIn]) -> Response[MeBody]:
    """The session comes as a cookie. Whoever was signed in at this browser before is signed out."""
    entry = await enter(site, request, data)
    return Response(await _me_of(site, entry.token), cookies=cookies_for(request, entry))


@post(
    "/api/second-factor", guards=[somebody], status_code=200, summary="Give PIN or password again", responses=REFUSALS
)
async def post_second_factor(site: AskedSite, request: AnyRequest, data: JSONBody[Secret]) -> MeBody:
    """It counts as a second factor for five minutes."""
    signed = someone(request)
    await guessing(site, request, lambda desk, now_ms: prove(desk, signed, data.secret, now_ms))
    return await _me_of(site, signed.token)


@post("/api/sign-out", status_code=200, summary="Sign out")
async def post_sign_out(site: AskedSite, request: AnyRequest) -> Response[MeBody]:
    """The session ends; nobody need be signed in."""
    await leave(site, request)
    return Response(MeBody(None), cookies=cookies_for(request, None))


@get("/api/me", summary="Who is signed in")
async def get_me(site: AskedSite, request: AnyRequest) -> MeBody:
    """At the browser that asks."""
    signed = signed_in(request)
    return await _me_of(site, signed.token) if signed else MeBody(None)


@post(
    "/api/me/{kind:str}",
    guards=[somebody],
    status_code=200,
    summary="Change one's own pin or password",
    responses=REFUSALS,
)
async def post_own_secret(
    site: AskedSite,
    request: AnyRequest,
    kind: Annotated[str, PathParameter(description="pin or password.")],
    data: JSONBody[NewSecret],
) -> MeBody:
    """It takes the present one. Other sessions of the person end."""
    await change_own(site, request, _kind(kind), data)
    return await _me_of(site, someone(request).token)


@post(
    "/api/people/{person:str}/badge",
    guards=[somebody],
    status_code=200,
    summary="Give somebody a new badge",
    responses=REFUSALS,
)
async def post_badge(site: AskedSite, request: AnyRequest, person: PersonId, data: JSONBody[Secret]) -> BadgeBody:
    """Administrators only, with their own PIN or password. The code is shown this once."""
    return BadgeBody(person, await new_badge(site, request, person, data.secret))


@post(
    "/api/people/{person:str}/{kind:str}",
    guards=[somebody],
    status_code=200,
    summary="Set somebody's pin or password",
    responses=REFUSALS,
)
async def post_others_secret(
    site: AskedSite,
    request: AnyRequest,
    person: PersonId,
    kind: Annotated[str, PathParameter(description="pin or password.")],
    data: JSONBody[NewSecret],
) -> MeBody:
    """Administrators only, with their own PIN or password. It proves nothing until its owner has changed it."""
    await set_others(site, request, person, _kind(kind), data)
    return await _me_of(site, someone(request).token)


async def enter(site: Site, request: AnyRequest, given: SignIn) -> Entry:
    """Sign in; that it was tried goes into the record of sign-ins.

    Raises:
        RefusedError: It does not fit. Whoever was signed in stays signed in.
    """
    before, held = signed_in(request), browser_token(request)
    address = address_of(request)

    def may_be_guessed(desk: Desk) -> bool:
        return not given.badge or bool(given.pin) or person_of_badge(desk.connection, given.badge) is None

    def work(desk: Desk, now_ms: int) -> Entry:
        connection = desk.connection
        browser = held if browsers.is_ours(connection, browsers.digest(held)) else ""
        place = Place(address, browsers.digest(browser))
        try:
            proven = prove_who(desk, given, now_ms, place)
        except RefusedError as refusal:
            note_failure(connection, given, refusal, now_ms, place)
            raise
        entry = Entry("", browser or browsers.new_token())
        place = Place(address, browsers.digest(entry.browser))
        kind = (Kind.PIN if given.badge else Kind.PASSWORD) if proven.second_factor else browsers.BADGE
        with desk.transaction():
            if before:
                sessions.end(connection, before.token)
                sign_ins.note(connection, Outcome.SIGNED_OUT, now_ms, person=before.person.id, place=place)
            browsers.remember(connection, place.browser, proven.person.id, kind, now_ms)
            idle_ms = sessions.BADGE_IDLE_MS if given.badge else sessions.PASSWORD_IDLE_MS
            token = sessions.begin(connection, proven.person.id, now_ms, idle_ms=idle_ms, proven=proven.second_factor)
            sign_ins.note(connection, Outcome.SIGNED_IN, now_ms, person=proven.person.id, how=given.how, place=place)
        return entry._replace(token=token)

    return await guessing(site, request, work, compares=may_be_guessed)


async def leave(site: Site, request: AnyRequest) -> None:
    """Sign out."""
    signed = signed_in(request)
    if signed is None:
        return
    who, now_ms, place = signed, site.real_now_ms(), Place(address_of(request), signed.browser)

    def work(desk: Desk) -> None:
        with desk.transaction():
            sessions.end(desk.connection, who.token)
            sign_ins.note(desk.connection, Outcome.SIGNED_OUT, now_ms, person=who.person.id, place=place)

    await site.desks.write(work)


async def leave_everywhere(site: Site, request: AnyRequest) -> None:
    """End all sessions of who is signed in, this one too."""
    signed, now_ms = someone(request), site.real_now_ms()
    await leave(site, request)
    await site.desks.write(lambda desk: sessions.end_all(desk.connection, signed.person.id, now_ms))


def cookies_for(request: AnyRequest, entry: Entry | None) -> list[Cookie]:
    """The cookies for the browser that asks; without an entry the session's is taken away."""
    scheme = request.scope["scheme"]
    if entry is None:
        return [session_cookie(scheme, "")]
    return [session_cookie(scheme, entry.token), browser_cookie(scheme, entry.browser)]


async def change_own(site: Site, request: AnyRequest, kind: Kind, new: NewSecret) -> None:
    """Change one's own PIN or password; it counts as a second factor then."""
    signed = someone(request)

    def work(desk: Desk, now_ms: int) -> None:
        proofs.set_own(
            desk,
            signed.person.id,
            kind,
            secret=new.secret,
            current=new.current,
            now_ms=now_ms,
            but=signed.token,
            browser=signed.browser,
        )
        sessions.prove(desk.connection, signed.token, now_ms)

    await guessing(site, request, work)


async def set_others(site: Site, request: AnyRequest, person: str, kind: Kind, new: NewSecret) -> None:
    """Set somebody else's."""
    signed = someone(request)
    if person == signed.person.id:
        await change_own(site, request, kind, new)
        return

    def work(desk: Desk, now_ms: int) -> None:
        prove(desk, signed, new.current, now_ms)
        proofs.set_others(desk, signed.person.id, person, kind, secret=new.secret, now_ms=now_ms)

    await guessing(site, request, work)


async def new_badge(site: Site, request: AnyRequest, person: str, secret: str) -> str:
    """Give somebody a new badge."""
    signed = someone(request)

    def work(desk: Desk, now_ms: int) -> str:
        prove(desk, signed, secret, now_ms)
        return proofs.give_badge(desk, signed.person.id, person, now_ms, but=signed.token)

    return await guessing(site, request, work)


async def session_of(site: Site, token: str, browser: str = "") -> Signed | None:
    """Who a token is of, for a request in which somebody has just signed in; `browser`: the token of theirs."""
    now_ms = site.real_now_ms()
    session = await site.desks.look(lambda connection: sessions.find(connection, token, now_ms))
    if session is None:
        return None
    return Signed(session.person, session.second_factor, token, browsers.digest(browser))


async def _me_of(site: Site, token: str) -> MeBody:
    now_ms = site.real_now_ms()

    def ask(connection: sqlite3.Connection) -> MeBody:
        session = sessions.find(connection, token, now_ms)
        if session is None:
            return MeBody(None)
        person = session.person
        body = PersonBody(person.id, person.name, list(person.roles))
        return MeBody(body, session.second_factor, proofs.must_change(connection, person.id))

    return await site.desks.look(ask)


def _kind(word: str) -> Kind:
    if word not in (Kind.PIN, Kind.PASSWORD):
        raise MissingError(_("{word} cannot be set. What can: pin, password.").format(word=repr(word[:40])))
    return Kind(word)


def signin_router() -> Router:
    """All of it."""
    handlers = [
        post_sign_in,
        post_second_factor,
        post_sign_out,
        get_me,
        post_own_secret,
        post_badge,
        post_others_secret,
    ]
    return Router(
        "/",
        route_handlers=handlers,
        guards=[only_known_parameters],
        tags=["people"],
        request_max_body_size=MOST_BODY_BYTES,
    )
