"""Quantities to integers and back to words. Checked against Python's own decimal arithmetic and calendar."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soak.quantity import celsius, duration_ms, exact_millidegrees, in_words, millidegrees, utc_ms, utc_text

decimals = st.builds(
    lambda sign, whole, fraction: f"{sign}{whole}" + (f".{fraction}" if fraction else ""),
    st.sampled_from(["", "-", "+"]),
    st.integers(0, 9_999),
    st.text("0123456789", max_size=7),
)


@given(decimals)
def test_a_temperature_is_rounded_down_and_up_as_decimal_arithmetic_does(text: str) -> None:
    exact = Decimal(text) * 1000
    low, high = exact.to_integral_value(ROUND_FLOOR), exact.to_integral_value(ROUND_CEILING)
    assert millidegrees(text) == (int(low), int(high))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("20", (20_000, 20_000)),
        ("20.000", (20_000, 20_000)),
        ("20.0000000", (20_000, 20_000)),
        ("19.9999", (19_999, 20_000)),
        ("20.0001", (20_000, 20_001)),
        ("-0.0001", (-1, 0)),
        ("-0.5", (-500, -500)),
        ("+21.0625", (21_062, 21_063)),
        ("-21.0625", (-21_063, -21_062)),
    ],
)
def test_a_temperature_finer_than_a_millidegree_has_two_neighbours(text: str, expected: tuple[int, int]) -> None:
    assert millidegrees(text) == expected


NO_NUMBERS = [
    "",
    " 20",
    "20 ",
    "20\n",
    "20,5",
    ".5",
    "20.",
    "-",
    "--1",
    "1e3",
    "0x14",
    "1_000",
    "nan",
    "inf",
    "-Infinity",
]
NO_NUMBERS += ["٢٠", "−5", "20 °C", "20.5.1", "1" * 10, "1." + "0" * 31]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_not_a_plain_decimal_number_is_refused(text: str) -> None:
    expected = f"{text!r} is not a plain decimal number of degrees Celsius, such as 20.5."
    for read in (millidegrees, exact_millidegrees):
        with pytest.raises(ValueError, match=f"^{re.escape(expected)}$"):
            read(text)


def test_an_exact_temperature_may_not_be_finer_than_a_millidegree() -> None:
    assert exact_millidegrees("20.123") == 20_123
    assert exact_millidegrees("20.1230") == 20_123
    expected = "'20.1234' is finer than a thousandth of a degree. Write it with at most three decimals."
    with pytest.raises(ValueError, match=f"^{re.escape(expected)}$"):
        exact_millidegrees("20.1234")


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("12m", 720_000),
        ("90s", 90_000),
        ("0.5h", 1_800_000),
        ("0.001s", 1),
        ("0.0100s", 10),
        ("1.5 s", 1_500),
        (" 5s ", 5_000),
        ("0s", 0),
        ("0.00001h", 36),
        ("999999999h", 999_999_999 * 3_600_000),
    ],
)
def test_durations(text: str, ms: int) -> None:
    assert duration_ms(text) == ms


@given(st.integers(0, 99_999), st.text("0123456789", max_size=6), st.sampled_from("smh"))
def test_a_duration_is_exact_or_refused(whole: int, fraction: str, unit: str) -> None:
    text = f"{whole}.{fraction}{unit}" if fraction else f"{whole}{unit}"
    exact = Decimal(text[:-1]) * {"s": 1_000, "m": 60_000, "h": 3_600_000}[unit]
    if exact == int(exact):
        assert duration_ms(text) == exact
    else:
        expected = f"{text!r} is finer than a millisecond. Write it in whole milliseconds."
        with pytest.raises(ValueError, match=f"^{re.escape(expected)}$"):
            duration_ms(text)


@pytest.mark.parametrize(
    "text",
    ["", "12", "m", "12 min", "12min", "1h30m", "-1s", "1e3s", "12M", "5ms", "1,5m", "٣s", "nan s", "1  s", "infs"],
)
def test_what_is_not_a_duration_is_refused(text: str) -> None:
    expected = f"{text!r} is not a duration. Write a number and s, m or h, such as 12m, 90s or 0.5h."
    with pytest.raises(ValueError, match=f"^{re.escape(expected)}$"):
        duration_ms(text)


@pytest.mark.parametrize(
    ("ms", "words"),
    [
        (0, "0 s"),
        (1, "1 ms"),
        (999, "999 ms"),
        (1_000, "1 s"),
        (41_999, "41 s"),
        (59_999, "59 s"),
        (60_000, "1 min"),
        (550_000, "9 min 10 s"),
        (719_999, "11 min 59 s"),
        (720_000, "12 min"),
        (3_599_999, "59 min 59 s"),
        (3_600_000, "1 h"),
        (7_500_000, "2 h 5 min"),
        (90_061_000, "25 h 1 min"),
    ],
)
def test_durations_for_people_never_flatter(ms: int, words: str) -> None:
    """A fraction of a second is dropped: a soak one millisecond short reads 11 min 59 s, not 12 min."""
    assert in_words(ms) == words


_UNITS_MS = {"h": 3_600_000, "min": 60_000, "s": 1_000, "ms": 1}


@given(st.integers(0, 400 * 3_600_000))
def test_durations_for_people_say_no_more_than_there_was(ms: int) -> None:
    parts = in_words(ms).split(" ")
    said_ms = sum(int(size) * _UNITS_MS[unit] for size, unit in zip(parts[::2], parts[1::2], strict=True))
    assert ms - 60_000 < said_ms <= ms
    if ms < 3_600_000:
        assert ms - 1_000 < said_ms


@pytest.mark.parametrize(
    ("mc", "down", "up"),
    [
        (20_000, "20 °C", "20 °C"),
        (19_999, "19.99 °C", "20 °C"),
        (20_001, "20 °C", "20.01 °C"),
        (19_930, "19.93 °C", "19.93 °C"),
        (20_500, "20.5 °C", "20.5 °C"),
        (0, "0 °C", "0 °C"),
        (-1, "-0.01 °C", "0 °C"),
        (-500, "-0.5 °C", "-0.5 °C"),
        (-55_000, "-55 °C", "-55 °C"),
        (100_000, "100 °C", "100 °C"),
    ],
)
def test_temperatures_for_people(mc: int, down: str, up: str) -> None:
    assert celsius(mc) == down
    assert celsius(mc, up=True) == up


@given(st.integers(-55_000, 125_000))
def test_a_temperature_for_people_is_off_by_less_than_a_hundredth_and_to_the_side_asked_for(mc: int) -> None:
    down = Decimal(celsius(mc).removesuffix(" °C")) * 1000
    up = Decimal(celsius(mc, up=True).removesuffix(" °C")) * 1000
    assert mc - 10 < down <= mc <= up < mc + 10


# RFC 3339, section 5.8, the examples that are no leap seconds, as printed there with what they are in UTC.
@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
        ("2026-03-02T09:14:07.250Z", "2026-03-02T09:14:07.250Z"),
        ("2026-03-02T09:14:07.2509Z", "2026-03-02T09:14:07.250Z"),
        ("1969-12-31T23:59:59.999Z", "1969-12-31T23:59:59.999Z"),
    ],
)
def test_rfc_3339_times(text: str, utc: str) -> None:
    assert utc_text(utc_ms(text)) == utc


def test_t_and_z_may_be_lower_case() -> None:
    """RFC 3339, section 5.6, note."""
    assert utc_ms("1985-04-12t23:20:50.52z") == utc_ms("1985-04-12T23:20:50.52Z")


# The first three break RFC 3339's calendar rules (5.7); the others are at best ISO 8601, but not RFC 3339 (5.6).
@pytest.mark.parametrize(
    "text",
    [
        "1985-04-31T00:00:00Z",
        "2100-02-29T00:00:00Z",
        "1990-12-31T24:00:00Z",
        "2026-03-02",
        "2026-03-02T09:14:07",
        "2026-W10-1T00:00:00Z",
        "20260302T091407Z",
        "2026-03-02T09Z",
        "2026-03-02T09:14Z",
        "2026-03-02T09:14:07,250Z",
        "2026-03-02T09:14:07+02",
        "2026-03-02T09:14:07+02:00:30",
        "2026-03-02x09:14:07Z",
        "2026-03-02T09:14:07Z\n",
        "٢٠٢٦-03-02T09:14:07Z",
        "",
        "now",
    ],
)
def test_what_is_not_an_rfc_3339_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=re.escape(repr(text))):
        utc_ms(text)


@given(st.integers(utc_ms("0001-01-01T00:00:00Z"), utc_ms("9999-12-31T23:59:59.999Z")))
def test_times_survive_being_written_and_read(ms: int) -> None:
    text = utc_text(ms)
    assert len(text) == len("2026-03-02T09:14:07.250Z")
    assert utc_ms(text) == ms
    assert datetime.fromisoformat(text) == datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
