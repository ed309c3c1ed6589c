"""Whatever is typed, a scan is made out or refused in words; and what is made out reads back the same."""

from __future__ import annotations

import datetime
from collections.abc import Callable

from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.scan import ScanError, read_scan, read_udi
from collector.scan_pieces import gtin14

TODAY = datetime.date(2026, 11, 25)
GS = "\x1d"
GTIN = "12345678901231"

FIELD = st.text(st.sampled_from("0123456789ABCDabcd-./()12"), min_size=1, max_size=20)
DAY = st.dates(datetime.date(2000, 1, 1), datetime.date(2070, 1, 1)).map(lambda day: day.strftime("%y%m%d"))
ANYTHING = st.text(max_size=500)
NEAR = st.lists(
    st.one_of(
        st.sampled_from(
            ["01", "10", "11", "17", "21", "240", "3109", "3922", "(01)", "(10)", "]d2", "]C1", "]E0", GS, "^"]
        ),
        st.sampled_from(
            [GTIN, "SL:", "sl:", "basin:", "\r\n", "\t", "\\(", "PERSON", "+", "http:", "271231", "270200"]
        ),
        st.text(st.characters(max_codepoint=255), max_size=8),
        st.text(st.sampled_from("0123456789"), max_size=24),
    ),
    max_size=20,
).map(lambda parts: "".join(parts)[:500])


def refusal_of(read: Callable[[str, datetime.date], object], typed: str) -> ScanError | None:
    try:
        read(typed, TODAY)
    except ScanError as refusal:
        return refusal
    return None


@settings(max_examples=1500)
@given(st.one_of(ANYTHING, NEAR))
def test_any_text_is_made_out_or_refused_in_words(typed: str) -> None:
    for read in (read_scan, read_udi):
        refusal = refusal_of(read, typed)
        if refusal is not None:
            assert refusal.rule
            assert refusal.text.endswith(".")
            assert refusal.next_step.endswith(".")


@settings(max_examples=500)
@example("]d2210101]d2")  # a bracket is no character of a lot: it was offered as one and refused when read back
@given(NEAR)
def test_what_is_made_out_reads_back_the_same(typed: str) -> None:
    try:
        scan = read_scan(typed, TODAY)
    except ScanError:
        return
    for way in scan.readings or ():
        again = read_scan(way.text, TODAY)
        assert (again.ask, again.elements) == (False, way.elements)
    if scan.kind != "badge" and not scan.ask:
        again = read_scan(scan.text, TODAY)
        assert (again.form, again.text, again.elements, again.gtin) == (scan.form, scan.text, scan.elements, scan.gtin)


@settings(max_examples=500)
@given(lot=FIELD, serial=FIELD, expires=DAY, separated=st.booleans(), serial_first=st.booleans())
def test_the_true_reading_is_always_offered(
    lot: str, serial: str, expires: str, separated: bool, serial_first: bool
) -> None:
    """With separators it is the only one, without them one of those to choose from."""
    pieces = [f"10{lot}", f"21{serial}"]
    if serial_first:
        pieces.reverse()
    code = f"]d201{GTIN}17{expires}" + (GS if separated else "").join(pieces)
    scan = read_scan(code, TODAY)
    if separated:
        assert (scan.ask, scan.lot, scan.serial) == (False, lot, serial)
    elif len(scan.readings) < 8:  # so many are offered at most
        assert scan.ask
        assert (lot, serial) in {(way.lot, way.serial) for way in scan.readings}


@given(st.text(st.sampled_from("0123456789"), max_size=16))
def test_one_wrong_digit_never_passes(digits: str) -> None:
    if not gtin14(digits):
        return
    for place in range(len(digits)):
        wrong = digits[:place] + str((int(digits[place]) + 1) % 10) + digits[place + 1 :]
        assert not gtin14(wrong)
