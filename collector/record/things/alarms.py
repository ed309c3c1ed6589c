"""Alarms: what needed somebody, who saw it, what became of it."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from collector.record.things.base import Thing
from soak.alarms import Priority


class Seen(msgspec.Struct, frozen=True, omit_defaults=True):
    """Somebody has seen an alarm.

    Attributes:
        by: Who.
        at_ms: When.
        done: What they did, in their words.
    """

    by: str
    at_ms: int
    done: str = ""


class Alarm(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """One alarm, from its raising to its end.

    Attributes:
        code: One of `soak.alarms.KINDS`.
        priority: How urgent it is; it may have risen since it was raised.
        about: What it is about: a basin as "node/name", a closure as "stream:first", "F3", a node, "site". Of one code
            at most one alarm about the same thing stands.
        basin: The basin, where there is one, as "node/name".
        text: What happened, with figures.
        evidence: What it rests on, by name: "closure" ("stream:first"), "load", "fill", "turn", "record" (a number), …
        cause_ms: When its cause began, milliseconds since 1970; by the readings' own clock where it is in them.
        raised_ms: When it was raised.
        late: Its cause was long over when it was raised: readings came late, or the collector was away.
        risen_ms: When it became more urgent because nobody acted.
        told: How many people of the list have been told.
        told_ms: When the last of them was.
        seen: By whom; the first counts.
        silenced_until_ms: Its sound is off until then; its light and its place in the list stay.
        cleared_ms: When its cause was over.
        ended_ms: When it no longer stood: cleared, and seen where it lasts until then.
    """

    KIND: ClassVar[str] = "alarm"
    PREFIX: ClassVar[str] = "AL"
    code: str
    priority: Priority
    about: str
    basin: str = ""
    text: str
    evidence: dict[str, str] = msgspec.field(default_factory=dict)
    cause_ms: int
    raised_ms: int
    late: bool = False
    risen_ms: int | None = None
    told: int = 0
    told_ms: int | None = None
    seen: Seen | None = None
    silenced_until_ms: int | None = None
    cleared_ms: int | None = None
    ended_ms: int | None = None

    def group(self) -> str:
        """By what it is about."""
        return self.about

    def when_ms(self) -> int:
        """By its raising."""
        return self.raised_ms

    def open(self) -> bool:
        """It stands."""
        return self.ended_ms is None

    def silenced(self, at_ms: int) -> bool:
        """Its sound is off at this moment."""
        return self.silenced_until_ms is not None and at_ms < self.silenced_until_ms
