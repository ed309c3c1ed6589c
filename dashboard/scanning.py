"""A label scanned at a form: what it says, put into the form's fields. Pure, besides looking the record up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from msgspec import inspect as types

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.scan import Form, Reading, Scan, gtin14, read_scan
from collector.scan_identify import Found, identify
from collector.scan_label import BADGE, label_text
from dashboard.form_reading import Typed
from dashboard.forms import Control, Field
from dashboard.texts import _

_LABELLED = {"basin": "basin", "device": "device", "bottle": "bottle", "fill": "fill", "strip-bottle": "strips"}
"""Kinds of thing that our labels name, and what stands on the label."""

_LISTS = {"devices": "device", "bottles": "bottle"}
"""Fields that take several things, one a line."""

_PRINTED = ("gtin", "lot", "expires", "serial")
"""Fields that a maker's label fills, called as in a scan."""


class Scanned(NamedTuple):
    """A scan at a form: nothing is recorded by it.

    Attributes:
        typed: What the form holds now.
        scan: What was read; of a badge never.
        filled: Labels of the fields that it filled, in the form's order.
        text: What it is of, in words; empty where that says nothing.
        next_step: What to do now.
        choices: Where a person must choose: what is sent to be read instead, and its words.
    """

    typed: Typed
    scan: Scan
    filled: tuple[str, ...]
    text: str
    next_step: str
    choices: tuple[tuple[str, str], ...] = ()


def scannable(known: Sequence[Field]) -> bool:
    """A form has a field that a label can fill."""
    return any(_kind_of(field) or field.name in (*_PRINTED, "udi") for field in known)


def scan_into(book: Book, known: Sequence[Field], typed: Typed, text: str) -> Scanned:
    """Read a label and fill the form's fields.

    Args:
        book: To look the record up; `Book.looking` is enough.
        known: The form's fields.
        typed: What it holds.
        text: What the scanner typed, or the reading that a person has chosen.

    Raises:
        RefusedError: It cannot be read, or nothing of it belongs into this form.
    """
    scan = read_scan(text, book.local_date(book.at_ms))
    if scan.kind == BADGE:
        raise RefusedError(
            "badge",
            _("This is a person's badge, and no label of what this form is about."),
            _("Scan the label; badges are for signing in and for the fields that ask for them."),
        )
    of = identify(book, scan)
    scan = of.scan  # without what must not be shown
    if scan.ask and of.ask:
        choices = tuple((each.text, _reading_words(each, of.found)) for each in scan.readings)
        return Scanned(typed, scan, (), scan.ask_why, _("Compare with the label and choose how it reads."), choices)
    filled = {} if scan.ask else dict(_printed(known, scan))
    fitting = [(field, each) for each in of.found if (field := _field_for(known, typed, each.kind))]
    if len(fitting) == 1:
        field, found = fitting[0]
        filled[field.name] = _with(field, typed, found.id)
    elif not of.found and scan.form is Form.PLAIN:
        filled |= _asset_number(known, scan)
    if not filled and not fitting:
        raise _nothing_for(scan, of.found, of.text, of.next_step)
    whole = {**typed, **_of_another(known, typed, filled), **filled}
    labels = tuple(field.label for field in known if field.name in filled)
    if len(fitting) > 1:
        choices = tuple((label_text(_LABELLED[each.kind], each.id), _capital(each.name)) for _field, each in fitting)
        return Scanned(whole, scan, labels, of.text, _("Choose the one that you hold."), choices)
    said = of.text if of.found else ""
    return Scanned(whole, scan, labels, said, _("Compare it with the label and fill in the rest."))


def _kind_of(field: Field) -> str:
    """The kind of thing that our labels name and the field takes; empty: none."""
    if field.control is Control.LINES:
        return _LISTS.get(field.name, "")
    return field.of if field.of in _LABELLED else ""


def _field_for(known: Sequence[Field], typed: Typed, kind: str) -> Field | None:
    """The first empty field for a kind of thing; else the first."""
    fields = [field for field in known if kind in _LABELLED and _kind_of(field) == kind]
    return next((field for field in fields if not any(typed.get(field.name, ()))), next(iter(fields), None))


def _with(field: Field, typed: Typed, thing_id: str) -> list[str]:
    """A field's content with one thing more in a list, or with the thing alone."""
    if field.control is not Control.LINES:
        return [thing_id]
    lines = [line for text in typed.get(field.name, ()) for line in text.splitlines() if line.strip()]
    if thing_id in {line.partition(";")[0].strip() for line in lines}:
        return lines
    of_parts = isinstance(field.type, types.VarTupleType) and isinstance(field.type.item_type, types.StructType)
    return [*lines, f"{thing_id}; " if of_parts else thing_id]


def _printed(known: Sequence[Field], scan: Scan) -> Iterator[tuple[str, list[str]]]:
    """What a maker's label says for the fields of this form."""
    if scan.form not in (Form.GS1, Form.PRODUCT):
        return
    for field in known:
        if field.name in _PRINTED and getattr(scan, field.name):
            yield field.name, [getattr(scan, field.name)]
        elif field.name == "udi" and scan.gtin:
            yield field.name, [scan.text]


def _of_another(known: Sequence[Field], typed: Typed, filled: Mapping[str, list[str]]) -> dict[str, list[str]]:
    """What an earlier scan of another product left: no lot or date of one beside the code of another."""
    before, now = ("".join(each.get("gtin", ())).strip() for each in (typed, filled))
    if not before or not now or gtin14(before) == gtin14(now):
        return {}
    return {field.name: [] for field in known if field.name in _PRINTED and field.name not in filled}


def _asset_number(known: Sequence[Field], scan: Scan) -> dict[str, list[str]]:
    """A new device is recorded with the asset number on its label."""
    if not scan.text:
        return {}
    names = {field.name for field in known}
    new_device = {"id", "udi"} <= names and not any(field.of for field in known if field.name == "id")
    return {"id": [scan.text]} if new_device else {}


def _nothing_for(scan: Scan, found: Sequence[Found], text: str, next_step: str) -> RefusedError:
    if not found and (scan.form is not Form.GS1 or not scan.gtin):
        return RefusedError("nothing-fits", text, next_step)
    what = _capital(found[0].name) if found else _("Product code {code}").format(code=scan.gtin)
    return RefusedError(
        "nothing-fits",
        _("{label}: nothing on this form is filled in from such a label.").format(label=what),
        _("Scan the label of what the form asks for, or type it into its field."),
    )


def _reading_words(reading: Reading, found: Sequence[Found]) -> str:
    pieces = ", ".join(f"{each.title} {each.text}{f' ({each.date})' if each.date else ''}" for each in reading.elements)
    fits = "; ".join(each.name for each in found if each.reading == reading.text)
    if not fits:
        return _capital(pieces)
    return _("{pieces}. It fits {things}").format(pieces=_capital(pieces), things=fits)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
