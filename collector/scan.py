"""What a barcode scanner typed into a field, made out: GS1 codes, product codes, our own labels, plain asset numbers.

The scanner is a keyboard as far as a page can tell: it may add Enter or Tab, swallow the separator GS, type for another
keyboard layout, and capitals follow the tablet's caps lock. Nothing is guessed: where a text can be read in two ways
the person is asked, and what cannot be read is refused with what to do.
"""

from __future__ import annotations

import datetime
import enum
import re
from typing import NamedTuple

import msgspec

from collector.record.solutions.gtin import check_digit
from collector.scan_gs1 import Element, Reading, Ways, read_bracketed, readings
from collector.scan_label import BADGE, is_badge, is_own_label, is_turned_round, read_label
from collector.scan_pieces import GS, ScanError, gtin14

__all__ = ["Element", "Form", "Reading", "Scan", "ScanError", "Udi", "gtin14", "joined", "read_scan", "read_udi"]

LONGEST = 500
"""Characters: more than twice what the largest code on a bottle or device holds."""

_GS1_SYMBOLS = {
    "]C1": "GS1-128",
    "]d2": "GS1 DataMatrix",
    "]Q3": "GS1 QR",
    "]e0": "GS1 DataBar",
    "]J1": "GS1 DotCode",
}
_PRODUCT_SYMBOLS = {"]E0": "EAN-13", "]E4": "EAN-8", "]I1": "ITF-14"}
"""Symbology identifiers (ISO/IEC 15424) that say what kind of content follows."""

_TURNED_ROUND = {symbol.swapcase(): symbol for symbol in _GS1_SYMBOLS if symbol.swapcase() not in _PRODUCT_SYMBOLS}
_SEPARATORS = re.compile(r"\u241d|\^|\||\{GS\}|<GS>")
"""What scanners and their drivers type for GS. No piece of a GS1 code may hold one, except <GS>, which none would."""

_ASSET = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_SECOND_CODE = re.compile(r"1[17]\d{6}(?:10|21|1[17])")
_AROUND = " \r\n\t\x00\x02\x03"
"""Ends of line, and the frames some scanners put around."""


class Form(enum.StrEnum):
    """What kind of text it is."""

    GS1 = "GS1 code"
    PRODUCT = "product code"
    LABEL = "own label"
    PLAIN = "plain text"


class Scan(msgspec.Struct, frozen=True, omit_defaults=True):
    """What was scanned or typed.

    Attributes:
        form: What kind of text it is.
        text: The same in its tidy form: GS1 with parentheses, else as it is.
        elements: The pieces of a GS1 code, to be shown.
        gtin: Product code, 14 digits; empty if none.
        lot: Lot.
        serial: Serial number.
        expires: Last day, ISO.
        made: Day of production, ISO.
        kind: What one of our labels names: "basin", "device", "badge", …
        id: Its id; of a badge: the credential, which is never shown.
        symbol: The kind of barcode, where the scanner says it.
        warnings: What a person should compare with the label.
        ask: It can be read in more than one way; nothing may be recorded from it until a person has chosen.
        ask_why: Why, in words.
        readings: The ways; the text of the chosen one, sent again, is read in that way only.
    """

    form: Form
    text: str
    elements: tuple[Element, ...] = ()
    gtin: str = ""
    lot: str = ""
    serial: str = ""
    expires: str = ""
    made: str = ""
    kind: str = ""
    id: str = ""
    symbol: str = ""
    warnings: tuple[str, ...] = ()
    ask: bool = False
    ask_why: str = ""
    readings: tuple[Reading, ...] = ()


class Udi(NamedTuple):
    """A unique device identification: its tidy text, and product code and serial number where it has them."""

    text: str = ""
    gtin: str = ""
    serial: str = ""


