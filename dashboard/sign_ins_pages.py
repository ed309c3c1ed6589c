"""The record of sign-ins, for administrators and auditors: as a page and as a table."""

from __future__ import annotations

import csv
import io
import sqlite3
from typing import Any, NamedTuple

from litestar import Request, Response, Router, get
from litestar.params import FromQuery
from litestar.response import Template

from collector import sign_ins
from collector.record import shelf
from collector.record.errors import RefusedError
from collector.record.things import Person, Role
from collector.sign_ins import FAILED, MANY, Outcome, SignIn
from dashboard import query
from dashboard.door import someone
from dashboard.record_pages import sheet
from dashboard.site import AskedSite, only_known_parameters
from dashboard.texts import N_, _
from soak.quantity import utc_text

AnyRequest = Request[Any, Any, Any]
Text = FromQuery[str | None]
PER_PAGE = 100
UNKNOWN = "?"
"""Asked for in place of an id: failures for which nobody is known."""

SIGN_IN_READERS = {Role.ADMINISTRATOR, Role.AUDITOR}
_COLUMNS = ("number", "at", "last_at", "times", "person", "name", "how", "outcome", "address", "browser")
_OUTCOMES = {
    Outcome.SIGNED_IN: N_("signed in"),
    Outcome.WRONG: N_("refused: it did not fit"),
    Outcome.WAITING: N_("refused: had to wait"),
    Outcome.UNKNOWN: N_("refused: unknown"),
    Outcome.SIGNED_OUT: N_("signed out"),
    Outcome.ENDED: N_("ended by itself, or everywhere at once"),
}
_HOW = {"badge": N_("badge"), "badge and PIN": N_("badge and PIN"), "password": N_("password"), "": ""}


class Line(NamedTuple):
    """One row in words.

    Attributes:
        row: As it is kept.
        who: A name, or that nobody is known.
        how: What was given.
        outcome: How it went.
        place: Where from.
        failed: Nobody got in.
    """

    row: SignIn
    who: str
    how: str
    outcome: str
    place: str
    failed: bool


def lines_of(rows: list[SignIn], names: dict[str, str]) -> list[Line]:
    """Rows of the record of sign-ins in words; `names`: by id."""
    return [_line(row, names) for row in rows]


def _line(row: SignIn, names: dict[str, str]) -> Line:
    who = names.get(row.person, row.person) or (_("several") if row.address == MANY else _("nobody who is known"))
    place = _("several places") if row.address == MANY else row.address
    return Line(row, who, _(_HOW.get(row.how, row.how)), _(_OUTCOMES[row.outcome]), place, row.outcome in FAILED)


@get("/people/sign-ins", include_in_schema=False)
async def sign_ins_page(site: AskedSite, request: AnyRequest, person: Text = None, before: Text = None) -> Template:
    """Who signed in and who tried to, newest first."""
    _refuse_all_but_readers(request)
    number = query.whole("before", before, 0, 1, 10**12) if before else None
    asked = _asked(person)

    def question(connection: sqlite3.Connection) -> tuple[list[SignIn], dict[str, str]]:
        found = sign_ins.rows(connection, person=asked, before=number, most=PER_PAGE + 1)
        return found, _names(connection)

    found, names = await site.desks.look(question)
    context: dict[str, object] = {
        "lines": lines_of(found[:PER_PAGE], names),
        "before": found[PER_PAGE - 1].number if len(found) > PER_PAGE else None,
        "names": sorted(names.items(), key=lambda each: each[1].casefold()),
        "person": person or "",
        "unknown": UNKNOWN,
        "most": f"{sign_ins.MOST_ROWS:,}",
    }
    return await sheet(site, "sign_ins.html", "sign-ins", context)


@get("/people/sign-ins.csv", include_in_schema=False)
async def sign_ins_table(site: AskedSite, request: AnyRequest, person: Text = None) -> Response[bytes]:
    """All of it as a table; times are UTC."""
    _refuse_all_but_readers(request)
    asked = _asked(person)

    def question(connection: sqlite3.Connection) -> bytes:
        return _table(sign_ins.rows(connection, person=asked, most=sign_ins.MOST_ROWS), _names(connection))

    content = await site.desks.look(question)
    headers = {"Content-Disposition": 'attachment; filename="sign-ins.csv"'}
    return Response(content, media_type="text/csv; charset=utf-8", headers=headers)


def sign_in_record_router() -> Router:
    """Both."""
    return Router("/", route_handlers=[sign_ins_page, sign_ins_table], guards=[only_known_parameters])


def _asked(person: str | None) -> str | None:
    return "" if person == UNKNOWN else person or None


def _names(connection: sqlite3.Connection) -> dict[str, str]:
    return {each.id: each.name for each in shelf.find_all(connection, Person)}


def _table(rows: list[SignIn], names: dict[str, str]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in rows:
        times = utc_text(row.at_ms), utc_text(row.last_ms), row.times
        name = names.get(row.person, "")
        # A spreadsheet takes a cell that begins so for a formula.
        name = f"'{name}" if name.startswith(("=", "+", "-", "@")) else name
        writer.writerow((row.number, *times, row.person, name, row.how, row.outcome, row.address, row.browser))
    return text.getvalue().encode()


def _refuse_all_but_readers(request: AnyRequest) -> None:
    person = someone(request).person
    if not SIGN_IN_READERS & set(person.roles):
        raise RefusedError(
            "role",
            _("Only administrators and auditors see who signed in."),
            _("Your own sign-ins are under your name at the top of the page."),
        )
