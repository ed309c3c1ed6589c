"""The things that the record is about. Each is one frozen document; only deeds change it.

Times are milliseconds since 1970 (`…_ms`), dates are ISO text ("2026-11-25") in the site's local time, temperatures
millidegrees Celsius (`…_mc`), volumes millilitres (`…_ml`). People are named by their id.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

import msgspec

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Note = Annotated[str, msgspec.Meta(max_length=1_000)]
Date = Annotated[str, msgspec.Meta(pattern=r"^\d{4}-\d{2}-\d{2}$", max_length=10)]
Id = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$(?!\n)", max_length=64)]
BasinKey = Annotated[str, msgspec.Meta(pattern=r"^[a-z0-9-]{1,40}/[a-z0-9-]{1,40}$", max_length=81)]
"""A basin as "node/name"."""

Count = Annotated[int, msgspec.Meta(ge=0, le=1_000)]
Days = Annotated[int, msgspec.Meta(ge=0, le=3_660)]
Millis = Annotated[int, msgspec.Meta(ge=0, le=400 * 24 * 3_600_000)]
Millilitres = Annotated[int, msgspec.Meta(ge=0, le=1_000_000)]


class Thing(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A document of the record.

    Attributes:
        id: Its name among its kind.
    """

    KIND: ClassVar[str]
    PREFIX: ClassVar[str] = ""
    """Of ids that the program gives, e.g. "F" for fills: F1, F2, …"""

    id: str

    def group(self) -> str:
        """What its kind is looked up by: a fill by its basin, a MEC test by its fill."""
        return ""

    def when_ms(self) -> int:
        """Where it stands in time among its kind."""
        return 0

    def open(self) -> bool:
        """Whether it still needs somebody; lists of what is current show only these."""
        return True


class Attested(msgspec.Struct, frozen=True, omit_defaults=True):
    """Somebody says that they did something.

    Attributes:
        by: Who.
        at_ms: When.
        note: In their words.
        recorded_ms: When they said so, if later than when they did it.
    """

    by: str
    at_ms: int
    note: str = ""
    recorded_ms: int | None = None

    @property
    def on_record_ms(self) -> int:
        """Since when the record has it."""
        return self.at_ms if self.recorded_ms is None else max(self.at_ms, self.recorded_ms)
