"""What is searched for, as it stands in the form and in the address, checked field by field. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import NamedTuple
from urllib.parse import urlencode

import msgspec

from dashboard.query import FINAL_VERDICTS
from dashboard.texts import _
from dashboard.when import SiteTime
from soak.alarms import KINDS
from soak.closure import Verdict

LONGEST = 80
"""Characters in a field: no asset number, lot or encounter reference is longer than 64 to 80."""

ANY_ALARM = "any"
FIELDS = ("device", "encounter", "lot", "person", "since", "until", "basin", "verdict", "alarm")


class Wanted(msgspec.Struct, frozen=True):
    """What a soak must have to be found; everything that is said must hold.

    Attributes:
        device: Asset or serial number, or a part of them.
        encounter: The reference a device came from or was used for.
        lot: Of solution or of test strips, or the id of such a bottle.
        person: The id of somebody who had to do with it.
        since: The first day on which its lid was closed, ISO.
        until: The last such day.
        basin: "node/name".
        verdict: Its verdict.
        alarm: A kind of alarm, the id of one, or "any".
    """

    device: str = ""
    encounter: str = ""
    lot: str = ""
    person: str = ""
    since: str = ""
    until: str = ""
    basin: str = ""
    verdict: str = ""
    alarm: str = ""

    def said(self) -> dict[str, str]:
        """What is filled in."""
        return {name: text for name, text in msgspec.structs.asdict(self).items() if text}

    def query(self, **changed: str) -> str:
        """As it stands in an address, with something changed."""
        return urlencode({name: text for name, text in {**self.said(), **changed}.items() if text})


class Place(NamedTuple):
    """Where a page of the list begins: behind this closure, which is the last of the page before."""

    closing_ms: int
    row: int

    def __str__(self) -> str:
        return f"{self.closing_ms}-{self.row}"


def wanted_of(given: Mapping[str, str]) -> Wanted:
    """What was filled in, without the spaces around it and never more than fits."""
    return Wanted(**{name: given.get(name, "").strip()[: LONGEST + 1] for name in FIELDS})


def mistakes(wanted: Wanted, basins: Iterable[str], people: Iterable[str]) -> dict[str, str]:
    """What cannot be searched for, by field, with what would be right; nothing if all can.

    Args:
        wanted: What was filled in.
        basins: Those there are, "node/name".
        people: Ids of those there are.
    """
    found = {
        name: _("This is longer than {most} characters. Write the part that stands on the label.").format(most=LONGEST)
        for name, text in wanted.said().items()
        if len(text) > LONGEST
    }
    for name in ("since", "until"):
        if (text := getattr(wanted, name)) and day_of(text) is None:
            found[name] = _("This is no date. Write year, month and day, such as 2026-03-03.")
    since, until = day_of(wanted.since), day_of(wanted.until)
    if since and until and since > until:
        found["until"] = _("The last day is before the first. Exchange them.")
    if wanted.verdict and wanted.verdict not in FINAL_VERDICTS:
        found["verdict"] = _("This is no verdict. Choose one of the list.")
    if wanted.basin and wanted.basin not in set(basins):
        found["basin"] = _("There is no such basin. Choose one of the list.")
    if wanted.person and wanted.person not in set(people):
        found["person"] = _("Nobody is recorded with this id. Choose one of the list.")
    if wanted.alarm and wanted.alarm != ANY_ALARM and wanted.alarm not in KINDS and not wanted.alarm[-1:].isdigit():
        found["alarm"] = _("There is no such alarm. Choose one of the list, or write an alarm’s id.")
    return found


def day_of(text: str) -> date | None:
    """A date of the calendar; None if it is none."""
    try:
        day = date.fromisoformat(text) if len(text) == 10 else None
    except ValueError:
        return None
    return day if day and 1970 < day.year < 2100 else None


def span_of(wanted: Wanted, when: SiteTime) -> tuple[int | None, int | None]:
    """First millisecond of the first day and of the day after the last, by the site's clock; None: without limit."""
    since, until = day_of(wanted.since), day_of(wanted.until)
    return (when.day_range(since)[0] if since else None), (when.day_range(until)[1] if until else None)


def verdict_of(wanted: Wanted) -> Verdict | None:
    """The verdict, where one is asked for."""
    return Verdict(wanted.verdict) if wanted.verdict else None


def place_of(text: str | None) -> Place | None:
    """Where a page begins; None for the first one, and for what no page of ours has in its address."""
    closing, _dash, row = (text or "").partition("-")
    if not (closing.isascii() and closing.isdigit() and row.isascii() and row.isdigit() and len(closing + row) < 32):
        return None
    return Place(int(closing), int(row))
