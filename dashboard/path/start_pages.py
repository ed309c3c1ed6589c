"""The start page: every scan is sent here, and what it was good for is said at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from litestar import Request, Response, Router, get, post
from litestar.params import FromQuery
from litestar.response import Redirect, Template

from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.rounds.loads import load_in
from collector.record.things import Load
from dashboard.desks import NotWrittenError
from dashboard.doing import guessing
from dashboard.door import NotSignedInError, Signed, signed_in
from dashboard.look import BasinSeen
from dashboard.path.held import Held
from dashboard.path.said import Said, other_basin, ways_out
from dashboard.path.scans import Kind, Meaning, badge_of, meaning
from dashboard.path.standing import shown, unknown
from dashboard.path.starting import Phase, begin_round, phase_of, record_steps, rehearse, start
from dashboard.proving import SignIn
from dashboard.record_pages import look
from dashboard.signin import MOST_BODY_BYTES, cookies_for, enter
from dashboard.signin_pages import refuse_old_form, text_of
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
Text = FromQuery[str | None]
Texts = FromQuery[list[str] | None]
_ADD, _OFF, _SINGLY = "add:", "off:", "singly:"


@get("/start", include_in_schema=False, guards=[only_known_parameters])
async def start_page(
    site: AskedSite, request: AnyRequest, device: Texts = None, basin: Text = None, load: Text = None
) -> Template:
    """What has been scanned so far, and what comes next."""
    return await sheet(site, request, Held.read(device or [], basin or "", load or ""), None)


@post("/start/scan", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES)
async def scan(site: AskedSite, request: AnyRequest) -> Response[Any] | Template:
    """One scan, or one of the page's few buttons."""
    form = await request.form()
    held = _held(form)
    try:
        return await _answer(site, request, form, held)
    except RefusedError as refusal:
        return await sheet(site, request, held, Said.of(refusal))
    except NotWrittenError as problem:
        again = _("Scan the same label again.")
        return await sheet(site, request, held, Said(_("Not recorded"), str(problem), again, status=503))


def start_router() -> Router:
    """All of these pages."""
    return Router("/", route_handlers=[start_page, scan])


async def _answer(site: Site, request: AnyRequest, form: Mapping[str, Any], held: Held) -> Response[Any] | Template:
    action = text_of(form, "action")
    if action:
        return await _pressed(site, request, form, held, action)
    read = await meant(site, signed_in(request), scanned_text(form))
    match read.kind:
        case Kind.CANCEL:
            answer: Response[Any] | Template = _undone(held)
        case Kind.BADGE:
            answer = await _badge(site, request, held, read.id)
        case Kind.DEVICE:
            answer = await _device(site, request, held, read)
        case Kind.BASIN:
            answer = await _started(site, request, form, held, read.id, adding=False)
    return answer


async def _pressed(
    site: Site, request: AnyRequest, form: Mapping[str, Any], held: Held, action: str
) -> Response[Any] | Template:
    """One of the page's buttons: all for clean hands, none on the standard path."""
    if action == "undo":
        return _undone(held)
    if action == "steps":
        return await _steps(site, request, form, held)
    if action.startswith(_ADD):
        return await _started(site, request, form, held, action.removeprefix(_ADD), adding=True)
    if action.startswith(_SINGLY):
        return await _singly(site, request, form, action.removeprefix(_SINGLY))
    left = tuple(each for each in held.devices if each != action.removeprefix(_OFF))
    return Redirect(held.but(devices=left).address, status_code=303)


async def _badge(site: Site, request: AnyRequest, held: Held, code: str) -> Response[Any]:
    """The next person begins with an empty sheet, unless something waits on it."""
    onward = held if held.devices or await _still_open(site, held) else held.but(load="")
    return await entered(site, request, code, onward.address)


async def entered(site: Site, request: AnyRequest, badge: str, onward: str) -> Response[Any]:
    """Sign in by a badge and go on there."""
    entry = await enter(site, request, SignIn(badge=badge))
    return Redirect(onward, status_code=303, cookies=cookies_for(request, entry))


async def _device(site: Site, request: AnyRequest, held: Held, read: Meaning) -> Response[Any] | Template:
    if read.id in held.devices:
        text = _("{device} is on the list already and counts once.").format(device=read.id)
        return await sheet(site, request, held, Said(_("Scanned before"), text, wrong=False))
    await look(site, lambda book: rehearse(book, read.id, held.basin))
    onward = Held.read([*held.devices, read.id], held.basin, held.load)
    if read.warnings:
        said = Said(_("Taken, but compare"), " ".join(read.warnings), wrong=False)
        return await sheet(site, request, onward, said)
    return Redirect(onward.address, status_code=303)


async def _started(
    site: Site, request: AnyRequest, form: Mapping[str, Any], held: Held, basin: str, *, adding: bool
) -> Response[Any] | Template:
    signed = signed_in(request)
    if site.closed and signed is None:
        raise NotSignedInError
    if held.basin and basin != held.basin:
        raise await look(site, lambda book: other_basin(book, held, basin))
    if not held.devices:
        return await _basin_alone(site, request, held, basin)
    signer = _signing(request, form)

    def work(desk: Desk, _now_ms: int) -> Held:
        started = start(desk, signer, held.devices, basin, adding=adding)
        return Held(basin=held.basin, load=started.load)

    try:
        onward = await guessing(site, request, work, compares=False)
    except RefusedError as refusal:
        why = refusal
        said = await look(site, lambda book: ways_out(book, held, basin, why, signer))
        return await sheet(site, request, held, said)
    return Redirect(onward.address, status_code=303)


