"""Quantities as people write them, to the integers that decide, and back to words. Nothing is ever rounded unseen."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache

_DECIMAL = re.compile(r"([+-]?)(\d{1,9})(?:\.(\d{1,30}))?", re.ASCII)
_DURATION = re.compile(r"(\d{1,9})(?:\.(\d{1,30}))?\s?(s|m|h)", re.ASCII)
_UNIT_MS = {"s": 1_000, "m": 60_000, "h": 3_600_000}


def millidegrees(text: str) -> tuple[int, int]:
    """Read a temperature in degrees Celsius.

    Args:
        text: Plain decimal number, such as "20", "-0.5" or "21.0625".

    Returns:
        Millidegrees, rounded down and rounded up; the same number twice where the text is no finer than that.

    Raises:
        ValueError: Not a plain decimal number.
    """
    match = _DECIMAL.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r} is not a plain decimal number of degrees Celsius, such as 20.5.")
    sign, whole, fraction = match[1], match[2], match[3] or ""
    low = int(whole) * 1000 + int((fraction + "000")[:3])
    high = low + (1 if fraction[3:].strip("0") else 0)
    return (-high, -low) if sign == "-" else (low, high)


def exact_millidegrees(text: str) -> int:
    """Read a temperature that may not be finer than a millidegree; `millidegrees` says more.

    Raises:
        ValueError: Not a plain decimal number, or finer than a millidegree.
    """
    low, high = millidegrees(text)
    if low != high:
        raise ValueError(f"{text!r} is finer than a thousandth of a degree. Write it with at most three decimals.")
    return low


def duration_ms(text: str) -> int:
    """Read a duration: a number and s, m or h, such as "12m" or "90s".

    Returns:
        Milliseconds.

    Raises:
        ValueError: No number, no unit, or finer than a millisecond.
    """
    match = _DURATION.fullmatch(text.strip())
    if not match:
        raise ValueError(f"{text!r} is not a duration. Write a number and s, m or h, such as 12m, 90s or 0.5h.")
    whole, fraction, unit = match[1], match[2] or "", match[3]
    scaled, rest = divmod(int(whole + fraction) * _UNIT_MS[unit], int("1" + "0" * len(fraction)))
    if rest:
        raise ValueError(f"{text!r} is finer than a millisecond. Write it in whole milliseconds.")
    return scaled


def in_words(ms: int) -> str:
    """A duration for people: "9 min 10 s", "41 s", "2 h 5 min".

    Fractions of a second are dropped, so that it never flatters; below one second the milliseconds are given.
    """
    if 0 < ms < 1000:
        return f"{ms} ms"
    seconds = ms // 1000
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    if minutes:
        return f"{minutes} min {seconds} s" if seconds else f"{minutes} min"
    return f"{seconds} s"


def exactly_in_words(ms: int) -> str:
    """A duration with all it has: "11 min 59.999 s", "1 h 10 s"."""
    minutes, rest_ms = divmod(ms, 60_000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{rest_ms // 1000}.{rest_ms % 1000:03d}".rstrip("0").rstrip(".")
    parts = [f"{hours} h"] * bool(hours) + [f"{minutes} min"] * bool(minutes) + [f"{seconds} s"] * bool(rest_ms)
    return " ".join(parts) or "0 s"


_RFC_3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d(?:\.\d+)?)([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


@lru_cache(maxsize=1_024)  # the clock of one message is asked for several times
def utc_ms(text: str) -> int:
    """Read an RFC 3339 time.

    Returns:
        Milliseconds since 1970 in UTC; finer fractions are dropped.

    Raises:
        ValueError: Not a date and time with an offset or Z, or a leap second, which this calendar does not have.
    """
    try:
        if len(text) == 24 and text[4] == text[7] == "-" and text[10] == "T" and text[19] == "." and text[23] == "Z":
            if text[11:13] != "24":  # the form on the wire, a third faster
                return (datetime.fromisoformat(text) - _EPOCH) // _MILLISECOND
            raise ValueError  # noqa: TRY301
        match = _RFC_3339.fullmatch(text)
        if not match or match[2].startswith("24"):
            raise ValueError  # noqa: TRY301 (one message for all)
        moment = datetime.fromisoformat(f"{match[1]}T{match[2]}{match[3].upper()}")
    except ValueError:
        example = "2026-03-02T09:14:07.250Z or 2026-03-02T10:14:07+01:00"
        raise ValueError(f"{text!r} is not a time such as {example}.") from None
    return (moment - _EPOCH) // _MILLISECOND


def utc_text(ms: int) -> str:
    """Milliseconds since 1970 as RFC 3339 in UTC with milliseconds."""
    return (_EPOCH + ms * _MILLISECOND).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def celsius(mc: int, *, up: bool = False) -> str:
    """A temperature for people with as many decimals as tell it from its neighbours: "20 °C", "19.93 °C".

    Args:
        mc: Millidegrees Celsius.
        up: Round up to the hundredth instead of down; down is the safe way against a minimum.
    """
    hundredths = -(-mc // 10) if up else mc // 10
    sign, size = ("-" if hundredths < 0 else ""), abs(hundredths)
    text = f"{sign}{size // 100}.{size % 100:02d}".rstrip("0").rstrip(".")
    return f"{text} °C"


def exact_celsius(mc: int) -> str:
    """A temperature for people, to the millidegree where it has any: "20 °C", "20.005 °C"."""
    sign, size = ("-" if mc < 0 else ""), abs(mc)
    text = f"{sign}{size // 1000}.{size % 1000:03d}".rstrip("0").rstrip(".")
    return f"{text} °C"


def tenths(mc: int, *, up: bool = False) -> str:
    """A temperature as a display shows it, in whole tenths: 21312 is "21.3"; rounded down, or up on request."""
    tenth = -(-mc // 100) if up else mc // 100
    return f"{'-' if tenth < 0 else ''}{abs(tenth) // 10}.{abs(tenth) % 10}"
