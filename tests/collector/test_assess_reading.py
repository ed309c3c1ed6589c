"""A logger's file is read by column where it can be: the same as field by field, in pieces of any size."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.logclosures import Entry, closures
from collector.logfields import (
    JudgedTexts,
    all_moments_ms,
    all_reading_numbers,
    all_seconds_ms,
    moment_ms,
    reading_number,
    seconds_ms,
)
from collector.logfile import LogFile, columns_of
from collector.logtext import UnusableError, text_blocks
from soak.requirement import Judge, Requirement, SensorTerms

REQUIREMENT, TERMS = Requirement(min_mc=20_000, contact_ms=5_000), SensorTerms(u_mc=100)


def pieces(data: bytes, size: int) -> list[bytes]:
    return [data[at : at + size] for at in range(0, len(data), size)]


def assessed(chunks: list[bytes]) -> tuple[list[Entry], str | None]:
    """Closures, and the error that ended them."""
    entries: list[Entry] = []
    try:
        entries.extend(closures(LogFile(chunks), REQUIREMENT, TERMS))
    except UnusableError as error:
        return entries, str(error)
    return entries, None


READINGS = [("open" if n % 9 == 0 else "closed", f"{20 + n % 7 / 20:.3f}") for n in range(1, 60)]
ROWS = [f"{n}.5,{lid},{celsius}" for n, (lid, celsius) in enumerate(READINGS)]
MOMENTS = [f"2026-03-02T09:14:{n:02}.500Z,{lid},{celsius}" for n, (lid, celsius) in enumerate(READINGS)]
FILES = {
    "good": ["time_s,lid,temp_c", *ROWS],
    "moments": ["time,lid,temp_c", *MOMENTS],
    "byte-order mark, CRLF and a two-byte letter": ["\ufefftime_s,lid,temp_c,ü\r", *(row + ",é\r" for row in ROWS)],
    "bad line": ["time_s,lid,temp_c", *ROWS[:40], "x", *ROWS[40:]],
    "empty line": ["time_s,lid,temp_c", *ROWS[:40], "", "", *ROWS[40:]],
    "empty lines at the end": ["time_s,lid,temp_c", *ROWS, "", ""],
    "back in time": ["time_s,lid,temp_c", *ROWS[:40], ROWS[3], *ROWS[40:]],
    "quotation marks": ["time_s,lid,temp_c", *(row.replace("closed", '"closed"') for row in ROWS)],
}


@pytest.mark.parametrize("name", FILES)
def test_pieces_of_any_size_read_alike(name: str) -> None:
    """However the bytes arrive: the same closures, the same times, the same error."""
    data = "\n".join(FILES[name]).encode()
    whole = assessed([data])
    assert whole[0]
    assert (whole[1] is None) == (name not in ("bad line", "empty line", "back in time"))
    for size in (1, 2, 3, 7, 20, 64, 500):
        assert assessed(pieces(data, size)) == whole


def test_not_utf_8_and_nul_in_pieces_of_any_size() -> None:
    """The line is right wherever the pieces end; a letter cut in two is no mistake."""
    data = "time_s,lid,temp_c,ü\n0,open,21,é\n".encode()
    for bad, what in ((b"\xff", "byte 0xFF is not UTF-8."), (b"\0", "a NUL byte stands in it")):
        for size in (1, 2, 3, 7, 500):
            with pytest.raises(UnusableError, match=f"line 3: {what}"):
                list(text_blocks(pieces(data + b"1,open,21," + bad + b"\n2,open,21,\n", size)))


def test_an_endless_line_is_not_read_to_its_end() -> None:
    """A file without a line end, or a pipe that never sends one, is given up before it fills the memory."""
    taken = 0

    def endless() -> Iterator[bytes]:
        nonlocal taken
        while taken < 1000:
            taken += 1
            yield b"9" * 1000

    with pytest.raises(UnusableError, match="line 1: it is longer than 65536 bytes"):
        list(text_blocks(endless()))
    assert taken == 66


@settings(max_examples=300)
@given(st.lists(st.integers(0, 10**15 - 1), min_size=1, max_size=20), st.integers(0, 6))
def test_seconds_by_column_and_by_field_are_the_same_number(times_ms: list[int], decimals: int) -> None:
    """Exactly, up to twelve digits before the point, with as many decimals as a logger likes to write."""
    step_ms = 10 ** max(0, 3 - decimals)
    expected = [ms // step_ms * step_ms for ms in times_ms]
    fractions = [f"{ms % 1000:03d}000"[:decimals] for ms in expected]
    texts = [f"{ms // 1000}.{fraction}".rstrip(".") for ms, fraction in zip(expected, fractions, strict=True)]
    assert all_seconds_ms(texts) == [seconds_ms(text) for text in texts] == expected


@settings(max_examples=300)
@given(
    st.lists(
        st.text("0123456789.+-e_ ٣", max_size=6) | st.from_regex(r"[0-9]{1,3}(\.[0-9]{1,4})?", fullmatch=True),
        max_size=4,
    ),
    st.sampled_from([(all_seconds_ms, seconds_ms), (all_reading_numbers, reading_number)]),
)
def test_columns_take_what_fields_take_and_nothing_else(texts: list[str], ways: tuple) -> None:  # type: ignore[type-arg]
    """A pattern over a column lets through, and refuses, what the field's own does. (No field holds a line feed.)"""
    of_column, of_field = ways
    if not texts:
        return
    try:
        expected = [of_field(text) for text in texts]
    except ValueError:
        with pytest.raises(ValueError, match=r"time_s|number"):
            of_column(texts)
    else:
        assert of_column(texts) == expected


