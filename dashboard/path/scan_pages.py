"""A scan on any other page, by `templates/scan_strip.html`: it leads to where what was scanned is needed."""

from __future__ import annotations

import re
from typing import Any

from litestar import Request, Response, Router, post
from litestar.response import Redirect, Template

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.loads import load_in
from collector.record.rounds.rounds import last_turn
from collector.record.things import Device, Stage
from dashboard.door import signed_in
from dashboard.path.held import Held
from dashboard.path.said import Said
from dashboard.path.scans import Kind, Meaning
from dashboard.path.shapes import Link
from dashboard.path.start_pages import entered, meant, scanned_text, sheet
from dashboard.record_pages import look
from dashboard.signin import MOST_BODY_BYTES
from dashboard.signin_pages import text_of
from dashboard.site import AskedSite
from dashboard.texts import _

AnyRequest = Request[Any, Any, Any]
_BASIN_PAGE = re.compile(r"/basins/([a-z0-9-]{1,40}/[a-z0-9-]{1,40})")


@post("/scan", include_in_schema=False, request_max_body_size=MOST_BODY_BYTES)
async def scan_anywhere(site: AskedSite, request: AnyRequest) -> Response[Any] | Template:
    """A scan on another page: a badge signs in and stays there, a device or basin leads to where it is needed."""
    form = await request.form()
    at = _local(text_of(form, "at"))
    try:
        read = await meant(site, signed_in(request), scanned_text(form))
        if read.kind is Kind.BADGE:
            return await entered(site, request, read.id, at)
        if read.kind is Kind.CANCEL:
            return Redirect(at, status_code=303)
        return Redirect(await look(site, lambda book: _place_of(book, read, at)), status_code=303)
    except RefusedError as refusal:
        said = Said.of(refusal, links=(Link(at, _("Back to where you were")),))
        return await sheet(site, request, Held(), said)


def scan_router() -> Router:
    """It alone."""
    return Router("/", route_handlers=[scan_anywhere])


def _place_of(book: Book, read: Meaning, at: str) -> str:
    """Where somebody who holds this thing at a page wants to be."""
    if read.kind is Kind.BASIN:
        return Held(basin=read.id).address if load_in(book, read.id) is None else f"/basins/{read.id}"
    turn = last_turn(book, book.get(Device, read.id))
    stage = turn.stage if turn else Stage.ENDED
    if stage is Stage.SOAKED:
        return f"/release?device={read.id}"
    if stage in (Stage.SOAKING, Stage.RELEASED):
        return f"/devices/{read.id}"
    basin = _BASIN_PAGE.fullmatch(at.partition("?")[0])
    return Held((read.id,), basin[1] if basin else "").address


def _local(address: str) -> str:
    """Back to a page of this site only."""
    plain = address.startswith("/") and not address.startswith("//") and address.isprintable()
    return address if plain and "\\" not in address else "/"
