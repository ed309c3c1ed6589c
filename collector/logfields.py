"""The fields of a logger's file: each is read in one way only, or refused with what would be right.

Times are read a column at a time: one pattern over all of it, then conversion in C. A column that holds anything else
is read field by field; both ways give the same numbers.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

from collector.logtext import shown
from soak.quantity import millidegrees, utc_ms
from soak.reading import HIGHEST_MC, LOWEST_MC
from soak.requirement import Judged

LIDS = {"open": False, "closed": True}
"""The words of the lid column: whether it is closed."""

Judging = Callable[[Sequence[int], Sequence[int]], Judged]
"""From the temperatures of one line, rounded down and rounded up, in millidegrees, to what they are worth."""

_MOST_JUDGED = 16_384  # distinct temperatures kept judged: some megabytes
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)

_SECONDS = re.compile(r"([+-]?)(\d{1,12})(?:\.(\d+))?", re.ASCII)
_MILLISECONDS_COLUMN = re.compile(r"(?:\d{1,12}\.\d{3}\n)*+", re.ASCII)
_SECONDS_COLUMN = re.compile(r"(?:\d{1,12}(?:\.\d{1,3}0*)?\n)*+", re.ASCII)
_MINUTE = r"\d{4}-\d\d-\d\d[T ](?:[01]\d|2[0-3]):[0-5]\d"
_OFFSET = r"(?:Z|[+-](?:[01]\d|2[0-3]):[0-5]\d)"
_MOMENT = re.compile(rf"{_MINUTE}:\d\d(?:\.(\d+))?{_OFFSET}", re.ASCII)
_MOMENT_COLUMN = re.compile(rf"(?:{_MINUTE}:\d\d(?:\.\d{{1,3}}0*)?{_OFFSET}\n)*+", re.ASCII)
_NUMBER_COLUMN = re.compile(r"(?:[1-9]\d{0,14}\n)*+", re.ASCII)
_NUMBER = re.compile(r"[1-9]\d{0,14}", re.ASCII)


def seconds_ms(text: str) -> int:
    """Milliseconds of a field of `time_s`.

    Raises:
        ValueError: No plain decimal number of at most twelve digits before the point, or finer than a millisecond.
    """
    match = _SECONDS.fullmatch(text)
    if not match:
        raise ValueError(f"time_s is {shown(text)}. Write seconds as a plain decimal number, such as 12.5.")
    sign, whole, fraction = match[1], match[2], match[3] or ""
    _not_finer("time_s", text, fraction)
    return int(sign + whole + (fraction + "000")[:3])


def moment_ms(text: str) -> int:
    """Milliseconds since 1970 of a field of `time`.

    Raises:
        ValueError: Not RFC 3339, no such date, or finer than a millisecond.
    """
    match = _MOMENT.fullmatch(text.upper())
    try:
        ms = utc_ms(text.upper()) if match else None
    except ValueError:
        ms = None
    if match is None or ms is None:
        raise ValueError(
            f"time is {shown(text)}. Write date, time and offset (RFC 3339), such as 2026-03-02T09:14:07.250Z."
        )
    _not_finer("time", text, match[1] or "")
    return ms


def _not_finer(name: str, text: str, fraction: str) -> None:
    if fraction[3:].strip("0"):
        raise ValueError(f"{name} is {shown(text)}, finer than a millisecond. Write at most three decimals.")


def all_seconds_ms(texts: Sequence[str]) -> list[int]:
    """`seconds_ms` of a column."""
    joined = "\n".join(texts)
    if _MILLISECONDS_COLUMN.fullmatch(joined + "\n"):
        return list(map(int, joined.replace(".", "").split("\n")))
    if not _SECONDS_COLUMN.fullmatch(joined + "\n"):
        return [seconds_ms(text) for text in texts]
    # Exact: of at most 15 digits of milliseconds a float and its product by 1000 are wrong by less than a fifth of one.
    return [int(seconds * 1000 + 0.5) for seconds in map(float, texts)]


def all_moments_ms(texts: Sequence[str]) -> list[int]:
    """`moment_ms` of a column."""
    if not _MOMENT_COLUMN.fullmatch("\n".join(texts) + "\n"):
        return [moment_ms(text) for text in texts]
    return [(moment - _EPOCH) // _MILLISECOND for moment in map(datetime.fromisoformat, texts)]


TIMES = {"time_s": (seconds_ms, all_seconds_ms), "time": (moment_ms, all_moments_ms)}
"""Time columns: how one field, and how a whole column, is read."""


def reading_number(text: str) -> int:
    """A field of `number`.

    Raises:
        ValueError: Not a whole number from 1 on.
    """
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"number is {shown(text)}. Write whole numbers from 1 on.")
    return int(text)


def all_reading_numbers(texts: Sequence[str]) -> list[int]:
    """`reading_number` of a column."""
    if not _NUMBER_COLUMN.fullmatch("\n".join(texts) + "\n"):
        return [reading_number(text) for text in texts]
    return list(map(int, texts))


def temperature_mc(text: str) -> tuple[int, int] | None:
    """A field of a temperature column.

    Returns:
        Millidegrees, rounded down and rounded up; None where the field is blank.

    Raises:
        ValueError: Not a plain decimal number, or outside what a sensor can measure.
    """
    if not text.strip():
        return None
    try:
        low, high = millidegrees(text)
    except ValueError:
        right = "a point for the decimal comma" if "," in text else "a plain decimal number, such as 20.5, or nothing"
        raise ValueError(f"{shown(text)} is no temperature. Write {right}.") from None
    if low < LOWEST_MC or high > HIGHEST_MC:
        limits = f"{LOWEST_MC // 1000} to {HIGHEST_MC // 1000} °C"
        raise ValueError(
            f"{shown(text)} is outside what the sensor can measure, {limits}. Leave a failed reading blank."
        )
    return low, high


class JudgedTexts(dict[str | tuple[str, ...], Judged | None]):
    """What temperatures are worth, by their text: a sensor has few values, so each is worked out once.

    Look up the text of one temperature, or a tuple of several: the result, None where one is blank. It forgets
    everything when it is full.

    Args:
        judging: Works out one.
    """

    def __init__(self, judging: Judging) -> None:
        super().__init__()
        self._judging = judging

    def __missing__(self, texts: str | tuple[str, ...]) -> Judged | None:
        short = _shortened(texts) if isinstance(texts, str) else tuple(map(_shortened, texts))
        if short != texts:
            return self[short]
        bounds = [temperature_mc(text) for text in ((texts,) if isinstance(texts, str) else texts)]
        known = [each for each in bounds if each is not None]
        complete = len(known) == len(bounds)
        judged = self._judging([low for low, _ in known], [high for _, high in known]) if complete else None
        if len(self) >= _MOST_JUDGED:
            self.clear()
        self[texts] = judged
        return judged


def _shortened(text: str) -> str:
    """The same for `temperature_mc`: of the decimals after the third it only matters whether all are zero."""
    cut = text.find(".") + 4
    rest = text[cut:]
    if cut < 4 or not 2 <= len(rest) <= 27 or not (rest.isascii() and rest.isdigit()):
        return text
    return text[:cut] + ("1" if rest.strip("0") else "0")
