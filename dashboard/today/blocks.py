"""Closures and alarms of a day as what is drawn of them. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from collector.record.things import Alarm, Load
from dashboard.alarms_words import name_of
from dashboard.texts import N_, _, many
from dashboard.today.hours import Hours
from dashboard.today.places import WIDTHS_PX, Worded, place
from dashboard.when import SiteTime
from dashboard.words import quiet, short_reason, together
from soak.closure import Closure, Verdict
from soak.quantity import in_words

UNASSIGNED = "unassigned"
_THIN = 0.0012
"""The least width of a block, as a share of the sheet: a lid put down in passing is seen as well."""
_VERDICTS = {Verdict.MET: N_("met"), Verdict.NOT_MET: N_("not met"), Verdict.UNPROVEN: N_("unproven")}
_MOST_MARKS = 30
_MARK_PX = 18
"""How wide a mark is drawn, with its outline and some air."""
MINUTE_MS = 60_000


class Closed(NamedTuple):
    """An ended closure.

    Attributes:
        id: Its row.
        basin_id: Its basin's row.
        key: "stream:first".
        closing_ms: When it began, milliseconds since 1970.
        opened_ms: When it ended.
        closure: What the rule says of it.
    """

    id: int
    basin_id: int
    key: str
    closing_ms: int
    opened_ms: int
    closure: Closure


class Word(NamedTuple):
    """A word over a block.

    Attributes:
        text: The word.
        places: Where: "s0" from the left edge at the narrowest of the widths, "e2" to the right edge at the widest;
            "b": to the left edge, "a": from the right edge.
    """

    text: str
    places: str


class Block(NamedTuple):
    """A closure as it is drawn.

    Attributes:
        href: Its page.
        kind: "met", "not met", "unproven" or "unassigned".
        label: Everything in a sentence.
        x: Its left edge, in per cent.
        width: Its width, in per cent.
        end: Its right edge, in per cent.
        words: What stands over it, each at some widths of the sheet.
    """

    href: str
    kind: str
    label: str
    x: str
    width: str
    end: str
    words: list[Word]


class Mark(NamedTuple):
    """An alarm as it is drawn, or several that stand too close together to be told apart.

    Attributes:
        href: The page of the most urgent of them, of those the latest.
        priority: Its priority.
        label: Everything in a sentence.
        x: Where the first of them stands.
        places: At which widths of the sheet: "m0 m1".
    """

    href: str
    priority: str
    label: str
    x: str
    places: str


def load_over(loads: Iterable[Load], closing_ms: int) -> Load | None:
    """The load that was in a basin when its lid was closed; `loads`: of that basin."""
    found = (each for each in loads if each.began_ms <= closing_ms)
    return next((each for each in found if each.ended_ms is None or each.ended_ms > closing_ms), None)


def blocks(
    closures: Sequence[Closed], loads: Sequence[Load] | None, hours: Hours, when: SiteTime, basin: str
) -> list[Block]:
    """What is drawn of a basin's closures.

    Args:
        closures: Those of the day.
        loads: The basin's loads; None where nobody keeps them at this site: then every closure counts by its verdict.
        hours: What is shown.
        when: Local time.
        basin: Its label.
    """
    shown = [each for each in closures if each.opened_ms > hours.since_ms and each.closing_ms < hours.until_ms]
    kinds = [_kind(each, loads) for each in shown]
    forms = [_forms(each, kind) for each, kind in zip(shown, kinds, strict=True)]
    edges = [_edges(each, hours) for each in shown]
    worded = [
        Worded(left, right, words[:2], int(kind in (Verdict.NOT_MET, Verdict.UNPROVEN)))
        for (left, right), words, kind in zip(edges, forms, kinds, strict=True)
    ]
    placed = [place(worded, width_px) for width_px in WIDTHS_PX]
    found = []
    for index, each in enumerate(shown):
        left, right = edges[index]
        span = f"{when.clock(each.closing_ms)}–{when.clock(each.opened_ms)}"
        what = (
            forms[index][0]
            if forms[index]
            else _("{kind}, {time}").format(
                kind=_("no load") if kinds[index] == UNASSIGNED else _(_VERDICTS[each.closure.verdict]),
                time=in_words(each.closure.closed_ms),
            )
        )
        words = []
        for form, text in enumerate(forms[index]):
            at = [(width, each_width[index]) for width, each_width in enumerate(placed)]
            places = " ".join(f"{put.side}{width}" for width, put in at if put.form == form)
            if places:
                words.append(Word(text, places))
        found.append(
            Block(
                href=f"/closures/{each.id}",
                kind=kinds[index],
                label=f"{basin}, {span}: {what}",
                x=_percent(left),
                width=_percent(right - left),
                end=_percent(right),
                words=words,
            )
        )
    return found


def marks(alarms: Iterable[Alarm], hours: Hours, when: SiteTime) -> list[Mark]:
    """What is drawn of a basin's alarms; a flood is cut off."""
    shown = [each for each in alarms if hours.since_ms <= each.raised_ms < hours.until_ms]
    latest = sorted(shown, key=_raised)[-_MOST_MARKS:]
    groups: dict[tuple[str, ...], tuple[list[Alarm], list[str]]] = {}
    for width, width_px in enumerate(WIDTHS_PX):
        for group in _too_close(latest, hours, _MARK_PX / width_px):
            groups.setdefault(tuple(each.id for each in group), (group, []))[1].append(f"m{width}")
    return [_mark(group, " ".join(at), hours, when) for group, at in groups.values()]


