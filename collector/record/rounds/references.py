"""References to encounters: opaque, so that the record holds nobody's name and no date of birth."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator
from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.errors import RefusedError

Reference = Annotated[str, msgspec.Meta(max_length=64)]

_ALLOWED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:/-]*", re.ASCII)
_UUID = re.compile(r"[0-9a-f]{8}-([0-9a-f]{4}-){3}[0-9a-f]{12}", re.ASCII | re.IGNORECASE)
_WORD = re.compile(r"[A-Za-z]{4,}", re.ASCII)
_SEPARATED = re.compile(r"(?<!\d)(\d{1,4})[-./:](\d{1,2})[-./:](\d{2,4})(?!\d)", re.ASCII)
_EIGHT = re.compile(r"(?<!\d)\d{8}(?!\d)", re.ASCII)

_VISIT_DAYS = 31
"""A date so near is the visit's own, as many booking systems print it; our own choice."""


def opaque(book: Book, reference: str) -> str:
    """A reference as it may be kept, without the blanks around it.

    It has letters, digits and the signs - . _ : / only, at least one digit, no more than three letters in a row (or it
    is a UUID), and no date but one within a month of today. So "ENC-10482" and "V20260302-17" pass on 2 March 2026;
    "Smith", "JSMITH2" and "14.07.1961" do not. It cannot know a number that names a person: the site must not use one.

    Args:
        book: For today's date.
        reference: As typed or scanned; empty stays empty.

    Raises:
        RefusedError: It looks like a name or a date of birth. The text does not repeat it.
    """
    text = reference.strip()
    if not text or _UUID.fullmatch(text):
        return text
    if not _ALLOWED.fullmatch(text) or _WORD.search(text) or not any(letter.isdigit() for letter in text):
        raise RefusedError(
            "opaque-reference",
            "The reference looks like a name: it is no plain number with at most three letters in a row.",
            "Scan or type the encounter's number, without the patient's name; if there is none, leave it empty.",
        )
    today = book.local_date(book.at_ms)
    if any(abs((today - date).days) > _VISIT_DAYS for date in _dates(text)):
        raise RefusedError(
            "opaque-reference",
            "The reference holds a date that may be a date of birth.",
            "Scan or type the encounter's number, without a date; if there is none, leave it empty.",
        )
    return text


def _dates(text: str) -> Iterator[datetime.date]:
    """Every way in which a part of it can be read as a date from 1900 on."""
    for first, second, third in _SEPARATED.findall(text):
        yield from _readings(first, second, third)
    for eight in _EIGHT.findall(text):
        yield from _readings(eight[:4], eight[4:6], eight[6:])
        yield from _readings(eight[:2], eight[2:4], eight[4:])


def _readings(first: str, second: str, third: str) -> Iterator[datetime.date]:
    orders = [(first, second, third)] if len(first) == 4 else [(third, second, first), (third, first, second)]
    for year, month, day in orders:
        for century in ("",) if len(year) == 4 else ("19", "20"):
            try:
                date = datetime.date(int(century + year), int(month), int(day))
            except ValueError:
                continue
            if date.year >= 1900:
                yield date