def read_scan(typed: str, today: datetime.date) -> Scan:
    """Make out what was scanned or typed.

    Args:
        typed: As it came into the field, with everything around it.
        today: The day at the site; years of two digits are counted from here.

    Raises:
        ScanError: It cannot be made out.
    """
    text, warnings = _one_code(typed)
    symbol, text = _symbol(text)
    if is_turned_round(text) or symbol in _TURNED_ROUND:
        text, symbol = text.swapcase(), _TURNED_ROUND.get(symbol, symbol)
        warnings.append("Caps lock was on: capital and small letters have been turned back. Switch it off.")
    _refuse_strange(text)
    scan = _made_out(text, symbol, today)
    if _only_small_letters(scan):
        warnings.append("Its letters are all small. If the label shows capitals, switch caps lock off and scan again.")
    return msgspec.structs.replace(scan, warnings=(*warnings, *scan.warnings))


def joined(first: Scan, second: Scan, today: datetime.date) -> Scan:
    """Two codes of one label (product code in one, lot and date in the other) as one.

    Raises:
        ScanError: They do not go together.
    """
    for scan in (first, second):
        if scan.ask or scan.form not in (Form.GS1, Form.PRODUCT):
            raise ScanError(
                "two-codes",
                f"{scan.text[:60]!r} cannot be joined with another code.",
                "Scan the code with (01) first, then the one with lot and date.",
            )
    texts = [f"(01){scan.gtin}" if scan.form is Form.PRODUCT else scan.text for scan in (first, second)]
    return read_scan("".join(texts), today)


def read_udi(typed: str, today: datetime.date) -> Udi:
    """A unique device identification, of GS1 or of another issuing agency, whose text is kept as it is.

    Raises:
        ScanError: It is GS1's but cannot be read, or only in more than one way.
    """
    text = typed.strip(_AROUND)
    if not text:
        return Udi()
    if not (text[0] in "(]" + GS or text.startswith("01") or is_own_label(text) or gtin14(text)):
        _refuse_strange(text)
        return Udi(_one_code(text)[0])
    scan = read_scan(text, today)
    if scan.ask:
        raise ScanError("ask", scan.ask_why, f"Type it in the right way: {_choices(scan.readings)}.")
    if not scan.gtin:
        raise ScanError(
            "udi", f"{scan.text!r} has no product code (01) and so is no UDI.", "Scan the code with (01) on the device."
        )
    text = f"(01){scan.gtin}" if scan.form is not Form.GS1 else scan.text
    return Udi(text, scan.gtin, scan.serial)


def _one_code(typed: str) -> tuple[str, list[str]]:
    """One code out of what was typed, and what to say about it."""
    if len(typed) > LONGEST:
        raise ScanError(
            "too-long",
            f"{len(typed)} characters are more than any code on a bottle, device or label of ours holds ({LONGEST}).",
            "Empty the field and scan one code.",
        )
    codes = [code.strip(_AROUND) for code in re.split(r"[\r\n\t]+", typed.strip(_AROUND))]
    if len(set(codes)) > 1:
        raise ScanError("two-codes", f"The field holds {len(codes)} codes.", "Empty it and scan one code at a time.")
    if not codes[0]:
        raise ScanError("empty", "Nothing was scanned.", "Hold the scanner to the code, or type the asset number.")
    return codes[0], ["The same code was scanned twice and counts once."] if len(codes) > 1 else []


def _symbol(text: str) -> tuple[str, str]:
    """A symbology identifier in front, and the rest."""
    match = re.match(r"\][A-Za-z][0-9A-Za-z]", text, re.ASCII)
    return (match[0], text[3:]) if match else ("", text)


def _refuse_strange(text: str) -> None:
    """Only printable ASCII and GS come from a code that we could read."""
    strange = next((char for char in text if char not in (GS, "\u241d") and not " " <= char <= "~"), None)
    if strange is None:
        return
    if strange.isprintable():
        raise ScanError(
            "keyboard-layout",
            f"The character {strange!r} is in none of the codes that are read here: the scanner seems to type for "
            "another keyboard than this device is set to.",
            "Set scanner and device to the same keyboard layout (most scanners: US English), then scan again.",
        )
    raise ScanError(
        "control-character",
        f"The code holds the control character number {ord(strange)}, which is in none that are read here.",
        "Scan again. If it reads so again, type what is printed beside the code.",
    )