def _too_close(alarms: Sequence[Alarm], hours: Hours, share: float) -> list[list[Alarm]]:
    """Groups within so much of the sheet's width; `alarms`: rising in time."""
    groups: list[list[Alarm]] = []
    for each in alarms:
        if groups and hours.share(each.raised_ms) - hours.share(groups[-1][0].raised_ms) < share:
            groups[-1].append(each)
        else:
            groups.append([each])
    return groups


def _mark(group: Sequence[Alarm], places: str, hours: Hours, when: SiteTime) -> Mark:
    first = min(reversed(group), key=lambda each: each.priority.rank)
    if len(group) == 1:
        label = _("{time} alarm: {name}").format(time=when.clock(first.raised_ms), name=name_of(first.code))
    else:
        label = many("{n} alarm, {since}–{until}: {names}", "{n} alarms, {since}–{until}: {names}", len(group))
        label = label.format(
            n=len(group),
            since=when.clock(group[0].raised_ms),
            until=when.clock(group[-1].raised_ms),
            names=", ".join(dict.fromkeys(name_of(each.code) for each in group)),
        )
    return Mark(f"/alarms/{first.id}", first.priority.value, label, hours.percent(group[0].raised_ms), places)


def _raised(alarm: Alarm) -> int:
    return alarm.raised_ms


def _kind(closed: Closed, loads: Sequence[Load] | None) -> str:
    if quiet(closed.opened_ms - closed.closing_ms):
        return UNASSIGNED if loads is None or load_over(loads, closed.closing_ms) is None else closed.closure.verdict
    if loads is not None and load_over(loads, closed.closing_ms) is None:
        return UNASSIGNED
    return closed.closure.verdict


def _forms(closed: Closed, kind: str) -> tuple[str, ...]:
    """The words over a block, the longest first; none over what should be quiet."""
    if kind == UNASSIGNED:
        return ()
    word = _(_VERDICTS[closed.closure.verdict])
    closed_ms = closed.closure.closed_ms
    more = short_reason(closed.closure) or in_words(closed_ms // MINUTE_MS * MINUTE_MS or closed_ms)
    return together(f"{word} · {more}"), word


def _edges(closed: Closed, hours: Hours) -> tuple[float, float]:
    left, right = hours.share(closed.closing_ms), hours.share(closed.opened_ms)
    return (left, min(1.0, max(right, left + _THIN))) if left < 1 - _THIN else (1 - _THIN, 1.0)


def _percent(share: float) -> str:
    return f"{share * 100:.2f}".rstrip("0").rstrip(".") + "%"
