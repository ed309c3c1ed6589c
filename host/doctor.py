"""The doctor's page: what was looked at, what is wrong, what to do. What to look at is each part's own matter."""

from __future__ import annotations

import enum
from collections.abc import Iterable
from typing import NamedTuple

AS_ADMINISTRATOR = "Run `sudo soakledger doctor`."
"""What to do about what this user may not see."""


MANY_WAITING = 600
"""Readings in an outbox: ten minutes of one basin. More of them are told."""


class Mark(enum.StrEnum):
    """How something was found."""

    GOOD = "good"
    NOTE = "note"
    WRONG = "wrong"
    UNKNOWN = "not seen"


class Found(NamedTuple):
    """One thing that was looked at.

    Attributes:
        what: The thing, in a few words: "clock", "sensor 28-0000072c1a5f of basin b1".
        mark: How it was found.
        said: What was found, one sentence; for what is wrong also what it means here.
        todo: What to do next; empty where nothing is.
    """

    what: str
    mark: Mark
    said: str
    todo: str = ""


def page(title: str, found: Iterable[Found]) -> str:
    """All of it as one page of text: what is wrong first, then what could not be looked at, then the rest."""
    order = (Mark.WRONG, Mark.UNKNOWN, Mark.NOTE, Mark.GOOD)
    rows = sorted(found, key=lambda each: order.index(each.mark))
    lines = [title, ""]
    for each in rows:
        lines.append(f"{each.mark.value.upper():<9} {each.what}: {each.said}")
        if each.todo:
            lines.append(f"{'':<9} -> {each.todo}")
    wrong = sum(each.mark is Mark.WRONG for each in rows)
    unseen = sum(each.mark is Mark.UNKNOWN for each in rows)
    lines += ["", f"{len(rows)} looked at: {wrong} wrong, {unseen} not seen."]
    return "\n".join(lines)


def exit_code(found: Iterable[Found]) -> int:
    """0: nothing is wrong and everything was seen. 1: something is wrong. 2: something could not be looked at."""
    marks = {each.mark for each in found}
    return 1 if Mark.WRONG in marks else 2 if Mark.UNKNOWN in marks else 0
