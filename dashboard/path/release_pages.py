"""The release page: what can be released, one or a batch, and the next step of everything that cannot yet."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any

from litestar import Request, Router, get, post
from litestar.datastructures import Cookie
from litestar.params import FromQuery
from litestar.response import Template

from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.rounds.release import Release
from dashboard.desks import NotWrittenError
from dashboard.doing import guessing, prove
from dashboard.door import NotSignedInError, Signed, signed_in
from dashboard.path.after import Outcome, release_all, step_all
from dashboard.path.held import Held
from dashboard.path.waiting import BUTTONS, WORDS, Step, waiting
from dashboard.problems import refusal_status
from dashboard.proving import SignIn
from dashboard.query import QueryError
from dashboard.record_pages import look
from dashboard.signin import MOST_BODY_BYTES, cookies_for, enter, session_of
from dashboard.signin_pages import refuse_old_form, text_of
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
Texts = FromQuery[list[str] | None]
_LONGEST_KEY = 32


@get("/release", include_in_schema=False, guards=[only_known_parameters])
async def release_page(site: AskedSite, request: AnyRequest, device: Texts = None) -> Template:
    """The list; devices named in the address are ticked."""
    return await _page(site, signed_in(request), ticked=Held.read(device or [], "", "").devices)


@post("/release", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES)
async def release(site: AskedSite, request: AnyRequest) -> Template:
    """Release what is ticked: one second factor, one record for each device."""
    form = await request.form()
    devices, once = _devices(form), _once(form)
    signed, cookies = signed_in(request), list[Cookie]()
    try:
        badge, pin = text_of(form, "badge"), text_of(form, "pin")
        if badge:
            entry = await enter(site, request, SignIn(badge=badge, pin=pin))
            signed, cookies, pin = await session_of(site, entry.token, entry.browser), cookies_for(request, entry), ""
        if signed is None:
            raise NotSignedInError
        if not cookies:
            refuse_old_form(signed, form)
        _refuse_none(devices)
        outcome = await _release(site, request, signed, devices, text_of(form, "note"), pin=pin, once=once)
    except RefusedError as refusal:
        return await _page(site, signed, ticked=devices, refusal=refusal, once=once, cookies=cookies)
    except NotWrittenError as problem:
        return await _page(site, signed, ticked=devices, refusal=_unwritten(problem), once=once, cookies=cookies)
    return await _page(site, signed, outcome=outcome, title=_("Released"), cookies=cookies)


@post("/release/step", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES)
async def step(site: AskedSite, request: AnyRequest) -> Template:
    """Taking out, rinses, drying: the same for the devices of one group."""
    form = await request.form()
    devices, once, signed = _devices(form), _once(form), signed_in(request)
    wanted = _step(text_of(form, "step"))
    try:
        if signed is None:
            raise NotSignedInError
        refuse_old_form(signed, form)
        _refuse_none(devices)
        who = signed

        def work(desk: Desk, _now_ms: int) -> Outcome:
            return step_all(desk, who, wanted, devices, once)

        outcome = await guessing(site, request, work, compares=False)
    except RefusedError as refusal:
        return await _page(site, signed, refusal=refusal)
    except NotWrittenError as problem:
        return await _page(site, signed, refusal=_unwritten(problem))
    return await _page(site, signed, outcome=outcome, title=_(WORDS[wanted].done))


def release_router() -> Router:
    """All of these pages."""
    return Router("/", route_handlers=[release_page, release, step])


async def _release(
    site: Site, request: AnyRequest, signed: Signed, devices: tuple[str, ...], note: str, *, pin: str, once: str
) -> Outcome:
    def work(desk: Desk, now_ms: int) -> Outcome:
        if pin:
            prove(desk, signed, pin, now_ms)
        return release_all(desk, signed, devices, note, second_factor=signed.second_factor or bool(pin), once=once)

    return await guessing(site, request, work, compares=bool(pin))


async def _page(
    site: Site,
    signed: Signed | None,
    *,
    ticked: tuple[str, ...] = (),
    outcome: Outcome | None = None,
    title: str = "",
    refusal: RefusedError | None = None,
    once: str = "",
    cookies: list[Cookie] | None = None,
) -> Template:
    if signed is not None and (outcome or refusal):
        signed = await session_of(site, signed.token)  # a PIN that fitted counts for some minutes from here
    groups = await look(site, lambda book: waiting(book, site.when))
    context = {
        "frame": None,
        "here": "release",
        "groups": groups,
        "ticked": ticked,
        "outcome": outcome,
        "title": title,
        "refusal": refusal,
        "signed": signed,
        "may": signed is None or bool(Release.ROLES & set(signed.person.roles)),
        "once": once or secrets.token_hex(_LONGEST_KEY // 2),
        "now_ms": site.utc_now_ms(),
        "buttons": BUTTONS,
        "release_step": Step.RELEASE,
    }
    return Template("release.html", context=context, status_code=_status(outcome, refusal), cookies=cookies or [])


def _status(outcome: Outcome | None, refusal: RefusedError | None) -> int:
    if refusal is not None:
        return 503 if refusal.rule == "not-written" else refusal_status(refusal).value
    return refusal_status(outcome.refused[0]).value if outcome and outcome.refused else 200


def _devices(form: Mapping[str, Any]) -> tuple[str, ...]:
    found = [each for each in form.getall("device", []) if isinstance(each, str)]  # type: ignore[attr-defined]
    return Held.read(found, "", "").devices


def _refuse_none(devices: tuple[str, ...]) -> None:
    if not devices:
        raise RefusedError("nothing-ticked", _("No device is ticked. Nothing was recorded."), _("Tick one or several."))


def _once(form: Mapping[str, Any]) -> str:
    once = text_of(form, "once")
    if not once.isalnum() or len(once) > _LONGEST_KEY:
        return secrets.token_hex(_LONGEST_KEY // 2)
    return once


def _step(text: str) -> Step:
    found = next((each for each in BUTTONS if each.value == text), None)
    if found is None:
        raise QueryError(f"No press records {text[:60]!r}. Go to /release and look again: nothing was recorded.")
    return found


def _unwritten(problem: NotWrittenError) -> RefusedError:
    return RefusedError(
        "not-written", str(problem), _("Look at the list, then press again: nothing is recorded twice.")
    )
