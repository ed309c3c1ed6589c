"""What a scanner typed, made out. Sources of the GS1 examples stand beside them."""

from __future__ import annotations

import datetime

import pytest

from collector.record.solutions.gtin import check_digit
from collector.scan import Form, Scan, ScanError, joined, read_scan, read_udi
from collector.scan_gs1 import date_of
from collector.scan_label import label_text
from collector.scan_pieces import gtin14

TODAY = datetime.date(2026, 11, 25)
GTIN = "12345678901231"
GS = "\x1d"


def read(text: str) -> Scan:
    return read_scan(text, TODAY)


def refused(text: str) -> tuple[str, str, str]:
    with pytest.raises(ScanError) as caught:
        read(text)
    return caught.value.rule, caught.value.text, caught.value.next_step


# Check digit examples of gs1.org (calculator), gs1.se, gs1india.org; GS1 Barcode Syntax Dictionary, lint_csum.c
@pytest.mark.parametrize(
    ("digits", "check"),
    [
        ("629104150021", "3"),
        ("730001100001", "7"),
        ("890400021003", "7"),
        ("1234567890123", "1"),
        ("12345678901234567", "5"),
        ("41600033610", "8"),
        ("0234567", "3"),
    ],
)
def test_check_digits_are_those_of_gs1s_examples(digits: str, check: str) -> None:
    assert check_digit(digits) == check
    if len(digits) in (7, 11, 12, 13):
        assert gtin14(digits + check) == (digits + check).zfill(14)
        assert gtin14(digits + str((int(check) + 1) % 10)) == ""


# GS1 syntax engine test vectors, ai.c (^ stands for FNC1 there; a scanner sends GS)
@pytest.mark.parametrize(
    ("scanned", "text"),
    [
        ("^0112345678901231", "(01)12345678901231"),
        ("^01123456789012311012345", "(01)12345678901231(10)12345"),
        ("^1012345^11991225", "(10)12345(11)991225"),
        ("^1012345", "(10)12345"),
    ],
)
@pytest.mark.parametrize("symbol", ["", "]C1", "]d2", "]Q3"])
@pytest.mark.parametrize("sent", [GS, "^", "\u241d", "{GS}", "|", "<GS>"])
@pytest.mark.parametrize("end", ["", "\r", "\r\n", "\t"])
def test_element_strings_read_with_and_without_symbology_identifier(
    scanned: str, text: str, symbol: str, sent: str, end: str
) -> None:
    scan = read(symbol + scanned.replace("^", sent) + end)
    assert scan.form is Form.GS1
    assert (scan.text, scan.ask) == (text, False)
    assert read(text).text == text


@pytest.mark.parametrize("symbol", ["]C1", "]d2", "]Q3"])
def test_no_separator_is_needed_behind_the_last_piece_or_one_of_fixed_length(symbol: str) -> None:
    scan = read(f"{symbol}01{GTIN}1127010110AB")
    assert (scan.gtin, scan.lot, scan.made, scan.ask) == (GTIN, "AB", "2027-01-01", False)


# The same vectors' invalid rows
@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("(10)(11)98765", "(10) does not go with ''"),
        ("(10)12345(11)", "(11) does not go with ''"),
        ("(1A)12345", "it begins with '(1A)12345' instead of an identifier in parentheses"),
        ("(01)123456789012312(10)12345", "(01) does not go with '123456789012312'"),
        ("(10)12345^", "(10) does not go with '12345^'"),
        ("(17)9(90)217", "(17) does not go with '9'"),
    ],
)
def test_element_strings_that_gs1_calls_invalid_are_refused(text: str, why: str) -> None:
    assert refused(text) == (
        "gs1",
        f"This is no GS1 code that can be read: {why}.",
        "Scan again. If it reads so again, type what is printed beside the code, with the parentheses.",
    )


def test_the_parse_is_shown_piece_by_piece() -> None:
    # GS1 syntax engine, documentation example
    scan = read("(01)12345678901231(10)ABC123(11)210630")
    assert [(piece.ai, piece.title, piece.text, piece.date) for piece in scan.elements] == [
        ("01", "product code", GTIN, ""),
        ("10", "lot", "ABC123", ""),
        ("11", "made on", "210630", "2021-06-30"),
    ]
    assert (scan.gtin, scan.lot, scan.made, scan.serial, scan.expires) == (GTIN, "ABC123", "2021-06-30", "", "")


