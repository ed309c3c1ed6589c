"""The guided check as pages: one address for all its steps, and the press that records it."""

from __future__ import annotations

import secrets
from typing import Any, NamedTuple
from urllib.parse import urlencode

import msgspec
from litestar import Request, get, post
from litestar.datastructures import Cookie
from litestar.handlers import HTTPRouteHandler
from litestar.response import Redirect, Template

from collector.errors import DataError
from collector.record.basins.guided import CheckSensor
from collector.record.basins.ready_facts import facts
from collector.record.book import Book
from collector.record.desk import Desk, Done
from collector.record.errors import RefusedError, UnknownThingError
from collector.record.things import Reference, SensorCheck
from dashboard.desks import NotWrittenError
from dashboard.doing import Proof, do, guessing
from dashboard.door import NotSignedInError, Signed, entered, signed_in
from dashboard.form_pages import one_of
from dashboard.form_reading import CannotError
from dashboard.problems import refusal_status
from dashboard.proving import SignIn
from dashboard.query import known_names
from dashboard.record_pages import look
from dashboard.record_query import Names
from dashboard.sensors import gather
from dashboard.sensors.check_form import (
    FIELDS,
    SERIES,
    STEPS,
    Step,
    Typed,
    deed_of,
    mistakes,
    step_of,
    taken_row,
    typed_of,
)
from dashboard.sensors.words import microdegrees, size_words, thousandths
from dashboard.signin import cookies_for, enter, session_of
from dashboard.signin_pages import refuse_old_form, text_of
from dashboard.site import AskedSite, Site
from dashboard.store import NotReadyError
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
_MOST_BYTES = 64 * 1024


class Choice(NamedTuple):
    """What can be chosen in the first step: sensors with their basins, and reference thermometers."""

    sensors: list[gather.Row]
    references: list[Reference]
    late: set[str]
    names: Names


@get("/sensors/check", include_in_schema=False)
async def check_page(site: AskedSite, request: AnyRequest) -> Template:
    """A step of the form; what was typed stands in the address."""
    asked = request.query_params
    known_names(asked.keys(), FIELDS)
    typed, step = typed_of(asked), step_of(asked.get("step", ""))
    typed = await look(site, lambda book: _placed(book, typed))
    return await _page(site, signed_in(request), typed, step)


@post("/sensors/check", include_in_schema=False, request_max_body_size=_MOST_BYTES)
async def sent_check(site: AskedSite, request: AnyRequest) -> Template | Redirect:
    """Go to another step, take what the sensor indicates, or record it all."""
    form = await request.form()
    if text_of(form, "record"):
        return await _recorded(site, request, form)
    typed, step = typed_of(form), step_of(text_of(form, "step"))
    row = taken_row(text_of(form, "take"))
    if row is not None and (series := step_of(text_of(form, "at"))) in SERIES:
        typed, step = await look(site, lambda book: _placed(book, typed)), series
        indicated = await look(site, lambda book: _indicated(book, typed))
        if isinstance(indicated, RefusedError):
            return await _page(site, signed_in(request), typed, step, refusal=indicated)
        typed = typed.with_taken(step, row, indicated)
    return Redirect(typed.address(step), status_code=303)


async def _recorded(site: Site, request: AnyRequest, form: Any) -> Template | Redirect:
    """Record it; whatever stands against it is said, and nothing typed is lost."""
    typed, once = typed_of(form), text_of(form, "once") or secrets.token_hex(16)
    signed, cookies = signed_in(request), list[Cookie]()
    try:
        badge, pin = text_of(form, "badge"), text_of(form, "pin")
        if badge:
            entry = await enter(site, request, SignIn(badge=badge, pin=pin))
            signed, cookies = await session_of(site, entry.token, entry.browser), cookies_for(request, entry)
            entered(request, signed)
        if signed is None:
            raise NotSignedInError
        if not cookies:
            refuse_old_form(signed, form)
        if mistakes(typed, Step.LOOK):
            return await _page(site, signed, typed, Step.LOOK, once=once, cookies=cookies)
        done = await _record(site, request, signed, deed_of(typed), once)
    except (CannotError, msgspec.ValidationError) as wrong:
        refusal = RefusedError("check-pairs", str(wrong), _("Look through the pairs again."))
        return await _page(site, signed, typed, Step.LOOK, refusal=refusal, once=once, cookies=cookies)
    except RefusedError as refusal:
        return await _page(site, signed, typed, Step.LOOK, refusal=refusal, once=once, cookies=cookies)
    except (NotWrittenError, NotReadyError, DataError) as fault:
        kept = RefusedError("not-written", str(fault), _("What you typed is still here. Send it once more."))
        return await _page(site, signed, typed, Step.LOOK, refusal=kept, once=once, cookies=cookies)
    return Redirect(f"/sensor-checks/{done.id}", status_code=303, cookies=cookies)


