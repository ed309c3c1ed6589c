"""Pages on which people record: a list of what they may do, and a form for each deed."""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any

from litestar import Request, Router, get, post
from litestar.datastructures import Cookie, UploadFile
from litestar.enums import RequestEncodingType
from litestar.exceptions.http_exceptions import RequestEntityTooLarge
from litestar.params import FromPath
from litestar.response import Template

from collector.errors import DataError
from collector.pictures import MOST_BYTES
from collector.record.all import DEEDS
from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.desk import Desk, Done
from collector.record.errors import RefusedError
from collector.record.solutions.printed import CHEMISTRIES
from collector.record.things import KINDS, Role
from dashboard.desks import NotWrittenError
from dashboard.doing import Proof, do, guessing, with_second_person
from dashboard.door import NotSignedInError, Signed, entered, signed_in, someone
from dashboard.form_reading import MistakesError, Typed, read
from dashboard.forms import CHEMISTRY, Control, Field, explanation, fields, prefilled, title
from dashboard.problems import refusal_status
from dashboard.proving import SignIn
from dashboard.query import MissingError
from dashboard.record_pages import look
from dashboard.scanning import Scanned, scan_into, scannable
from dashboard.signin import cookies_for, enter, session_of
from dashboard.signin_pages import refuse_old_form, text_of
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.store import NotReadyError
from dashboard.texts import N_, _
from dashboard.things_view import Wanted, things_body

AnyRequest = Request[Any, Any, Any]
_SUGGESTIONS = 100
_MOST_TYPED_BYTES = 256 * 1024
_SUBJECTS = {
    N_("Alarms"): ("answers", "drills"),
    N_("Loads"): ("loads", "late"),
    N_("A device’s round"): ("turns",),
    N_("After the soak"): ("rinses", "drying"),
    N_("Release, quarantine and use"): ("release", "quarantine", "storage", "use"),
    N_("MEC tests"): ("mec",),
    N_("Fills"): ("fills",),
    N_("Bottles of solution"): ("bottles", "corrections"),
    N_("Test strips"): ("strips",),
    N_("Checks of sensors and temperature"): ("guided", "checks", "references"),
    N_("Closures"): ("unassigned",),
    N_("Evidence"): ("issuing", "period"),
    N_("Shifts and log review"): ("shifts",),
    N_("Look-backs"): ("lookbacks", "lookback_answers"),
    N_("Devices"): ("devices",),
    N_("Types of device"): ("device_types",),
    N_("Solution profiles"): ("profiles",),
    N_("People"): ("people",),
    N_("The site’s rules"): ("policy",),
}
"""What the list groups deeds by, in the order of a shift, and the modules in which they stand."""

_PAGES = {
    "fill": "/fills/{}",
    "profile": "/profiles/{}",
    "device": "/devices/{}",
    "load": "/loads/{}",
    "alarm": "/alarms/{}",
    "look-back": "/look-backs/{}",
    "look-back-list": "/api/look-back-lists/{}.pdf",
    "issued": "/evidence/{}",
    "sensor-check": "/sensor-checks/{}",
    "reference": "/references#{}",
    "period-report": "/report/{}",
}
"""Kinds of thing that have a page of their own."""


@get("/do", include_in_schema=False, guards=[only_known_parameters])
async def deeds_page(request: AnyRequest) -> Template:
    """What can be recorded: what one may do first, by subject."""
    signed = signed_in(request)
    roles = set(signed.person.roles) if signed else set()
    context = {
        "frame": None,
        "here": "do",
        "signed": signed,
        "may": _by_subject([kind for kind in DEEDS.values() if kind.ROLES & roles]),
        "others": _by_subject([kind for kind in DEEDS.values() if not kind.ROLES & roles]),
    }
    return Template("deeds.html", context=context)


@get("/do/{name:str}", include_in_schema=False)
async def deed_page(site: AskedSite, request: AnyRequest, name: FromPath[str]) -> Template:
    """The form of one deed; what stands in the address after a question mark is filled in."""
    kind = _deed(name)
    typed = prefilled(dict(request.query_params.items()), fields(kind))
    return await _deed_page(site, kind, someone(request), typed, secrets.token_hex(16))


