"""What statistics are asked for: the days, the basins, what counts, and by day or by week."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple
from urllib.parse import urlencode

from collector.counting.groups import Step
from collector.read import Basin
from dashboard.query import QueryError, choice
from dashboard.when import SiteTime

LASTS = {"30d": 30, "90d": 90, "365d": 365}
"""Ranges up to today by their word, in days."""

MOST_DAYS = 400
MOST_DAYS_BY_DAY = 92
"""Longer ranges are shown by week unless asked otherwise: as many points as can be told apart."""

SOAKS, CLOSURES = "soaks", "closures"


class Wanted(NamedTuple):
    """The parameters as they were written; empty where nothing was."""

    last: str = ""
    since: str = ""
    until: str = ""
    basin: str = ""
    place: str = ""
    counted: str = ""
    step: str = ""

    def address(self, path: str, **changed: str) -> str:
        """An address with something changed."""
        wanted = {name: text for name, text in self._replace(**changed)._asdict().items() if text}
        return f"{path}?{urlencode(wanted)}" if wanted else path


class Asked(NamedTuple):
    """What is asked for.

    Attributes:
        first: First local day.
        last: Last local day, which belongs to the range.
        since_ms: Begin, milliseconds since 1970.
        until_ms: End, exclusive.
        basins: Those asked for, in the order of the settings.
        everywhere: No basin and no place is left out.
        counted: "soaks", or "closures": every one of a minute or more.
        step: By day or by week.
    """

    first: date
    last: date
    since_ms: int
    until_ms: int
    basins: list[Basin]
    everywhere: bool
    counted: str
    step: Step


def asked(wanted: Wanted, basins: Sequence[Basin], when: SiteTime, now_ms: int) -> Asked:
    """Read the parameters.

    Raises:
        QueryError: One cannot be used; what would be right is said.
    """
    first, last = _days(wanted, when.local_date(now_ms))
    chosen = _basins(wanted, basins)
    usual = Step.DAY if (last - first).days < MOST_DAYS_BY_DAY else Step.WEEK
    step = Step(choice("step", wanted.step, tuple(Step))) if wanted.step else usual
    counted = choice("counted", wanted.counted, (SOAKS, CLOSURES))
    since_ms, until_ms = when.day_range(first)[0], when.day_range(last)[1]
    return Asked(first, last, since_ms, until_ms, chosen, len(chosen) == len(basins), counted, step)


def _days(wanted: Wanted, today: date) -> tuple[date, date]:
    if wanted.last and (wanted.since or wanted.until):
        raise QueryError("last goes without since and until. Give either last=30d, or since and until.")
    if not (wanted.since or wanted.until):
        days = LASTS[choice("last", wanted.last, tuple(LASTS))]
        return today - timedelta(days=days - 1), today
    until = _date("until", wanted.until) if wanted.until else today
    since = _date("since", wanted.since) if wanted.since else until - timedelta(days=LASTS["30d"] - 1)
    if since > until:
        end = f"until={until}" if wanted.until else f"today, {until}"
        raise QueryError(f"since={since} is after {end}. Exchange them, or leave one out.")
    if (days := (until - since).days + 1) > MOST_DAYS:
        raise QueryError(f"{since} to {until} are {days} days; at most {MOST_DAYS} at once. Ask year by year.")
    return since, until


def _date(name: str, text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    if not 1970 < day.year < 2100 or len(text) != 10:
        raise QueryError(f"{name}={text[:60]!r} is no date. Write year, month and day, such as 2026-03-03.")
    return day


def _basins(wanted: Wanted, basins: Sequence[Basin]) -> list[Basin]:
    places = list(dict.fromkeys(each.place for each in basins if each.place))
    if wanted.place and wanted.place not in places:
        known = f"Known: {', '.join(places[:20])}." if places else "No basin has a place in the settings."
        raise QueryError(f"No basin stands at place={wanted.place[:60]!r}. {known}")
    known_basins = [f"{each.node}/{each.name}" for each in basins]
    if wanted.basin and wanted.basin not in known_basins:
        known = f"Known: {', '.join(known_basins[:20])}." if known_basins else "None is known yet."
        raise QueryError(f"There is no basin={wanted.basin[:80]!r}. {known}")
    chosen = [
        each
        for each in basins
        if (not wanted.place or each.place == wanted.place)
        and (not wanted.basin or f"{each.node}/{each.name}" == wanted.basin)
    ]
    if basins and not chosen:
        raise QueryError(f"{wanted.basin} does not stand at place={wanted.place[:60]!r}. Leave one of them out.")
    return chosen