@settings(max_examples=300)
@given(st.lists(st.datetimes(timezones=st.timezones()), min_size=1, max_size=5), st.sampled_from(["T", " ", "t"]))
def test_moments_by_column_and_by_field_are_the_same_number(moments: list, mark: str) -> None:  # type: ignore[type-arg]
    """Whatever the offset, and as Python itself computes it."""
    moments = [each.replace(microsecond=each.microsecond // 1000 * 1000) for each in moments]
    moments = [each for each in moments if each.utcoffset().seconds % 60 == 0]
    texts = [each.isoformat(sep=mark, timespec="milliseconds") for each in moments]
    if texts:
        expected = [round(each.timestamp() * 1000) for each in moments]
        assert all_moments_ms(texts) == [moment_ms(text) for text in texts] == expected


@settings(max_examples=500)
@given(st.lists(st.lists(st.text('ab,"\r ', max_size=3), min_size=2, max_size=4).map(",".join), min_size=1, max_size=4))
def test_splitting_at_commas_is_what_the_csv_module_does(lines: list[str]) -> None:
    """The fast way gives the csv module's fields, or hands over to it."""
    try:
        rows = [next(csv.reader([line], strict=True)) for line in lines]
    except csv.Error:
        rows = []
    widths = {len(row) for row in rows}
    if len(widths) == 1:
        expected = [list(column) for column in zip(*rows, strict=True)]
        assert [list(column) for column in columns_of(lines, widths.pop())] == expected
    else:
        with pytest.raises((ValueError, csv.Error)):
            columns_of(lines, max(widths, default=2))


@pytest.mark.parametrize("whole", ["20", "-3", "0", "-0"])
@pytest.mark.parametrize(
    "fraction", ["", ".5", ".125", ".1250", ".125000", ".1250001", ".12500000000000000009", ".999999"]
)
def test_decimals_beyond_the_third_count_only_as_finer(whole: str, fraction: str) -> None:
    """A text cut to what matters is judged like the whole text, worked out here with exact fractions."""
    exact = Fraction(whole + fraction) * 1000
    low, high = exact.__floor__(), exact.__ceil__()
    judge = Judge(Requirement(min_mc=20_000, contact_ms=1, max_mc=21_000), {"temp_c": SensorTerms(u_mc=0)})
    judged = JudgedTexts(judge.of_rounded)[whole + fraction]
    assert judged is not None
    assert (judged.lowest_mc, judged.highest_mc) == (low, high)


def test_judged_texts_stay_few() -> None:
    """A sensor with ever new values does not fill the memory."""
    judge = Judge(REQUIREMENT, {"temp_c": TERMS})
    judged = JudgedTexts(judge.of_rounded)
    for mc in range(20_000):
        judged[f"{mc / 1000:.3f}"]
        assert len(judged) <= 16_384