# GS1 General Specifications 7.12 as coded in the Barcode Syntax Dictionary, lint_yymmd0.c
@pytest.mark.parametrize(("yy", "year"), [("77", 1977), ("76", 2076), ("26", 2026), ("00", 2000)])
def test_the_century_lies_between_49_years_back_and_50_ahead(yy: str, year: int) -> None:
    assert date_of(f"{yy}0615", TODAY) == datetime.date(year, 6, 15)


def test_the_next_century_begins_fifty_years_before_it() -> None:
    # the same rule's third case: -50 or less is the next century
    assert date_of("100101", datetime.date(2060, 1, 1)).year == 2110
    assert date_of("110101", datetime.date(2060, 1, 1)).year == 2011


# GS1 General Specifications 3.4.5
@pytest.mark.parametrize(("text", "day"), [("130200", "2013-02-28"), ("160200", "2016-02-29")])
def test_day_00_is_the_last_of_the_month(text: str, day: str) -> None:
    assert date_of(text, TODAY).isoformat() == day


# GS1 Barcode Syntax Dictionary, tests of lint_yymmd0.c
@pytest.mark.parametrize("text", ["000229", "200229", "240229", "200600", "991231"])
def test_valid_dates(text: str) -> None:
    date_of(text, TODAY)


@pytest.mark.parametrize(
    "text", ["210229", "220229", "230229", "200230", "201310", "200010", "200431", "11111", "1111111"]
)
def test_invalid_dates(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        date_of(text, TODAY)


def test_a_date_that_is_none_names_it() -> None:
    assert refused(f"(01){GTIN}(17)270230") == (
        "date",
        "Its date (17) 270230 is no day of the calendar: year, month and day are two digits each.",
        "Scan again. If it reads so again the label is wrong: do not use what it is on, and tell your supplier.",
    )


# GS1 change of date format for regulated healthcare items (GSCN 21-040): 00 is for stock made before 2025 only
@pytest.mark.parametrize(("made", "warned"), [("(11)241231", False), ("(11)250101", True), ("", True)])
def test_a_missing_day_is_warned_of_unless_it_was_made_before_2025(made: str, warned: bool) -> None:
    scan = read(f"(01){GTIN}{made}(17)270200")
    assert scan.expires == "2027-02-28"
    warning = (
        "Its date (17) 270200 names no day and is read as 2027-02-28, the last of the month. Healthcare items made "
        "since 2025-01-01 must print the day: compare with the label."
    )
    assert scan.warnings == ((warning,) if warned else ())


def test_dates_that_contradict_are_said() -> None:
    assert read("(11)270101(17)261231").warnings == (
        "It says that it was made on 2027-01-01, which is still to come: compare with the label.",
        "It says that it expires (2026-12-31) before it was made (2027-01-01): compare with the label.",
    )


def test_a_wrong_check_digit_is_refused() -> None:
    assert refused("0112345678901232") == (
        "check-digit",
        "The product code 12345678901232 cannot be right: its last digit must be 1, not 2.",
        "Scan again; if it was typed, compare every digit with the label.",
    )


def test_two_lots_in_one_code_are_refused() -> None:
    assert refused("(10)A(10)B") == (
        "said-twice",
        "The code gives two lots: 'A' and 'B'.",
        "Scan one label at a time.",
    )


def test_a_lot_and_a_serial_that_may_have_run_together_are_asked_about() -> None:
    scan = read(f"]d201{GTIN}1727123110AB21C7")
    assert scan.ask
    assert scan.ask_why == "The scanner sent no separator, so that lot, serial number or dates may have run together."
    assert [(way.lot, way.serial) for way in scan.readings] == [("AB21C7", ""), ("AB", "C7")]
    for way in scan.readings:
        again = read(way.text)
        assert (again.ask, again.lot, again.serial, again.expires) == (False, way.lot, way.serial, "2027-12-31")


@pytest.mark.parametrize("code", [f"01{GTIN}1727123110AB21C7{GS}", f"01{GTIN}10AB{GS}21C7", f"{GS}01{GTIN}10AB21C7"])
def test_a_scanner_that_sends_separators_is_believed(code: str) -> None:
    assert not read(code).ask


def test_a_date_may_have_run_into_a_lot_too() -> None:
    ways = read(f"01{GTIN}10AB17271231").readings
    assert [(way.lot, way.expires) for way in ways] == [("AB17271231", ""), ("AB", "2027-12-31")]
    assert not read(f"01{GTIN}10AB17271399").ask  # there is no month 13


def test_a_lot_before_a_serial_and_a_serial_before_a_lot() -> None:
    ways = [(way.lot, way.serial) for way in read(f"01{GTIN}21S1102L").readings]
    assert ways == [("", "S1102L"), ("2L", "S1")]


def test_a_lot_that_is_too_long_can_only_have_run_together() -> None:
    scan = read(f"01{GTIN}10ABCDEFGHIJKLMNOPQ21SERIAL9")
    assert scan.ask
    assert [(way.lot, way.serial) for way in scan.readings] == [("ABCDEFGHIJKLMNOPQ", "SERIAL9")]


def test_a_lot_that_is_too_long_and_cannot_be_taken_apart_is_refused() -> None:
    assert refused(f"01{GTIN}10" + "A" * 21) == (
        "field-too-long",
        "The lot (10) has 21 characters, more than it may have, and cannot be taken apart: a separator is missing.",
        "Type it as printed, with the identifiers in parentheses, and let the scanner be set to send GS for FNC1.",
    )


def test_a_parenthesis_inside_a_piece_survives() -> None:
    scan = read(f"01{GTIN}10A(10)B{GS}21C")
    assert scan.lot == "A(10)B"
    assert read(scan.text).lot == "A(10)B"


@pytest.mark.parametrize(
    ("typed", "symbol"),
    [("6291041500213", ""), ("]E06291041500213", "EAN-13"), ("06291041500213", ""), ("]I106291041500213", "ITF-14")],
)
def test_product_codes_are_padded_to_14_digits(typed: str, symbol: str) -> None:
    scan = read(typed)
    assert (scan.form, scan.gtin, scan.symbol) == (Form.PRODUCT, "06291041500213", symbol)
    assert read(f"01{scan.gtin}").gtin == scan.gtin


def test_digits_that_are_no_product_code() -> None:
    scan = read("6291041500214")
    assert (scan.form, scan.text, scan.gtin) == (Form.PLAIN, "6291041500214", "")
    assert scan.warnings == (
        "It is as long as a product code, but then its last digit would be 3: taken for an asset number.",
    )
    assert refused("]E06291041500214") == (
        "check-digit",
        "The product code '6291041500214' cannot be right: its length or its last digit is wrong.",
        "Scan again; if it was typed, compare every digit with the label.",
    )


@pytest.mark.parametrize("typed", ["END-0042", " END-0042\r\n", "\x02END-0042\x03", "]C0END-0042"])
def test_an_asset_number(typed: str) -> None:
    assert read(typed) == Scan(Form.PLAIN, "END-0042")


@pytest.mark.parametrize("kind", ["basin", "device", "bottle", "fill", "strips"])
def test_our_own_labels_read_back_and_caps_lock_is_noticed(kind: str) -> None:
    text = label_text(kind, "node-1/b1" if kind == "basin" else "A-7.x")
    scan = read(text)
    assert (scan.form, scan.kind, scan.warnings) == (Form.LABEL, kind, ())
    turned = read(text.swapcase())
    assert (turned.kind, turned.id) == (scan.kind, scan.id)
    assert turned.warnings == ("Caps lock was on: capital and small letters have been turned back. Switch it off.",)


def test_caps_lock_is_known_by_the_symbology_identifier() -> None:
    scan = read(f"]D201{GTIN}10aB")
    assert (scan.lot, scan.symbol) == ("Ab", "GS1 DataMatrix")


def test_small_letters_only_are_warned_of() -> None:
    assert read(f"01{GTIN}10ab7").warnings == (
        "Its letters are all small. If the label shows capitals, switch caps lock off and scan again.",
    )


def test_a_damaged_label_of_ours() -> None:
    for text in ("SL:basin:", "SL:drawer:d1", "SL:basin"):
        assert refused(text) == (
            "own-label",
            "This begins like one of our own labels but cannot be read to its end.",
            "Scan again, more slowly. If it reads so again, print the label anew.",
        )
    with pytest.raises(ValueError, match="No label can name the drawer 'd1'"):
        label_text("drawer", "d1")


def test_a_badge_is_known_by_its_form() -> None:
    code = "PERSON" + "BCDEFGHIJK" * 3
    for typed in (code, code.lower()):
        scan = read(typed + "\r")
        assert (scan.form, scan.kind, scan.id, scan.text) == (Form.LABEL, "badge", code, "a badge")


@pytest.mark.parametrize(
    ("typed", "rule", "text", "next_step"),
    [
        ("", "empty", "Nothing was scanned.", "Hold the scanner to the code, or type the asset number."),
        ("\r\n", "empty", "Nothing was scanned.", "Hold the scanner to the code, or type the asset number."),
        ("A1\nB2", "two-codes", "The field holds 2 codes.", "Empty it and scan one code at a time."),
        (
            "x" * 501,
            "too-long",
            "501 characters are more than any code on a bottle, device or label of ours holds (500).",
            "Empty the field and scan one code.",
        ),
        (
            "SLÖbasinÖn1-b1",
            "keyboard-layout",
            "The character 'Ö' is in none of the codes that are read here: the scanner seems to type for another "
            "keyboard than this device is set to.",
            "Set scanner and device to the same keyboard layout (most scanners: US English), then scan again.",
        ),
        (
            "A\x07B",
            "control-character",
            "The code holds the control character number 7, which is in none that are read here.",
            "Scan again. If it reads so again, type what is printed beside the code.",
        ),
        (
            "+H123ABC",
            "other-agency",
            "A code that begins with + is of another issuing agency than GS1 and is not taken apart here.",
            "Type lot, serial number and date as printed, or scan the asset number.",
        ),
        (
            "https://example.org/01/1",
            "web-address",
            "This code is a web address.",
            "Scan the other code on the label, or type what is printed.",
        ),
        (
            "two words",
            "unreadable",
            "'two words' is neither a GS1 code nor one of our labels nor an asset number (letters, digits, . _ -).",
            "Scan again, or type the asset number.",
        ),
    ],
)
def test_rubbish_is_refused_with_what_to_do(typed: str, rule: str, text: str, next_step: str) -> None:
    assert refused(typed) == (rule, text, next_step)


def test_the_same_code_scanned_twice_counts_once() -> None:
    scan = read("END-1\r\nEND-1\r\n")
    assert (scan.text, scan.warnings) == ("END-1", ("The same code was scanned twice and counts once.",))


def test_the_second_code_of_a_label_alone_is_asked_about() -> None:
    scan = read("1727123110AB")
    assert (scan.form, scan.ask) == (Form.PLAIN, True)
    assert scan.ask_why == "This is an asset number, or the second code of a label, with date and lot."
    assert [way.text for way in scan.readings] == ["(17)271231(10)AB"]


def test_two_codes_of_one_label_become_one() -> None:
    first, second = read(f"01{GTIN}"), read("(17)271231(10)AB")
    assert joined(first, second, TODAY).text == f"(01){GTIN}(17)271231(10)AB"
    assert joined(read("6291041500213"), second, TODAY).gtin == "06291041500213"
    with pytest.raises(ScanError) as caught:
        joined(read("END-1"), second, TODAY)
    assert str(caught.value) == (
        "'END-1' cannot be joined with another code. Scan the code with (01) first, then the one with lot and date."
    )


def test_a_udi_becomes_tidy_and_another_agencys_stays_as_it_is() -> None:
    assert read_udi(f"]d201{GTIN}21S1", TODAY) == (f"(01){GTIN}(21)S1", GTIN, "S1")
    assert read_udi("6291041500213\r", TODAY) == ("(01)06291041500213", "06291041500213", "")
    assert read_udi("+H123PART1/$$7SER", TODAY) == ("+H123PART1/$$7SER", "", "")
    assert read_udi(" \r", TODAY) == ("", "", "")


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        (
            f"01{GTIN}21A10B",
            "The scanner sent no separator, so that lot, serial number or dates may have run together. "
            f"Type it in the right way: (01){GTIN}(21)A10B or (01){GTIN}(21)A(10)B.",
        ),
        ("(10)AB", "'(10)AB' has no product code (01) and so is no UDI. Scan the code with (01) on the device."),
        (
            "SL:device:A1",
            "'SL:device:A1' has no product code (01) and so is no UDI. Scan the code with (01) on the device.",
        ),
    ],
)
def test_a_udi_that_is_none(typed: str, message: str) -> None:
    with pytest.raises(ScanError) as caught:
        read_udi(typed, TODAY)
    assert str(caught.value) == message