def _made_out(text: str, symbol: str, today: datetime.date) -> Scan:
    if is_badge(text):
        return Scan(Form.LABEL, "a badge", kind=BADGE, id=text.upper())
    if any(is_badge(part) for part in re.split(r"[^A-Za-z]+", text)):  # said without what was typed: it is a secret
        raise ScanError("two-codes", "The field holds a badge and something else.", "Empty it and scan one code.")
    if is_own_label(text):
        label = read_label(text)
        return Scan(Form.LABEL, text, kind=label.kind, id=label.id)
    if text.startswith("("):
        return _of_ways(Ways((read_bracketed(text, today),), certain=True), symbol)
    separated = _SEPARATORS.sub(GS, text)
    if symbol in _GS1_SYMBOLS or GS in separated or re.match(r"01\d{14}", text, re.ASCII):
        return _of_ways(readings(separated, today), symbol)
    if symbol in _PRODUCT_SYMBOLS or re.fullmatch(r"\d{12,14}", text, re.ASCII):
        return _product(text, symbol)
    return _plain(text, today)


def _of_ways(ways: Ways, symbol: str) -> Scan:
    first = ways.readings[0]
    scan = Scan(
        Form.GS1,
        first.text,
        elements=first.elements,
        gtin=first.gtin,
        lot=first.lot,
        serial=first.serial,
        expires=first.expires,
        made=first.made,
        symbol=_GS1_SYMBOLS.get(symbol, ""),
        warnings=first.warnings,
    )
    if ways.certain:
        return scan
    return msgspec.structs.replace(
        scan,
        ask=True,
        ask_why="The scanner sent no separator, so that lot, serial number or dates may have run together.",
        readings=ways.readings,
    )


def _product(text: str, symbol: str) -> Scan:
    """Digits as long as a product code."""
    gtin = gtin14(text)
    if not gtin and symbol:
        raise ScanError(
            "check-digit",
            f"The product code {text[:20]!r} cannot be right: its length or its last digit is wrong.",
            "Scan again; if it was typed, compare every digit with the label.",
        )
    if gtin:
        return Scan(Form.PRODUCT, text, gtin=gtin, symbol=_PRODUCT_SYMBOLS.get(symbol, ""))
    warning = (
        f"It is as long as a product code, but then its last digit would be {check_digit(text[:-1])}: taken for an "
        "asset number."
    )
    return Scan(Form.PLAIN, text, warnings=(warning,))


def _plain(text: str, today: datetime.date) -> Scan:
    """An asset number, or a number that people typed; perhaps the second code of a label."""
    if text.startswith("+"):
        raise ScanError(
            "other-agency",
            "A code that begins with + is of another issuing agency than GS1 and is not taken apart here.",
            "Type lot, serial number and date as printed, or scan the asset number.",
        )
    if re.match(r"https?:", text, re.IGNORECASE):
        raise ScanError(
            "web-address", "This code is a web address.", "Scan the other code on the label, or type what is printed."
        )
    if not _ASSET.fullmatch(text):
        raise ScanError(
            "unreadable",
            f"{text[:40]!r} is neither a GS1 code nor one of our labels nor an asset number (letters, digits, . _ -).",
            "Scan again, or type the asset number.",
        )
    gtin = gtin14(text)
    if not _SECOND_CODE.match(text):
        return Scan(Form.PLAIN, text, gtin=gtin)
    try:
        ways = readings(text, today)
    except ScanError:
        return Scan(Form.PLAIN, text, gtin=gtin)
    return Scan(
        Form.PLAIN,
        text,
        gtin=gtin,
        ask=True,
        ask_why="This is an asset number, or the second code of a label, with date and lot.",
        readings=ways.readings,
    )


def _only_small_letters(scan: Scan) -> bool:
    letters = [char for char in scan.lot + scan.serial if char.isalpha()]
    return bool(letters) and all(char.islower() for char in letters)


def _choices(ways: tuple[Reading, ...]) -> str:
    return " or ".join(way.text for way in ways)