async def _basin_alone(site: Site, request: AnyRequest, held: Held, basin: str) -> Response[Any] | Template:
    """Scanned first, or twice: it says what is in it, and nothing is recorded."""

    def ask(book: Book) -> Load | None:
        return load_in(book, basin)

    load = await look(site, ask)
    if load is not None:
        text = _("Load {load} is in it and on record. Nothing was recorded now.").format(load=load.id)
        said = Said(_("Scanned before"), text, _("For another load scan a device."), wrong=False)
        return await sheet(site, request, held.but(load=load.id), said)
    if held.basin == basin:
        text = _("No device has been scanned yet. Nothing was recorded.")
        raise RefusedError("no-device", text, _("Scan the device first, the basin last."))
    return Redirect(held.but(basin=basin, load="").address, status_code=303)


def _undone(held: Held) -> Response[Any]:
    if held.devices:
        return Redirect(held.but(devices=held.devices[:-1]).address, status_code=303)
    if held.load:
        text = _("Load {load} is on record, and what is on record stays.").format(load=held.load)
        step = _("If it is wrong, record that the devices were taken out; a note says why.")
        raise RefusedError("on-record", text, step)
    raise RefusedError("nothing-to-undo", _("Nothing has been scanned that could be taken back."), _("Scan a device."))


async def _steps(site: Site, request: AnyRequest, form: Mapping[str, Any], held: Held) -> Template:
    signed = _signing(request, form)

    def work(desk: Desk, _now_ms: int) -> int:
        return record_steps(desk, signed, held.devices)

    done = await guessing(site, request, work, compares=False)
    text = (
        _("{name} has declared the steps of {devices}; they are on record.").format(
            name=signed.person.name, devices=", ".join(held.devices)
        )
        if done
        else _("All steps were on record already. Nothing was recorded now.")
    )
    return await sheet(site, request, held, Said(_("Steps recorded"), text, wrong=False))


async def _singly(site: Site, request: AnyRequest, form: Mapping[str, Any], device: str) -> Response[Any]:
    signed = _signing(request, form)

    def work(desk: Desk, _now_ms: int) -> None:
        begin_round(desk, signed, device)

    await guessing(site, request, work, compares=False)
    return Redirect(f"/do/attest-steps?{urlencode({'device': device})}", status_code=303)


def _signing(request: AnyRequest, form: Mapping[str, Any]) -> Signed:
    """In whose name something is recorded.

    Raises:
        RefusedError: Nobody is signed in, or the form is of another session.
    """
    signed = signed_in(request)
    if signed is None:
        raise NotSignedInError
    refuse_old_form(signed, form)
    return signed


async def meant(site: Site, signed: Signed | None, text: str) -> Meaning:
    """What a scan means, as far as whoever sends it may know.

    Raises:
        RefusedError: Nothing here.
    """
    if site.closed and signed is None:
        return Meaning(Kind.BADGE, await look(site, lambda book: badge_of(book, text)))
    return await look(site, lambda book: meaning(book, text))


async def _still_open(site: Site, held: Held) -> bool:
    """The load that was started here still waits for its lid: the next badge does not hide that."""

    def ask(book: Book) -> bool:
        load = book.find(Load, held.load) if held.load else None
        return load is not None and phase_of(book, load) in (Phase.CLOSE, Phase.OPEN_FIRST)

    return await look(site, ask)


def _held(form: Mapping[str, Any]) -> Held:
    devices = [each for each in form.getall("device", []) if isinstance(each, str)]  # type: ignore[attr-defined]
    return Held.read(devices, text_of(form, "basin"), text_of(form, "load"))


def scanned_text(form: Mapping[str, Any]) -> str:
    """As it came: how long it is and what stands around it is part of what a person is told."""
    content = form.get("scan", "")
    return content if isinstance(content, str) else ""


async def sheet(site: Site, request: AnyRequest, held: Held, said: Said | None) -> Template:
    """The start page."""
    signed = signed_in(request)
    person = signed.person if signed else None
    if site.closed and person is None:
        view = unknown(held)
    else:
        seen = await _seen(site, held)
        view = await look(site, lambda book: shown(book, held, person, seen, site.when))
        held = held.but(devices=view.devices)
    context = {"frame": None, "here": "start", "held": held, "view": view, "said": said, "signed": signed}
    return Template("start.html", context=context, status_code=said.status if said else 200)


async def _seen(site: Site, held: Held) -> BasinSeen | None:
    """The basin of the load that was started here, as it is now."""
    if not held.load:
        return None
    load = await look(site, lambda book: book.find(Load, held.load))
    if load is None or not load.open():
        return None
    basins = (await site.live.look()).basins
    return next((each for each in basins if f"{each.seen.basin.node}/{each.seen.basin.name}" == load.basin), None)
