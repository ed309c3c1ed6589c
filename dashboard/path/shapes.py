"""What the start page is made of."""

from __future__ import annotations

import enum
from typing import NamedTuple

from collector.record.errors import RefusedError


class State(enum.StrEnum):
    """How far a line of the sheet is."""

    DONE = "done"
    NEXT = "next"
    OPEN = "open"
    STOP = "stop"


class Line(NamedTuple):
    """One line of the sheet: what it asks for, what stands in it, each with something in small letters."""

    word: str
    entries: tuple[tuple[str, str], ...]
    state: State


class Declared(NamedTuple):
    """Steps that the basin's scan declares for one device."""

    device: str
    steps: tuple[str, ...]


class Link(NamedTuple):
    """Where to go on."""

    address: str
    word: str


class Shown(NamedTuple):
    """The page.

    Attributes:
        sentence: What to do next: the largest thing on the page.
        detail: Where, with what, or why.
        lines: Badge, devices, basin, lid.
        declared: What the basin's scan declares, in the name of who is signed in.
        links: Where to go on.
        dropped: Why something that was held is not held any more.
        devices: What is still held.
        watch: The page has something to wait for.
        mood: "next", "wait", "stop" or "done", for the eye.
    """

    sentence: str
    detail: str
    lines: tuple[Line, ...]
    declared: tuple[Declared, ...] = ()
    links: tuple[Link, ...] = ()
    dropped: tuple[RefusedError, ...] = ()
    devices: tuple[str, ...] = ()
    watch: bool = False
    mood: str = "next"
