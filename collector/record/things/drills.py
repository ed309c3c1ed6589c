"""Drills: a test of every route, each day."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from collector.record.things.base import Thing


class Reached(msgspec.Struct, frozen=True, omit_defaults=True):
    """How far a drill came on one route.

    Attributes:
        ok: The route's server took it, which is not: the person saw it. None while nobody knows.
        detail: For people.
        at_ms: When this was known.
        over: No further try follows.
    """

    ok: bool | None = None
    detail: str = ""
    at_ms: int | None = None
    over: bool = False


class Confirmed(msgspec.Struct, frozen=True):
    """Somebody says that the drill has arrived.

    Attributes:
        by: Who.
        at_ms: When.
    """

    by: str
    at_ms: int


class Drill(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """One day's test of all routes; its id is the date.

    Attributes:
        began_ms: When it was sent, milliseconds since 1970.
        told: By person of the list and route, how far it came.
        confirmed: By person of the list, that they got it. Only this says that it arrived.
    """

    KIND: ClassVar[str] = "drill"
    began_ms: int
    told: dict[str, dict[str, Reached]]
    confirmed: dict[str, Confirmed] = msgspec.field(default_factory=dict)

    def when_ms(self) -> int:
        """By its beginning."""
        return self.began_ms

    def open(self) -> bool:
        """Somebody has not confirmed it."""
        return not self.told.keys() <= self.confirmed.keys()
