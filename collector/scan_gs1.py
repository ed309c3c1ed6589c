"""GS1 element strings: what a barcode on a bottle or device says, piece by piece. `biip` knows the identifiers.

GS1 General Specifications in short: every piece begins with its application identifier (AI); pieces of variable length
end with the separator FNC1, which scanners send as the GS character; only the last piece needs none. A scanner (or the
program between it and this field) that swallows GS lets a lot and a serial number run together: `readings` then gives
every way in which the text can be read, and a person chooses.
"""

from __future__ import annotations

import calendar
import datetime
import re
from collections.abc import Iterator
from typing import NamedTuple

import biip
import msgspec
from biip.gs1_element_strings import GS1ElementString

from collector.record.errors import RefusedError
from collector.record.gtin import check_digit, gtin

GS = "\x1d"
"""FNC1 inside a code as scanners send it: the group separator of ASCII."""

OURS = {"01": "product code", "10": "lot", "11": "made on", "17": "expires", "21": "serial number"}
"""The identifiers that the record uses, with our word for each."""

_DATES = frozenset({"11", "17"})
_REAL_DAYS_SINCE = datetime.date(2025, 1, 1)
"""From here on regulated healthcare items must print a real day (GS1 change GSCN 21-040; older stock may say 00)."""

_MOST_READINGS = 8
_CONFIG = biip.ParseConfig(gs1_element_strings_verify_date=False)  # dates are read here, with our own words
_BRACKET = re.compile(r"(?<!\\)\((\d{2,4})\)", re.ASCII)
_FAILURES = (biip.ParseError, ValueError, ArithmeticError, IndexError)


class ScanError(RefusedError):
    """What was scanned or typed cannot be read."""


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


class _Piece(NamedTuple):
    ai: str
    title: str
    text: str


_Pieces = tuple[_Piece, ...]


def gtin14(digits: str) -> str:
    """A product code padded to 14 digits; empty if it is none or its check digit is wrong."""
    try:
        return gtin(digits)
    except RefusedError:
        return ""


def read_bracketed(text: str, today: datetime.date) -> Reading:
    """Read the form for people: identifiers in parentheses; a parenthesis inside a piece is written with a backslash.

    Raises:
        ScanError: It cannot be read.
    """
    parts = _BRACKET.split(text)
    if parts[0].strip():
        raise _unreadable(f"it begins with {parts[0].strip()[:20]!r} instead of an identifier in parentheses")
    pieces = []
    for ai, content in zip(parts[1::2], parts[2::2], strict=True):
        pieces.append(_exactly(ai, content.strip(" ").replace("\\(", "(")))
    if not pieces:
        raise _unreadable("no identifier such as (01) is in it")
    return _reading(tuple(pieces), today)


def readings(text: str, today: datetime.date) -> Ways:
    """Every way in which a code can be read.

    Args:
        text: What came from the scanner, without symbology identifier; FNC1 as GS.
        today: Two-digit years are counted from here.

    Raises:
        ScanError: It cannot be read at all.
    """
    plain, split = _pieces(text)
    found: list[Reading] = []
    failure: ScanError | None = None
    for way in ([plain] if plain else []) + split:
        try:
            found.append(_reading(way, today))
        except ScanError as error:
            failure = failure or error
    if not found:
        raise failure or _unreadable("it is empty")
    return Ways(tuple(found), certain=plain is not None and len(found) == 1)


def _pieces(text: str) -> tuple[_Pieces | None, list[_Pieces]]:
    """The text taken apart: as it stands, if it can be, and in the ways in which a separator may be missing."""
    before: list[_Piece] = []
    rest = text.lstrip(GS)
    while rest:
        run = rest.split(GS, 1)[0]
        element = _first(run)
        piece = _Piece(element.ai.ai, _title(element), element.value)
        length = len(piece.ai) + len(piece.text)
        if element.ai.separator_required:
            whole = len(run) == length
            if not whole or GS not in text:
                others = list(_apart(run[len(piece.ai) :], element, before))
                if others or not whole:
                    if not others:
                        raise _too_long(piece, run)
                    return (*before, piece) if whole else None, _continued(others, rest[len(run) :])
            length = len(run)
        before.append(piece)
        rest = rest[length:].lstrip(GS)
    return tuple(before), []