@post("/do/{name:str}", include_in_schema=False, request_max_body_size=MOST_BYTES + 1024 * 1024)
async def do_deed(site: AskedSite, request: AnyRequest, name: FromPath[str]) -> Template:
    """Record what the form says; whatever stands against it is said beside it, and nothing typed is lost."""
    kind, form = _deed(name), await _form(request)
    typed = _typed(form, fields(kind))
    once = text_of(form, "once") or secrets.token_hex(16)
    signed, cookies = signed_in(request), []
    try:
        if text_of(form, "badge"):
            entry = await enter(site, request, SignIn(badge=text_of(form, "badge"), pin=text_of(form, "pin")))
            signed, cookies = await session_of(site, entry.token, entry.browser), cookies_for(request, entry)
            entered(request, signed)
        if signed is None:
            raise NotSignedInError
        if kind.ROLES & set(signed.person.roles):  # nobody else fills the disk
            typed |= await _kept_pictures(site, form, fields(kind))
        if not cookies:
            refuse_old_form(signed, form)
        if text := _scanned_text(form):
            return await _scanned_page(site, kind, signed, typed, once, text=text, cookies=cookies)
        done = await _do(site, request, kind, signed, typed=typed, proof=_proof(form, entered=bool(cookies)), once=once)
    except MistakesError as wrong:
        return await _deed_page(site, kind, signed, typed, once, wrong=wrong, cookies=cookies)
    except RefusedError as refusal:
        return await _deed_page(site, kind, signed, typed, once, refusal=refusal, cookies=cookies)
    except (NotWrittenError, NotReadyError, DataError) as fault:
        kept = RefusedError("not-written", str(fault), _("What you typed is still here. Send it once more."))
        return await _deed_page(site, kind, signed, typed, once, refusal=kept, cookies=cookies)
    context = {"frame": None, "here": "do", "kind": kind, "title": title(kind), "done": done, "page": _page_of(done)}
    return Template("done.html", context=context, cookies=cookies)


def _scanned_text(form: Mapping[str, Any]) -> str:
    """What was scanned, or chosen of what was scanned; a space where the button was pressed and nothing was."""
    return text_of(form, "reading") or text_of(form, "scan") or (" " if text_of(form, "fill_in") else "")


async def _scanned_page(
    site: Site, kind: type[Deed], signed: Signed, typed: Typed, once: str, *, text: str, cookies: list[Cookie]
) -> Template:
    """The form again, filled in from a label. Nothing is recorded."""
    try:
        scanned = await look(site, lambda book: scan_into(book, fields(kind), typed, text))
    except RefusedError as unread:
        return await _deed_page(site, kind, signed, typed, once, scanned=unread, cookies=cookies)
    return await _deed_page(site, kind, signed, scanned.typed, once, scanned=scanned, cookies=cookies)


async def _do(
    site: Site, request: AnyRequest, kind: type[Deed], signed: Signed, *, typed: Typed, proof: Proof, once: str
) -> Done:
    def work(desk: Desk, now_ms: int) -> Done:
        zone = Book.looking(desk.connection, now_ms).zone
        named = with_second_person(desk, kind, {}, proof)
        whole = {**typed, **{name: [each] for name, each in named.items() if not any(typed.get(name, ()))}}
        said = read(kind, fields(kind), whole, zone)
        site.pictures.refuse_missing(said)
        return do(desk, signed, said, proof, once=once, now_ms=now_ms)

    return await guessing(site, request, work, compares=proof.given)


async def _form(request: AnyRequest) -> Mapping[str, Any]:
    """What was sent. Only a picture makes a form large, and such a form comes in parts."""
    if request.content_type[0] != RequestEncodingType.MULTI_PART and len(await request.body()) > _MOST_TYPED_BYTES:
        raise RequestEntityTooLarge
    return await request.form()


def _typed(form: Mapping[str, Any], known: list[Field]) -> dict[str, list[str]]:
    """What was typed."""
    typed: dict[str, list[str]] = {}
    for field in known:
        values = _all(form, field.name)
        typed[field.name] = [each for each in values if isinstance(each, str)]
        if field.can_be_taken_away:
            typed[f"{field.name}.none"] = [each for each in _all(form, f"{field.name}.none") if isinstance(each, str)]
    return typed


async def _kept_pictures(site: Site, form: Mapping[str, Any], known: list[Field]) -> dict[str, list[str]]:
    """The pictures in a form, kept at once: each stands as its digest."""
    kept: dict[str, list[str]] = {}
    for field in known:
        for upload in _all(form, f"{field.name}.file") if field.control is Control.PICTURE else ():
            content = await upload.read() if isinstance(upload, UploadFile) else b""
            if content:
                picture = await site.desks.run(lambda content=content: site.pictures.keep(content))  # type: ignore[misc]
                kept[field.name] = [picture.sha256]
    return kept


