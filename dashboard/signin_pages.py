"""Pages on which people sign in, change what they sign in with, and administrators do so for others."""

from __future__ import annotations

import hmac
import sqlite3
from collections.abc import Mapping
from typing import Any

import segno
from litestar import Request, Response, Router, get, post
from litestar.params import FromPath, FromQuery
from litestar.response import Redirect, Template

from collector import credentials, proofs, sessions, sign_ins
from collector.credentials import PASSWORD_LENGTHS, PIN_DIGITS, Kind
from collector.errors import DataError
from collector.record import shelf
from collector.record.errors import RefusedError
from collector.record.things import Person, Role
from dashboard.door import SIGN_IN, Signed, someone
from dashboard.problems import refusal_status
from dashboard.proving import SignIn
from dashboard.query import MissingError
from dashboard.sign_ins_pages import SIGN_IN_READERS, lines_of
from dashboard.signin import (
    MOST_BODY_BYTES,
    NewSecret,
    change_own,
    cookies_for,
    enter,
    leave,
    leave_everywhere,
    new_badge,
    set_others,
)
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.store import NotReadyError
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
_LONGEST_GIVEN = 1_000
_OWN_SIGN_INS = 20
_AS_TYPED = ("password", "secret", "again", "current", "pin")


@get(SIGN_IN, include_in_schema=False, guards=[only_known_parameters])
async def sign_in_page(
    site: AskedSite,
    next: FromQuery[str | None] = None,  # noqa: A002 - as it stands in addresses
) -> Template:
    """Where people sign in; where nobody is recorded yet it says how that begins."""
    try:
        nobody = await site.desks.look(lambda connection: shelf.count(connection, Person) == 0)
    except (NotReadyError, DataError):
        nobody = False  # the pages for looking say why there are no data
    return _sign_in_page(_local(next or ""), None, "", nobody=nobody)


@post(SIGN_IN, include_in_schema=False)
async def sign_in(site: AskedSite, request: AnyRequest) -> Response[Any] | Template:
    """The forms on that page."""
    form = await request.form()
    given = SignIn(**{name: text_of(form, name) for name in SignIn.__struct_fields__})
    onward = _local(text_of(form, "next"))
    try:
        entry = await enter(site, request, given)
    except RefusedError as refusal:
        return _sign_in_page(onward, refusal, given.person)
    return Redirect(onward, status_code=303, cookies=cookies_for(request, entry))


@post("/sign-out", include_in_schema=False)
async def sign_out(site: AskedSite, request: AnyRequest) -> Response[Any]:
    """The button at the top of every page."""
    await leave(site, request)
    return Redirect(SIGN_IN, status_code=303, cookies=cookies_for(request, None))


@get("/me", include_in_schema=False, guards=[only_known_parameters])
async def me_page(site: AskedSite, request: AnyRequest) -> Template:
    """Who one is, one's own PIN and password, and for administrators everybody's."""
    return await _me_page(site, someone(request))


@post("/me", include_in_schema=False)
async def change_me(site: AskedSite, request: AnyRequest) -> Template:
    """Change one's own PIN or password."""
    signed, form = someone(request), await request.form()
    kind = _kind(form)
    try:
        refuse_old_form(signed, form)
        await change_own(site, request, kind, _new_secret(form))
    except RefusedError as refusal:
        return await _me_page(site, signed, kind, refusal)
    return await _me_page(site, signed, kind)


@post("/me/sign-out-everywhere", include_in_schema=False)
async def sign_out_everywhere(site: AskedSite, request: AnyRequest) -> Response[Any] | Template:
    """End all of one's own sessions: a tablet was left open, or a badge was used that is lost."""
    signed, form = someone(request), await request.form()
    try:
        refuse_old_form(signed, form)
    except RefusedError as refusal:
        return await _me_page(site, signed, None, refusal)
    await leave_everywhere(site, request)
    return Redirect(SIGN_IN, status_code=303, cookies=cookies_for(request, None))


@get("/people/{person:str}/credentials", include_in_schema=False, guards=[only_known_parameters])
async def credentials_page(site: AskedSite, request: AnyRequest, person: FromPath[str]) -> Template:
    """What somebody else signs in with."""
    return await _credentials_page(site, _administrator(request), person)


@post("/people/{person:str}/credentials", include_in_schema=False)
async def change_credentials(site: AskedSite, request: AnyRequest, person: FromPath[str]) -> Template:
    """Give a new badge, or set a PIN or password that its owner has to change."""
    signed, form = _administrator(request), await request.form()
    try:
        refuse_old_form(signed, form)
        if text_of(form, "kind") == Kind.BADGE:
            code = await new_badge(site, request, person, text_of(form, "current"))
            return await _credentials_page(site, signed, person, code=code)
        await set_others(site, request, person, _kind(form), _new_secret(form))
    except RefusedError as refusal:
        return await _credentials_page(site, signed, person, refusal=refusal)
    return await _credentials_page(site, signed, person, changed=_kind(form))