def _continued(ways: list[_Pieces], behind: str) -> list[_Pieces]:
    """Ways of reading a run, each with what follows behind the separator."""
    rest = behind.lstrip(GS)
    if not rest:
        return ways
    plain, split = _pieces(rest + GS)  # there are separators in this text
    return [(*way, *tail) for way in ways for tail in ([plain] if plain else split)][:_MOST_READINGS]


def _apart(run: str, element: GS1ElementString, before: list[_Piece]) -> list[_Pieces]:
    """The ways in which a run without separators may be this element and others of ours."""
    used = frozenset(piece.ai for piece in before) | {element.ai.ai}
    found: list[_Pieces] = []
    for cut in range(1, len(run)):
        head = run[:cut]
        if not re.fullmatch(element.ai.pattern, element.ai.ai + head, re.ASCII):
            break
        for tail in _ours(run[cut:], used):
            found.append((*before, _Piece(element.ai.ai, _title(element), head), *tail))
            if len(found) == _MOST_READINGS:
                return found
    return found


def _ours(text: str, used: frozenset[str]) -> Iterator[_Pieces]:
    """Ways to read a text as elements of ours, each identifier once."""
    ai, content = text[:2], text[2:]
    if ai not in OURS or ai in used or not content:
        return
    used = used | {ai}
    if ai in ("10", "21"):
        if re.fullmatch(r"[!-z]{1,20}", content):
            yield (_Piece(ai, OURS[ai], content),)
        cuts = range(1, min(20, len(content) - 1) + 1)
    else:
        cuts = range(14, 15) if ai == "01" else range(6, 7)
    for cut in cuts:
        head, tail = content[:cut], content[cut:]
        if len(head) < cut or (ai == "01" and not gtin14(head)) or (ai in _DATES and not _may_be_date(head)):
            continue
        if tail:
            yield from ((_Piece(ai, OURS[ai], head), *more) for more in _ours(tail, used))
        elif ai not in ("10", "21"):
            yield (_Piece(ai, OURS[ai], head),)


def _first(text: str) -> GS1ElementString:
    """The first element as `biip` reads it."""
    try:
        return GS1ElementString.extract(text, config=_CONFIG)
    except _FAILURES:
        known = OURS.get(text[:2])
        what = f"its {known} ({text[:2]}) is {text[2:22]!r}" if known else f"{text[:20]!r} begins with no identifier"
        raise _unreadable(what) from None


def _exactly(ai: str, content: str) -> _Piece:
    """An element that is given apart from others."""
    try:
        element = GS1ElementString.parse(ai + content, config=_CONFIG)
    except _FAILURES:
        element = None
    if not content or element is None or element.ai.ai != ai:
        raise _unreadable(f"({ai}) does not go with {content[:40]!r}")
    return _Piece(ai, _title(element), element.value)


def _reading(pieces: _Pieces, today: datetime.date) -> Reading:
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


def _date(piece: _Piece, today: datetime.date) -> str:
    """The day of a piece, ISO; empty if it is none."""
    if piece.ai not in _DATES:
        return ""
    try:
        return date_of(piece.text, today).isoformat()
    except ValueError:
        raise ScanError(
            "date",
            f"Its date ({piece.ai}) {piece.text} is no day of the calendar: year, month and day are two digits each.",
            "Scan again. If it reads so again the label is wrong: do not use what it is on, and tell your supplier.",
        ) from None


def _may_be_date(text: str) -> bool:
    return bool(re.fullmatch(r"\d\d(0[1-9]|1[0-2])([0-2]\d|3[01])", text, re.ASCII))


def _day_missing(element: Element, made: str) -> bool:
    """No day is printed though it should be: not made before the day from which healthcare items must print one."""
    is_date = element.ai in _DATES and element.text.endswith("00")
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


def _title(element: GS1ElementString) -> str:
    return OURS.get(element.ai.ai, element.ai.description[:80])


def _too_long(piece: _Piece, run: str) -> ScanError:
    return ScanError(
        "field-too-long",
        f"The {piece.title} ({piece.ai}) has {len(run) - len(piece.ai)} characters, more than it may have, and cannot "
        "be taken apart: a separator is missing.",
        "Type it as printed, with the identifiers in parentheses, and let the scanner be set to send GS for FNC1.",
    )


def _unreadable(why: str) -> ScanError:
    return ScanError(
        "gs1",
        f"This is no GS1 code that can be read: {why}.",
        "Scan again. If it reads so again, type what is printed beside the code, with the parentheses.",
    )
