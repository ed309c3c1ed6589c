"""What a GS1 code says: product code, lot, serial number and days, with what a person should compare with the label."""

from __future__ import annotations

import calendar
import datetime
import re
from typing import NamedTuple

import msgspec

from collector.record.solutions.gtin import check_digit
from collector.scan_pieces import DATES, Piece, Pieces, ScanError, apart, bracketed, gtin14, unreadable

_REAL_DAYS_SINCE = datetime.date(2025, 1, 1)
"""From here on regulated healthcare items must print a real day (GS1 change GSCN 21-040; older stock may say 00)."""


class Element(msgspec.Struct, frozen=True, omit_defaults=True):
    """One piece of a code.

    Attributes:
        ai: Its application identifier.
        title: What it is, in words.
        text: As in the code.
        date: The day that it means, ISO; empty where it is none.
    """

    ai: str
    title: str
    text: str
    date: str = ""


class Reading(msgspec.Struct, frozen=True, omit_defaults=True):
    """One way in which a code can be read.

    Attributes:
        text: With the identifiers in parentheses; typed or sent again, it is read in this one way.
        elements: Its pieces in order.
        gtin: Product code, 14 digits; empty if none.
        lot: Lot.
        serial: Serial number.
        expires: Last day, ISO.
        made: Day of production, ISO.
        warnings: What a person should compare with the label.
    """

    text: str
    elements: tuple[Element, ...]
    gtin: str = ""
    lot: str = ""
    serial: str = ""
    expires: str = ""
    made: str = ""
    warnings: tuple[str, ...] = ()


class Ways(NamedTuple):
    """The ways in which a code can be read.

    Attributes:
        readings: At least one; the plain one first.
        certain: It is the only one, and no separator is missing.
    """

    readings: tuple[Reading, ...]
    certain: bool


def read_bracketed(text: str, today: datetime.date) -> Reading:
    """Read the form for people: identifiers in parentheses.

    Raises:
        ScanError: It cannot be read.
    """
    return _reading(bracketed(text), today)


def readings(text: str, today: datetime.date) -> Ways:
    """Every way in which a code can be read.

    Args:
        text: What came from the scanner, without symbology identifier; FNC1 as GS.
        today: Two-digit years are counted from here.

    Raises:
        ScanError: It cannot be read at all.
    """
    plain, split = apart(text)
    found: list[Reading] = []
    failure: ScanError | None = None
    for way in ([plain] if plain else []) + split:
        try:
            found.append(_reading(way, today))
        except ScanError as error:
            failure = failure or error
    if not found:
        raise failure or unreadable("it is empty")
    return Ways(tuple(found), certain=plain is not None and len(found) == 1)


def _reading(pieces: Pieces, today: datetime.date) -> Reading:
    """Pieces with what they mean."""
    said: dict[str, str] = {}
    elements, warnings = [], []
    for piece in pieces:
        if said.setdefault(piece.ai, piece.text) != piece.text:
            raise ScanError(
                "said-twice",
                f"The code gives two {piece.title}s: {said[piece.ai]!r} and {piece.text!r}.",
                "Scan one label at a time.",
            )
        if piece.ai == "01":
            _check_gtin(piece.text)
        elements.append(Element(piece.ai, piece.title, piece.text, _date(piece, today)))
    dates = {element.ai: element.date for element in elements}
    made, expires = dates.get("11", ""), dates.get("17", "")
    warnings += [_day_warning(element) for element in elements if _day_missing(element, made)]
    if made and made > today.isoformat():
        warnings.append(f"It says that it was made on {made}, which is still to come: compare with the label.")
    if made and expires and expires < made:
        warnings.append(f"It says that it expires ({expires}) before it was made ({made}): compare with the label.")
    return Reading(
        text="".join(f"({piece.ai})" + piece.text.replace("(", "\\(") for piece in pieces),
        elements=tuple(elements),
        gtin=said.get("01", ""),
        lot=said.get("10", ""),
        serial=said.get("21", ""),
        expires=expires,
        made=made,
        warnings=tuple(warnings),
    )


def date_of(yymmdd: str, today: datetime.date) -> datetime.date:
    """The day that six digits mean.

    The century is the one that puts the year between 49 years back and 50 ahead (GS1 General Specifications 7.12). Day
    00 is the last day of the month (3.4.5).

    Raises:
        ValueError: There is no such day.
    """
    if not re.fullmatch(r"\d{6}", yymmdd, re.ASCII):
        raise ValueError(f"{yymmdd!r} is not six digits.")
    year, month, day = int(yymmdd[:2]), int(yymmdd[2:4]), int(yymmdd[4:])
    ahead = year - today.year % 100
    year += today.year // 100 * 100 + (100 if ahead <= -50 else -100 if ahead >= 51 else 0)
    return datetime.date(year, month, day or calendar.monthrange(year, month)[1])


def _date(piece: Piece, today: datetime.date) -> str:
    """The day of a piece, ISO; empty if it is none."""
    if piece.ai not in DATES:
        return ""
    try:
        return date_of(piece.text, today).isoformat()
    except ValueError:
        raise ScanError(
            "date",
            f"Its date ({piece.ai}) {piece.text} is no day of the calendar: year, month and day are two digits each.",
            "Scan again. If it reads so again the label is wrong: do not use what it is on, and tell your supplier.",
        ) from None


def _day_missing(element: Element, made: str) -> bool:
    """No day is printed though it should be: not made before the day from which healthcare items must print one."""
    is_date = element.ai in DATES and element.text.endswith("00")
    return is_date and (not made or made >= _REAL_DAYS_SINCE.isoformat())


def _day_warning(element: Element) -> str:
    return (
        f"Its date ({element.ai}) {element.text} names no day and is read as {element.date}, the last of the month. "
        f"Healthcare items made since {_REAL_DAYS_SINCE} must print the day: compare with the label."
    )


def _check_gtin(digits: str) -> None:
    if not gtin14(digits):
        raise ScanError(
            "check-digit",
            f"The product code {digits} cannot be right: its last digit must be {check_digit(digits[:-1])}, "
            f"not {digits[-1]}.",
            "Scan again; if it was typed, compare every digit with the label.",
        )
