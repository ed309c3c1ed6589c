"""Signing in and out, and what people sign in with: the API; the pages do the same through it."""

from __future__ import annotations

import sqlite3
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, Router, get, post
from litestar.params import JSONBody, PathParameter

from collector import proofs, sessions
from collector.credentials import Kind
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from dashboard.answers import BadgeBody, MeBody, PersonBody
from dashboard.deeds_api import REFUSALS
from dashboard.doing import guessing, prove
from dashboard.door import Signed, session_cookie, signed_in, someone
from dashboard.query import MissingError
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
_Given = Annotated[str, msgspec.Meta(max_length=1_000)]
"""Longer than any secret: nobody makes this machine hash megabytes."""
MOST_BODY_BYTES = 64 * 1024
"""Of what anybody may send without being signed in: megabytes of fields take seconds to be told apart."""
PersonId = Annotated[str, PathParameter(description="The person's id.")]


class SignIn(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Either a badge, at a shared tablet, with or without the PIN; or an id and a password.

    Attributes:
        badge: The code on the badge, as scanned.
        pin: Besides the badge: counts as a second factor for some minutes.
        person: Their id.
        password: Counts as a second factor for some minutes.
    """

    badge: _Given = ""
    pin: _Given = ""
    person: _Given = ""
    password: _Given = ""


class Secret(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """PIN or password of who is signed in."""

    secret: _Given


class NewSecret(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A new PIN or password, and a present one of whoever asks; either will do."""

    secret: _Given
    current: _Given


@post(
    "/api/sign-in",
    status_code=200,
    summary="Sign in: badge, with or without PIN; or id and password",
    responses=REFUSALS,
)
async def post_sign_in(site: AskedSite, request: AnyRequest, data: JSONBody[SignIn]) -> Response[MeBody]:
    """The session comes as a cookie. Whoever was signed in at this browser before is signed out."""
    token = await enter(site, request, data)
    body = await _me_of(site, token)
    return Response(body, cookies=[session_cookie(request.scope["scheme"], token)])


@post("/api/second-factor", status_code=200, summary="Give PIN or password again", responses=REFUSALS)
async def post_second_factor(site: AskedSite, request: AnyRequest, data: JSONBody[Secret]) -> MeBody:
    """It counts as a second factor for five minutes."""
    signed = someone(request)
    await guessing(site, request, lambda desk, now_ms: prove(desk, signed, data.secret, now_ms))
    return await _me_of(site, signed.token)


@post("/api/sign-out", status_code=200, summary="Sign out")
async def post_sign_out(site: AskedSite, request: AnyRequest) -> Response[MeBody]:
    """The session ends; nobody need be signed in."""
    await leave(site, request)
    return Response(MeBody(None), cookies=[session_cookie(request.scope["scheme"], "")])


@get("/api/me", summary="Who is signed in")
async def get_me(site: AskedSite, request: AnyRequest) -> MeBody:
    """At the browser that asks."""
    signed = signed_in(request)
    return await _me_of(site, signed.token) if signed else MeBody(None)


@post("/api/me/{kind:str}", status_code=200, summary="Change one's own pin or password", responses=REFUSALS)
async def post_own_secret(
    site: AskedSite,
    request: AnyRequest,
    kind: Annotated[str, PathParameter(description="pin or password.")],
    data: JSONBody[NewSecret],
) -> MeBody:
    """It takes the present one. Other sessions of the person end."""
    await change_own(site, request, _kind(kind), data)
    return await _me_of(site, someone(request).token)


@post("/api/people/{person:str}/badge", status_code=200, summary="Give somebody a new badge", responses=REFUSALS)
async def post_badge(site: AskedSite, request: AnyRequest, person: PersonId, data: JSONBody[Secret]) -> BadgeBody:
    """Administrators only, with their own PIN or password. The code is shown this once."""
    return BadgeBody(person, await new_badge(site, request, person, data.secret))


@post(
    "/api/people/{person:str}/{kind:str}", status_code=200, summary="Set somebody's pin or password", responses=REFUSALS
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


async def enter(site: Site, request: AnyRequest, given: SignIn) -> str:
    """Sign in.

    Returns:
        The session's token.

    Raises:
        RefusedError: It does not fit. Whoever was signed in stays signed in.
    """
    before = signed_in(request)

    def work(desk: Desk, now_ms: int) -> str:
        if given.badge:
            proven = proofs.by_badge(desk, given.badge, given.pin, now_ms)
        elif given.person and given.password:
            proven = proofs.by_password(desk, given.person.strip(), given.password, now_ms)
        else:
            raise RefusedError(
                "malformed", _("Nothing to sign in with was given."), _("Scan a badge, or give id and password.")
            )
        if before:
            sessions.end(desk.connection, before.token)
        idle_ms = sessions.BADGE_IDLE_MS if given.badge else sessions.PASSWORD_IDLE_MS
        return sessions.begin(desk.connection, proven.person.id, now_ms, idle_ms=idle_ms, proven=proven.second_factor)

    return await guessing(site, request, work)


async def leave(site: Site, request: AnyRequest) -> None:
    """Sign out."""
    signed = signed_in(request)
    if signed:
        token = signed.token
        await site.desks.write(lambda desk: sessions.end(desk.connection, token))


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


async def session_of(site: Site, token: str) -> Signed | None:
    """Who a token is of, for a request in which somebody has just signed in."""
    now_ms = site.real_now_ms()
    session = await site.desks.look(lambda connection: sessions.find(connection, token, now_ms))
    return Signed(session.person, session.second_factor, token) if session else None


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
