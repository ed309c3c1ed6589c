"""What every issued paper shares: its content is found again in its record, and the record itself stands on it."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Collection
from typing import Any, Protocol, TypeVar

import msgspec
import segno

from collector import ledger
from collector.evidence.sound import newer, refuse_changed
from collector.ledger import Record
from collector.record import shelf
from collector.record.errors import UnknownThingError
from collector.record.things import Issued, PeriodReport
from soak.decoding import converted

_Thing = TypeVar("_Thing", Issued, PeriodReport)
_Content = TypeVar("_Content", bound=msgspec.Struct)


class _Enclosed(Protocol):
    """What the content of every paper says of its issue."""

    @property
    def issued_at(self) -> str: ...
    @property
    def by(self) -> str: ...
    @property
    def typesetter(self) -> str: ...


def found_again(
    connection: sqlite3.Connection,
    kind: type[_Thing],
    issued_id: str,
    content: type[_Content],
    *,
    templates: Collection[str],
    listed: str,
) -> tuple[_Thing, Record, _Content]:
    """What was issued under an id, its record, and all that the paper says.

    Args:
        connection: To the database.
        kind: Of thing.
        issued_id: Its id, e.g. "E12".
        content: Type of what its record encloses.
        templates: Those that this version has for it.
        listed: Name of the page that lists what was issued.

    Raises:
        RefusedError: There is none, or its record does not hold or is of a newer version.
    """
    thing = shelf.find(connection, kind, issued_id)
    row = connection.execute("SELECT number FROM thing WHERE kind = ? AND id = ?", (kind.KIND, issued_id)).fetchone()
    record = ledger.record(connection, row[0]) if row else None
    if thing is None or record is None:
        raise UnknownThingError(kind.KIND, issued_id, f"The list of what was issued is on the page {listed}.")
    refuse_changed(connection, record)
    enclosed = record.content().get("enclosed")
    if enclosed is None or enclosed.get("template") not in templates:
        raise newer(f"{issued_id} was set by a template that this version does not have.")
    try:
        return thing, record, converted(enclosed, content)
    except msgspec.ValidationError as error:
        raise newer(f"What {issued_id} says cannot be read ({error}).") from None


def issue_words(
    connection: sqlite3.Connection, thing: Issued | PeriodReport, record: Record, enclosed: _Enclosed
) -> dict[str, Any]:
    """What only the record itself can say: number, hash, and both as a code."""
    head = f"{record.number}:{record.hash}"
    return {
        "id": thing.id,
        "number": record.number,
        "hash": record.hash,
        "at": enclosed.issued_at,
        "by": enclosed.by,
        "reason": thing.reason,
        "software": record.software,
        "typesetter": enclosed.typesetter,
        "site": ledger.site_id(connection),
        "head": head,
        "qr": qr(head),
    }


def qr(text: str) -> str:
    """As a drawing (SVG)."""
    out = io.BytesIO()
    # One mask for all: to try them all takes longer than to set the whole paper.
    segno.make(text, error="m", micro=False, mask=4).save(
        out, kind="svg", border=2, xmldecl=False, dark="black", light="white"
    )
    return out.getvalue().decode()
