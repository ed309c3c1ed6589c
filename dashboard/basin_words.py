"""What stands beside the vessel on the page of one basin, and the marks on its wall. Pure."""

from __future__ import annotations

import msgspec

from collector.record.things import Fill, MecResult, MecTest, Rinses
from dashboard.basin_facts import BasinFacts
from dashboard.look import BasinSeen
from dashboard.texts import _, many
from dashboard.when import SiteTime
from dashboard.words import together
from soak.quantity import in_words
from soak.requirement import Requirement

LANE_DEPTH = 94.5
"""How high the lanes of the live stream draw a full level: the page makes a share of the vessel's height from it."""
_TICK_STEPS_S = (10, 30, 60, 300, 600, 1800, 3600)
_MOST_TICKS = 16


class Mark(msgspec.Struct, frozen=True):
    """A mark on the vessel's wall: how far below the rim, in per cent of its height; its minutes, or empty."""

    below_percent: float
    minutes: str


class Fact(msgspec.Struct, frozen=True):
    """One line beside the vessel: what it is about, what is so, and what belongs to that, or empty."""

    about: str
    lines: tuple[str, ...]
    more: str = ""


def marks(requirement: Requirement | None) -> list[Mark]:
    """The marks on the wall; the rim is the contact time and has the last label."""
    if requirement is None:
        return []
    contact_s = requirement.contact_ms / 1000
    step_s = next((step for step in _TICK_STEPS_S if contact_s / step <= _MOST_TICKS), contact_s)
    every = 3 if contact_s / step_s > 5 else 1
    found = []
    for index in range(1, int(contact_s / step_s) + 1):
        label = f"{index * step_s / 60:g}" if index % every == 0 else ""
        found.append(Mark(round(100 - 100 * index * step_s / contact_s, 2), label))
    return found


def requirement_of(basin: BasinSeen) -> Requirement | None:
    """The one in force: of the closure in progress, else of the next."""
    now = basin.seen.now
    if now and now.closure and now.closure.requirement:
        return now.closure.requirement
    return basin.seen.basin.requirement


def facts_beside(basin: BasinSeen, facts: BasinFacts, when: SiteTime) -> list[Fact]:
    """Load, by whom, fill, MEC test, and what comes after the soak."""
    found = [*_load(facts), _fill(basin, when)]
    profile = basin.standing.profile
    if basin.standing.fill is not None and profile is not None and profile.mec_monitored:
        found.append(_mec(basin, facts, when))
    found.append(Fact(_("Then"), (rinses_words(facts.rinsing.asked),), _water(facts.rinsing.asked)))
    return found


def _load(facts: BasinFacts) -> list[Fact]:
    if facts.load is None:
        return [Fact(_("Load"), (_("nothing named in it"),))]
    lines = tuple(f"{each.type} {each.device}".strip() for each in facts.devices) or (_("nothing left in it"),)
    more = _("Started though not ready: nothing of it can be released by that.") if facts.load.override else ""
    return [Fact(_("Load"), lines, more), Fact(_("By"), (facts.by,))]


def _fill(basin: BasinSeen, when: SiteTime) -> Fact:
    fill, now_ms = basin.standing.fill, basin.seen.now_ms
    if fill is None:
        return Fact(_("Fill"), (_("no fill is recorded"),))
    until = when.near(fill.use_by_ms, now_ms)
    words = _("in date until {time}") if now_ms <= fill.use_by_ms else _("out of date since {time}")
    name = basin.standing.profile.name if basin.standing.profile else fill.profile
    more = _("{solution}, fill {fill}, lot {lots}, poured {time}").format(
        solution=name, fill=fill.id, lots=_lots(fill), time=when.near(fill.poured_ms, now_ms)
    )
    return Fact(_("Fill"), (words.format(time=until),), together(more))


def _lots(fill: Fill) -> str:
    return ", ".join(dict.fromkeys(each.lot for each in fill.poured))


def _mec(basin: BasinSeen, facts: BasinFacts, when: SiteTime) -> Fact:
    test, now_ms = basin.standing.test, basin.seen.now_ms
    due = any(block.rule == "mec-tested" for block in basin.standing.readiness.blocks) and facts.load is None
    waiting = facts.waiting
    if waiting is not None and now_ms <= waiting.read_until_ms:
        read = _("read it {begin} to {end}").format(
            begin=when.clock_seconds(waiting.read_from_ms), end=when.clock_seconds(waiting.read_until_ms)
        )
        return Fact(_("MEC test"), (read,), _("dipped by {person}").format(person=facts.dipped_by))
    if test is None:
        return Fact(_("MEC test"), (_("due") if due else _("none"),), _("no test of this fill yet"))
    last = _result(test, now_ms, when)
    return (
        Fact(_("MEC test"), (_("due"),), _("the last: {result}").format(result=last))
        if due
        else Fact(_("MEC test"), (last,))
    )


def _result(test: MecTest, now_ms: int, when: SiteTime) -> str:
    at = when.near(test.dipped_ms if test.read_ms is None else test.read_ms, now_ms)
    match test.result:
        case MecResult.PASS:
            return _("passed {time}").format(time=at)
        case MecResult.FAIL:
            return _("failed {time}").format(time=at)
        case MecResult.DOUBTFUL:
            return _("doubtful {time}, which counts as failed").format(time=at)
        case _:
            return _("not read in time, dipped {time}").format(time=when.near(test.dipped_ms, now_ms))


def rinses_words(asked: Rinses | None) -> str:
    """What is rinsed after the soak: "3 rinses, 1 min each"."""
    if asked is None:
        return _("rinses not known: nobody has entered them")
    if asked.count == 0:
        return _("no rinse is asked for")
    each = in_words(asked.each_ms)
    return many("{n} rinse of {each} or more", "{n} rinses, {each} or more each", asked.count).format(
        n=asked.count, each=each
    )


def _water(asked: Rinses | None) -> str:
    if asked is None or asked.count == 0:
        return ""
    litres = _("{ml} mL each").format(ml=asked.volume_ml) if asked.volume_ml is not None else ""
    kind = _("{kind} water").format(kind=asked.water) if asked.water else _("fresh water for each")
    return ", ".join(text for text in (kind, litres) if text)