def check_pages() -> list[HTTPRouteHandler]:
    """Both of them."""
    return [check_page, sent_check]


async def _record(site: Site, request: AnyRequest, signed: Signed, deed: CheckSensor, once: str) -> Done:
    def work(desk: Desk, now_ms: int) -> Done:
        return do(desk, signed, deed, Proof(), once=once, now_ms=now_ms)

    return await guessing(site, request, work, compares=False)


async def _page(
    site: Site,
    signed: Signed | None,
    typed: Typed,
    asked: Step,
    *,
    refusal: RefusedError | None = None,
    once: str = "",
    cookies: list[Cookie] | None = None,
) -> Template:
    wrong = mistakes(typed, asked)
    step = next(iter(wrong), asked)
    choice, check, against = await _asked(site, typed, step)
    refusal = refusal or against
    context = {
        "frame": None,
        "here": "sensors",
        "typed": typed,
        "step": step,
        "steps": STEPS,
        "Step": Step,
        "before": STEPS[max(0, STEPS.index(step) - 1)],
        "after": STEPS[min(len(STEPS) - 1, STEPS.index(step) + 1)],
        "wrong": wrong.get(step, []),
        "refusal": refusal,
        "choice": choice,
        "check": check,
        "sheet": gather.sheet(check.budget) if check else None,
        "signed": signed,
        "may": signed is None or bool(CheckSensor.ROLES & set(signed.person.roles)),
        "roles": one_of(_(each.value) for each in sorted(CheckSensor.ROLES)),
        "once": once or secrets.token_hex(16),
        "size_words": size_words,
        "microdegrees": microdegrees,
        "thousandths": thousandths,
        "sign_in": f"/sign-in?{urlencode({'next': typed.address(step)})}",
    }
    status = 422 if wrong else refusal_status(refusal).value if refusal else 200
    return Template("sensor_check_form.html", context=context, status_code=status, cookies=cookies or [])


async def _asked(site: Site, typed: Typed, step: Step) -> tuple[Choice | None, SensorCheck | None, RefusedError | None]:
    """What can be chosen, and at the last step what would be recorded, or what stands against it."""

    def question(book: Book) -> tuple[Choice, SensorCheck | None, RefusedError | None]:
        choice = _choice(book)
        if step is not Step.LOOK:
            return choice, None, None
        try:
            return choice, deed_of(typed).perform(book), None
        except (CannotError, msgspec.ValidationError) as wrong:
            return choice, None, RefusedError("check-pairs", str(wrong), _("Look through the pairs again."))
        except RefusedError as refusal:
            return choice, None, refusal

    try:
        return await look(site, question)
    except (NotReadyError, DataError):
        return None, None, None


def _choice(book: Book) -> Choice:
    references = book.all(Reference, only_open=True)
    late = {each.id for each in references if book.at_ms > book.end_of_day_ms(each.certificate.due)}
    return Choice(gather.rows(book), references, late, Names(book))


def _placed(book: Book, typed: Typed) -> Typed:
    """With the basin in which the chosen sensor is; where only a basin is named, with its first sensor."""
    rows = gather.rows(book)
    if not typed.sensor:
        return typed._replace(sensor=next((row.ground.sensor for row in rows if row.basin == typed.basin), ""))
    basins = [row.basin for row in rows if row.ground.sensor == typed.sensor]
    return typed if not basins or typed.basin in basins else typed._replace(basin=basins[0])


def _indicated(book: Book, typed: Typed) -> str | RefusedError:
    """What the sensor indicates at this moment, in degrees; why not."""
    try:
        heard = facts(book, typed.basin).heard()
    except UnknownThingError as unknown:
        return unknown
    mc = heard.mc.get(typed.sensor) if heard else None
    if mc is None:
        return RefusedError(
            "sensor-alive",
            _("Sensor {sensor} gives no temperature now.").format(sensor=typed.sensor),
            _("See that its plug is home and its node is heard, or type what it indicates elsewhere."),
        )
    return f"{mc / 1000:.3f}".rstrip("0").rstrip(".")
