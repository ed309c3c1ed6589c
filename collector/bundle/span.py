"""The range of a bundle, as people write it."""

from __future__ import annotations

import datetime
import re
from typing import NamedTuple

from collector.errors import CollectorError
from soak.quantity import utc_ms, utc_text

_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


class BadSpanError(CollectorError, ValueError):
    """A range that cannot be used."""

    exit_code = 2


class Span(NamedTuple):
    """From `from_ms` (included) to `to_ms` (not included), milliseconds since 1970."""

    from_ms: int
    to_ms: int

    def words(self) -> str:
        """For people, in UTC."""
        return f"{utc_text(self.from_ms)} to {utc_text(self.to_ms)}"


def span_of(begin: str, end: str, zone: datetime.tzinfo) -> Span:
    """Read a range.

    Args:
        begin: A day at the site ("2026-03-02": from its beginning), or a moment with its offset (RFC 3339).
        end: A day (to its end, so that the same day twice is that day), or a moment.
        zone: The site's local time.

    Raises:
        BadSpanError: No such day or moment, or the end is not after the beginning.
    """
    found = Span(_moment_ms(begin, zone, 0), _moment_ms(end, zone, 1))
    if found.to_ms <= found.from_ms:
        raise BadSpanError(f"The range ends ({end}) before it begins ({begin}). Give the earlier one as --from.")
    return found


def _moment_ms(text: str, zone: datetime.tzinfo, days_later: int) -> int:
    try:
        if not _DAY.fullmatch(text):
            return utc_ms(text)
        day = datetime.date.fromisoformat(text) + datetime.timedelta(days=days_later)
        return int(datetime.datetime.combine(day, datetime.time(), zone).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise BadSpanError(
            f"{text[:60]!r} is no day such as 2026-03-02 and no moment such as 2026-03-02T10:00:00+01:00. "
            "Write one of them."
        ) from None
