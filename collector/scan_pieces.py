"""GS1 element strings: what a barcode on a bottle or device says, taken apart. `biip` knows the identifiers.

GS1 General Specifications in short: every piece begins with its application identifier (AI); pieces of variable length
end with the separator FNC1, which scanners send as the GS character; only the last piece needs none. A scanner (or the
program between it and this field) that swallows GS lets a lot and a serial number run together: `apart` then gives
every way in which the text can be read, and a person chooses.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

import biip
from biip.gs1_element_strings import GS1ElementString

from collector.record.errors import RefusedError
from collector.record.solutions.gtin import gtin

GS = "\x1d"
"""FNC1 inside a code as scanners send it: the group separator of ASCII."""

OURS = {"01": "product code", "10": "lot", "11": "made on", "17": "expires", "21": "serial number"}
"""The identifiers that the record uses, with our word for each."""

DATES = frozenset({"11", "17"})

_MAY_BE_TEXT = re.compile(r"""[!"%-?A-Z_a-z]{1,20}""")
"""GS1 General Specifications, table 7.11-1: the 82 characters of a lot or serial number, as `biip` has them too. A
bracket or a backslash is none of them; offered as a part of a lot it could not be read back."""

_MOST_WAYS = 8
_CONFIG = biip.ParseConfig(gs1_element_strings_verify_date=False)  # dates are read in scan_gs1, with our own words
_BRACKET = re.compile(r"(?<!\\)\((\d{2,4})\)", re.ASCII)


class ScanError(RefusedError):
    """What was scanned or typed cannot be read."""


class Piece(NamedTuple):
    """An element string: its application identifier, what that is in words, and its text."""

    ai: str
    title: str
    text: str


Pieces = tuple[Piece, ...]


def gtin14(digits: str) -> str:
    """A product code padded to 14 digits; empty if it is none or its check digit is wrong."""
    try:
        return gtin(digits)
    except RefusedError:
        return ""


def bracketed(text: str) -> Pieces:
    """Take apart the form for people: identifiers in parentheses; a parenthesis inside a piece has a backslash.

    Raises:
        ScanError: It is not in that form.
    """
    parts = _BRACKET.split(text)
    if parts[0].strip():
        raise unreadable(f"it begins with {parts[0].strip()[:20]!r} instead of an identifier in parentheses")
    pieces = [
        _exactly(ai, content.strip(" ").replace("\\(", "("))
        for ai, content in zip(parts[1::2], parts[2::2], strict=True)
    ]
    if not pieces:
        raise unreadable("no identifier such as (01) is in it")
    return tuple(pieces)


def apart(text: str) -> tuple[Pieces | None, list[Pieces]]:
    """The text taken apart: as it stands, if it can be, and in the ways in which a separator may be missing."""
    before: list[Piece] = []
    rest = text.lstrip(GS)
    while rest:
        run = rest.split(GS, 1)[0]
        element = _first(run)
        piece = Piece(element.ai.ai, _title(element), element.value)
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


def _continued(ways: list[Pieces], behind: str) -> list[Pieces]:
    """Ways of reading a run, each with what follows behind the separator."""
    rest = behind.lstrip(GS)
    if not rest:
        return ways
    plain, split = apart(rest + GS)  # there are separators in this text
    return [(*way, *tail) for way in ways for tail in ([plain] if plain else split)][:_MOST_WAYS]


def _apart(run: str, element: GS1ElementString, before: list[Piece]) -> list[Pieces]:
    """The ways in which a run without separators may be this element and others of ours."""
    used = frozenset(piece.ai for piece in before) | {element.ai.ai}
    found: list[Pieces] = []
    for cut in range(1, len(run)):
        head = run[:cut]
        if not re.fullmatch(element.ai.pattern, element.ai.ai + head, re.ASCII):
            break
        for tail in _ours(run[cut:], used):
            found.append((*before, Piece(element.ai.ai, _title(element), head), *tail))
            if len(found) == _MOST_WAYS:
                return found
    return found


def _ours(text: str, used: frozenset[str]) -> Iterator[Pieces]:
    """Ways to read a text as elements of ours, each identifier once."""
    ai, content = text[:2], text[2:]
    if ai not in OURS or ai in used or not content:
        return
    used = used | {ai}
    if ai in ("10", "21"):
        if _MAY_BE_TEXT.fullmatch(content):
            yield (Piece(ai, OURS[ai], content),)
        cuts = range(1, min(20, len(content) - 1) + 1)
    else:
        cuts = range(14, 15) if ai == "01" else range(6, 7)
    for cut in cuts:
        head, tail = content[:cut], content[cut:]
        if len(head) < cut or (ai == "01" and not gtin14(head)) or (ai in DATES and not _may_be_date(head)):
            continue
        if tail:
            yield from ((Piece(ai, OURS[ai], head), *more) for more in _ours(tail, used))
        elif ai not in ("10", "21"):
            yield (Piece(ai, OURS[ai], head),)


def _first(text: str) -> GS1ElementString:
    """The first element as `biip` reads it."""
    try:
        return GS1ElementString.extract(text, config=_CONFIG)
    except biip.ParseError:
        known = OURS.get(text[:2])
        what = f"its {known} ({text[:2]}) is {text[2:22]!r}" if known else f"{text[:20]!r} begins with no identifier"
        raise unreadable(what) from None


def _exactly(ai: str, content: str) -> Piece:
    """An element that is given apart from others."""
    try:
        element = GS1ElementString.parse(ai + content, config=_CONFIG)
    except biip.ParseError:
        element = None
    if not content or element is None or element.ai.ai != ai:
        raise unreadable(f"({ai}) does not go with {content[:40]!r}")
    return Piece(ai, _title(element), element.value)


def _may_be_date(text: str) -> bool:
    return bool(re.fullmatch(r"\d\d(0[1-9]|1[0-2])([0-2]\d|3[01])", text, re.ASCII))


def _title(element: GS1ElementString) -> str:
    return OURS.get(element.ai.ai, element.ai.description[:80])


def _too_long(piece: Piece, run: str) -> ScanError:
    return ScanError(
        "field-too-long",
        f"The {piece.title} ({piece.ai}) has {len(run) - len(piece.ai)} characters, more than it may have, and cannot "
        "be taken apart: a separator is missing.",
        "Type it as printed, with the identifiers in parentheses, and let the scanner be set to send GS for FNC1.",
    )


def unreadable(why: str) -> ScanError:
    """That a text is no GS1 code, and why, to be raised."""
    return ScanError(
        "gs1",
        f"This is no GS1 code that can be read: {why}.",
        "Scan again. If it reads so again, type what is printed beside the code, with the parentheses.",
    )
