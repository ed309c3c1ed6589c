"""Something that is so and needs somebody: what the rules find and the keeper raises."""

from __future__ import annotations

from typing import NamedTuple

import msgspec


class Key(NamedTuple):
    """Of one code at most one alarm about the same thing stands.

    Attributes:
        code: One of `soak.alarms.KINDS`.
        about: A basin as "node/name", a closure as "stream:first", a fill, a node, "site".
    """

    code: str
    about: str


class Held(msgspec.Struct, frozen=True):
    """One such thing.

    Attributes:
        key: What it is, and about what.
        text: What happened, with figures.
        cause_ms: Since when, milliseconds since 1970.
        basin: The basin, where there is one, as "node/name".
        evidence: What it rests on, by name.
    """

    key: Key
    text: str
    cause_ms: int
    basin: str = ""
    evidence: dict[str, str] = {}


class Happened(NamedTuple):
    """Something that happened and is over, or that lasts until somebody has seen it.

    Attributes:
        held: What.
        until_ms: When it was over; None where it is over only once somebody has seen it.
    """

    held: Held
    until_ms: int | None = None