async def _deed_page(
    site: Site,
    kind: type[Deed],
    signed: Signed | None,
    typed: Typed,
    once: str,
    *,
    wrong: MistakesError | None = None,
    refusal: RefusedError | None = None,
    scanned: Scanned | RefusedError | None = None,
    cookies: list[Cookie] | None = None,
) -> Template:
    unread = scanned if isinstance(scanned, RefusedError) else None
    known = fields(kind)
    context = {
        "frame": None,
        "here": "do",
        "kind": kind,
        "title": title(kind),
        "explanation": explanation(kind),
        "fields": known,
        "typed": typed,
        "suggestions": await suggested(site, known),
        "mistakes": {each.field: each.text for each in wrong.mistakes} if wrong else {},
        "refusal": refusal,
        "scannable": scannable(known),
        "scanned": None if unread else scanned,
        "unread": unread,
        "signed": signed,
        "once": once,
        "may": signed is None or bool(kind.ROLES & set(signed.person.roles)),
        "roles": one_of(_(_SEVERAL[each]) for each in sorted(kind.ROLES)),
    }
    status = 422 if wrong else refusal_status(either).value if (either := refusal or unread) else 200
    return Template("deed.html", context=context, status_code=status, cookies=cookies or [])


async def suggested(site: Site, known: list[Field]) -> dict[str, list[tuple[str, str]]]:
    """Suggestions; none without data, so that a form with what was typed into it can be shown all the same."""
    try:
        return await site.desks.look(lambda connection: _suggestions(connection, known))
    except (NotReadyError, DataError):
        return {}


def _suggestions(connection: sqlite3.Connection, known: list[Field]) -> dict[str, list[tuple[str, str]]]:
    """For each kind of thing that the form names: ids, and what people call them."""
    found: dict[str, list[tuple[str, str]]] = {}
    for of in {field.of for field in known} - {""}:
        if of == CHEMISTRY:
            found[of] = list(CHEMISTRIES.items())
        elif of == "basin":
            rows = connection.execute("SELECT node || '/' || name, label FROM basin ORDER BY id").fetchall()
            found[of] = [(str(key), str(label)) for key, label in rows]
        else:
            wanted = Wanted(only_open=True, limit=_SUGGESTIONS)
            things = things_body(connection, KINDS[of], wanted, personal=True).things
            found[of] = [(each.id, _called(each.thing)) for each in things]
    return found


def _called(thing: Mapping[str, Any]) -> str:
    """What people call a thing, as far as one of its own fields says it."""
    words = (thing.get(name) for name in ("name", "lot", "basin", "type", "fill"))
    return next((str(each) for each in words if each), "")


def _proof(form: Mapping[str, Any], *, entered: bool) -> Proof:
    """What is given with the deed; a PIN that signed somebody in a moment ago has been compared."""
    pin = "" if entered else text_of(form, "pin")
    return Proof(pin, text_of(form, "second_badge"), text_of(form, "second_pin"))


def _by_subject(kinds: list[type[Deed]]) -> list[tuple[str, list[tuple[str, str, str]]]]:
    """Subject, and of each deed its name, its title and who may."""
    groups: dict[str, list[tuple[str, str, str]]] = {subject: [] for subject in _SUBJECTS}
    subject_of = {module: subject for subject, modules in _SUBJECTS.items() for module in modules}
    for kind in kinds:
        module = kind.__module__.rpartition(".")[2]
        subject = subject_of.get(module, module.replace("_", " ").capitalize())
        groups.setdefault(subject, []).append((kind.NAME, title(kind), one_of(_(each) for each in sorted(kind.ROLES))))
    return [(_(subject), deeds) for subject, deeds in groups.items() if deeds]


_SEVERAL = {
    Role.TECHNICIAN: N_("technicians"),
    Role.SUPERVISOR: N_("supervisors"),
    Role.ADMINISTRATOR: N_("administrators"),
    Role.AUDITOR: N_("auditors"),
}


def one_of(words: Iterable[str]) -> str:
    """One of several: "supervisors or technicians"."""
    first, *others = words
    for other in others:
        first = _("{one} or {other}").format(one=first, other=other)
    return first


def _page_of(done: Done) -> str:
    return _PAGES.get(done.kind, "").format(done.id)


def _deed(name: str) -> type[Deed]:
    kind = DEEDS.get(name)
    if kind is None:
        raise MissingError(_("There is no form {name}. The list is at /do.").format(name=repr(name[:60])))
    return kind


def _all(form: Any, name: str) -> list[Any]:
    return list(form.getall(name, []))


def form_router() -> Router:
    """All of these pages."""
    return Router("/", route_handlers=[deeds_page, deed_page, do_deed])
