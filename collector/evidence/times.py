"""Times as a paper prints them: the site's local time, to the second, with the offset from UTC wherever it matters."""

from __future__ import annotations

import datetime


class Times:
    """Times beside one moment: what lies on its day is printed short.

    Args:
        zone: The site's local time.
        about_ms: The moment, milliseconds since 1970.
    """

    def __init__(self, zone: datetime.tzinfo, about_ms: int) -> None:
        self._zone = zone
        self._about = self.local(about_ms)

    def local(self, ms: int) -> datetime.datetime:
        """Milliseconds since 1970 as local date and time; fractions of a second are dropped."""
        return datetime.datetime.fromtimestamp(ms // 1000, self._zone)

    def full(self, ms: int) -> str:
        """With date and offset: "2026-03-03 13:18:05 +01:00"."""
        moment = self.local(ms)
        return f"{moment:%Y-%m-%d %H:%M:%S} {offset(moment)}"

    def near(self, ms: int) -> str:
        """Time of day; with the date where it is another one, and the offset where that is another one."""
        moment = self.local(ms)
        day = "" if moment.date() == self._about.date() else f"{moment:%Y-%m-%d} "
        other = "" if moment.utcoffset() == self._about.utcoffset() else f" {offset(moment)}"
        return f"{day}{moment:%H:%M:%S}{other}"

    def day(self, ms: int) -> str:
        """The date alone."""
        return f"{self.local(ms):%Y-%m-%d}"

    def rule(self) -> str:
        """How to read the short ones."""
        return f"Times without a date are of {self._about:%Y-%m-%d}; without an offset, of UTC{offset(self._about)}."


def offset(moment: datetime.datetime) -> str:
    """Local time minus UTC: "+01:00"."""
    text = f"{moment:%z}" or "+0000"
    return f"{text[:3]}:{text[3:5]}"