def signin_page_router() -> Router:
    """All of these pages."""
    pages = [sign_in_page, sign_in, sign_out, me_page, change_me, sign_out_everywhere]
    pages += [credentials_page, change_credentials]
    return Router("/", route_handlers=pages, request_max_body_size=MOST_BODY_BYTES)


def refuse_old_form(signed: Signed, form: Mapping[str, Any]) -> None:
    """A form goes with the session in which it was opened: nothing is recorded in another's name.

    Raises:
        RefusedError: It was opened in another session.
    """
    if not hmac.compare_digest(text_of(form, "form_token").encode(), signed.form_token.encode()):
        raise RefusedError(
            "old-form",
            _("This form was opened before {person} signed in. Nothing was recorded.").format(
                person=signed.person.name
            ),
            _("Look through it; if {person} is to record it, send it once more.").format(person=signed.person.name),
        )


def text_of(form: Mapping[str, Any], name: str) -> str:
    """What was typed into one field, as far as it can be of use; a password may begin or end with a space."""
    content = form.get(name, "")
    if not isinstance(content, str):
        return ""
    return content[:_LONGEST_GIVEN] if name in _AS_TYPED else content[:_LONGEST_GIVEN].strip()


def _new_secret(form: Mapping[str, Any]) -> NewSecret:
    secret = text_of(form, "secret")
    if secret != text_of(form, "again"):
        raise RefusedError("not-twice", _("The two new ones differ."), _("Type the new one twice."))
    return NewSecret(secret, text_of(form, "current"))


def _kind(form: Mapping[str, Any]) -> Kind:
    return Kind.PASSWORD if text_of(form, "kind") == Kind.PASSWORD else Kind.PIN


def _administrator(request: AnyRequest) -> Signed:
    signed = someone(request)
    if Role.ADMINISTRATOR not in signed.person.roles:
        raise RefusedError(
            "role", "Only an administrator gives badges and sets what others sign in with.", "Ask an administrator."
        )
    return signed


def _local(address: str) -> str:
    """Where to go on to: on this site only."""
    plain = address.startswith("/") and not address.startswith("//") and address.isprintable()
    return address if plain and "\\" not in address else "/do"


def _sign_in_page(onward: str, refusal: RefusedError | None, person: str, *, nobody: bool = False) -> Template:
    context = {
        "frame": None,
        "nobody": nobody,
        "here": "sign-in",
        "onward": onward,
        "refusal": refusal,
        "person": person,
    }
    return Template("signin.html", context=context, status_code=_status(refusal))


async def _me_page(
    site: Site, signed: Signed, changed: Kind | None = None, refusal: RefusedError | None = None
) -> Template:
    me, now_ms = signed.person.id, site.real_now_ms()

    def ask(connection: sqlite3.Connection) -> dict[str, Any]:
        people = shelf.find_all(connection, Person) if Role.ADMINISTRATOR in signed.person.roles else []
        mine = sign_ins.rows(connection, person=me, most=_OWN_SIGN_INS)
        return {
            "must_change": proofs.must_change(connection, me),
            "people": sorted((each for each in people if each.active), key=lambda each: each.name.casefold()),
            "sessions": sessions.open_sessions(connection, me, signed.token, now_ms),
            "lines": lines_of(mine, {me: signed.person.name}),
        }

    context = {
        **_LIMITS,
        **await site.desks.look(ask),
        "signed": signed,
        "changed": changed,
        "refusal": refusal,
        "reads_sign_ins": bool(SIGN_IN_READERS & set(signed.person.roles)),
    }
    return Template("me.html", context=context, status_code=_status(refusal))


async def _credentials_page(
    site: Site,
    signed: Signed,
    person_id: str,
    *,
    changed: Kind | None = None,
    refusal: RefusedError | None = None,
    code: str = "",
) -> Template:
    def ask(connection: sqlite3.Connection) -> tuple[Person | None, list[Kind]]:
        return shelf.find(connection, Person, person_id), credentials.has(connection, person_id)

    person, held = await site.desks.look(ask)
    if person is None:
        raise MissingError(_("There is no person {person}.").format(person=repr(person_id[:80])))
    context = {
        **_LIMITS,
        "signed": signed,
        "person": person,
        "held": held,
        "changed": changed,
        "refusal": refusal,
        "code": code,
        "picture": segno.make(code, error="m", micro=False).svg_data_uri(scale=5, border=4) if code else "",
    }
    return Template("credentials.html", context=context, status_code=_status(refusal))


def _status(refusal: RefusedError | None) -> int:
    return refusal_status(refusal).value if refusal else 200


_LIMITS: dict[str, Any] = {"frame": None, "here": "me", "pin_digits": PIN_DIGITS, "password_lengths": PASSWORD_LENGTHS}
