"""What the invented staff declare, as plain data; and what they know while they plan it. Pure.

Numbers that the record gives (F3, M12, …) are not known beforehand: a declaration names what it makes, and later ones
refer to that name with an "@" before it. Whoever sends them puts the numbers in.
"""

from __future__ import annotations

from random import Random
from typing import Any

import msgspec

from firmware.simulator.script import Act, Mistake, Planned, Script


class Item(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One declaration.

    Attributes:
        at_ms: When, milliseconds since 1970.
        deed: Its name.
        fields: What is said.
        who: By whom.
        makes: Name of what it makes; its first letter is what the record's own number begins with.
        may: Rules that may refuse it: a mistake that is part of the play, or a way that is tried first.
        between: Its time lies before what was played last: people saw an alarm, which is on record only since.
    """

    at_ms: int
    deed: str
    who: str
    fields: dict[str, Any] = {}
    makes: str = ""
    may: tuple[str, ...] = ()
    between: bool = False


class Occasion(msgspec.Struct, frozen=True):
    """One load of a basin, as the simulator plays it: what happens around it and when, milliseconds since 1970.

    Attributes:
        basin: "node/name".
        lifted_ms: The lid is lifted.
        in_ms: The load goes in.
        closed_ms: The lid closes over it; where a device was added, after that.
        opened_ms: It opens.
        out_ms: The load is taken out.
        checked_ms: The lid was lifted for a test strip; None if not.
        mistakes: What goes wrong.
        closure: "stream:first", where it is known beforehand.
        reopened_ms: The lid is lifted to add a device; None if none is.
        added_ms: That device goes in.
    """

    basin: str
    lifted_ms: int
    in_ms: int
    closed_ms: int
    opened_ms: int
    out_ms: int
    checked_ms: int | None = None
    mistakes: tuple[Mistake, ...] = ()
    closure: str = ""
    reopened_ms: int | None = None
    added_ms: int = 0

    @property
    def node(self) -> str:
        """The room it stands in has a node of its own."""
        return self.basin.partition("/")[0]


_CHECK_BEFORE_MS = 5 * 60_000


def occasions(basin: str, script: Script) -> list[Occasion]:
    """The loads of a script."""
    found = []
    steps = script.steps
    places = {step.at_ms: number for number, step in enumerate(steps) if step.act is Act.CLOSE}
    first: Planned | None = None
    for load in script.loads:
        if Mistake.DEVICE_ADDED in load.mistakes:
            first = load
            continue
        began, ended = places.get((first or load).closed_ms), places.get(load.closed_ms)
        if began is None or ended is None:
            continue
        lifted = max(number for number in range(began) if steps[number].act is Act.OPEN)
        before = [step for step in steps[max(0, lifted - 2) : lifted] if step.act is Act.OPEN]
        checked = [step.at_ms for step in before if steps[lifted].at_ms - step.at_ms < _CHECK_BEFORE_MS]
        added = [step.at_ms for step in steps[began:ended] if step.act is Act.ADD]
        found.append(
            Occasion(
                basin,
                steps[lifted].at_ms,
                next(step.at_ms for step in steps[lifted:began] if step.act is Act.LOAD_IN),
                load.closed_ms,
                load.opened_ms,
                next(step.at_ms for step in steps[ended:] if step.act is Act.LOAD_OUT),
                checked[0] if checked else None,
                load.mistakes,
                reopened_ms=first.opened_ms if first else None,
                added_ms=added[0] if added else 0,
            )
        )
        first = None
    return found


class Tool(msgspec.Struct):
    """A device as the staff know it.

    Attributes:
        free_ms: Nobody works with it from then on.
        begun: It has had a round before.
        released: Released and not used since.
        held: Why it is in quarantine; empty if it is not.
    """

    free_ms: int = 0
    begun: bool = False
    released: bool = False
    held: str = ""


class Pour(msgspec.Struct):
    """The fill in a basin as the staff know it.

    Attributes:
        name: What later declarations call it.
        poured_ms: When it was poured.
        volume_ml: How much.
    """

    name: str
    poured_ms: int
    volume_ml: int


class Container(msgspec.Struct):
    """A bottle of solution as the staff know it."""

    name: str
    left_ml: int


class Strips(msgspec.Struct):
    """The open bottle of test strips of one solution."""

    name: str
    left: int


class Ward(msgspec.Struct):
    """All that the staff know; kept in a file, so that a rehearsal can go on.

    Attributes:
        seed: The clinic's.
        devices: By asset number.
        fills: By basin.
        bottles: By profile, in the order in which they are used.
        strips: By profile.
        numbers: The record's own numbers by the names that declarations gave.
        counts: How many of a kind the record has, by the letter of their numbers.
        named: How many names were given, by letter.
        encounters: How many encounters there have been.
    """

    seed: int
    devices: dict[str, Tool] = {}
    fills: dict[str, Pour] = {}
    bottles: dict[str, list[Container]] = {}
    strips: dict[str, Strips] = {}
    numbers: dict[str, str] = {}
    counts: dict[str, int] = {}
    named: dict[str, int] = {}
    encounters: int = 0

    def name(self, letter: str) -> str:
        """A new name for what a declaration makes."""
        self.named[letter] = self.named.get(letter, 0) + 1
        return f"{letter}#{self.named[letter]}"

    def encounter(self) -> str:
        """The opaque reference of another encounter."""
        self.encounters += 1
        return f"ENC-{20_000 + self.encounters}"

    def dice(self, *words: object) -> Random:
        """Chance of its own for each occasion, whatever else was planned."""
        return Random("/".join(map(str, (self.seed, "staff", *words))))  # noqa: S311 - a play, not a secret


def resolved(fields: Any, numbers: dict[str, str]) -> Any:
    """Fields with the record's own numbers in them.

    Raises:
        KeyError: A name stands for nothing yet.
    """
    if isinstance(fields, str):
        return numbers[fields[1:]] if fields.startswith("@") else fields
    if isinstance(fields, dict):
        return {key: resolved(each, numbers) for key, each in fields.items()}
    if isinstance(fields, list | tuple):
        return [resolved(each, numbers) for each in fields]
    return fields
