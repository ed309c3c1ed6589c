"""What was done about soaks that failed, as far as the record has it. Pure. No text that names a person is shown."""

from __future__ import annotations

import enum
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from collector.counting.soaks import Round, Sorted, Watched
from collector.record.things import Stage

_SHORTEST_NAME = 2
_WORD = re.compile(r"\w+")
_UNSPACED = re.compile("[\u0e00-\u0eff\u1000-\u109f\u1780-\u17ff\u2e80-\U0003ffff]")
"""Letters of languages that put no space between words."""


class Became(enum.StrEnum):
    """What became of a device after a soak that failed."""

    MET_LATER = "met in a later closure of its load"
    QUARANTINED = "in quarantine"
    UNRELEASED = "used without release"
    AGAIN = "begun again"
    OPEN = "not settled yet"


class Action(NamedTuple):
    """What the record says was done.

    Attributes:
        became: How many devices, by what became of them.
        texts: What people wrote, each once; without those that name a person.
        withheld: How many texts name a person: they stand on the soak's own page.
    """

    became: dict[Became, int]
    texts: list[str]
    withheld: int

    @property
    def on_record(self) -> bool:
        """The record says something of what was done."""
        settled = sum(count for each, count in self.became.items() if each is not Became.OPEN)
        return bool(settled or self.texts or self.withheld)


def action(
    failed: Sorted,
    rounds: Mapping[str, Round],
    met_in: Mapping[str, Watched],
    said: Iterable[str],
    names: frozenset[str],
) -> Action:
    """What was done about one soak.

    Args:
        failed: The soak.
        rounds: Rounds by id.
        met_in: The closure in which each round first met.
        said: What people wrote: on alarms about it, and on the closure.
        names: Words by which people are called, as `words_of_names` gives them.
    """
    inside = [rounds[each] for each in failed.rounds]
    became = Counter(became_of(each, met_in) for each in inside)
    orders = [each.quarantine.next_action for each in inside if each.quarantine]
    texts = [each for each in dict.fromkeys(text.strip() for text in (*said, *orders)) if each]
    shown = [each for each in texts if not names_somebody(each, names)]
    return Action({each: became[each] for each in Became if became[each]}, shown, len(texts) - len(shown))


def became_of(each: Round, met_in: Mapping[str, Watched]) -> Became:
    """What became of one device after a soak that failed."""
    if each.unreleased_use:
        return Became.UNRELEASED
    if each.quarantine is not None:
        return Became.QUARANTINED
    if each.id in met_in:
        return Became.MET_LATER
    return Became.AGAIN if each.stage is Stage.ENDED else Became.OPEN


def words_of_names(people: Iterable[tuple[str, str]]) -> frozenset[str]:
    """The words by which people may be called, from their ids and names; single letters only as a whole id."""
    found = set()
    for person, name in people:
        found.add(person.casefold())
        found.update(word for word in _WORD.findall(f"{person} {name}".casefold()) if len(word) >= _SHORTEST_NAME)
    return frozenset(found)


def names_somebody(text: str, names: frozenset[str]) -> bool:
    """Whether a text has a word by which a person on record is called; rather once too often than too seldom."""
    lowered = text.casefold()
    return not names.isdisjoint(_WORD.findall(lowered)) or any(
        name in lowered for name in names if not name.isalnum() or _UNSPACED.search(name)
    )
