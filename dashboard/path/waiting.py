"""What has been soaked and is not released yet: the next step of each device, those with the same step together."""

from __future__ import annotations

import enum
from itertools import groupby
from typing import NamedTuple

from collector.record.book import Book
from collector.record.rounds.release import release_facts
from collector.record.rounds.rinses import rinses_needed
from collector.record.rounds.rounds import basin_name
from collector.record.rounds.soaks import soak_of
from collector.record.things import Device, DeviceType, Stage, Turn
from dashboard.path.shapes import Link
from dashboard.texts import N_, _
from dashboard.when import SiteTime
from dashboard.words import together
from soak.closure import Verdict
from soak.releasable import Missing, rinses_that_count
from soak.roundfacts import Facts

_AFTER_SOAK = ("rinses", "dried")
_HELD = ("quarantine", "look-back")


class Step(enum.StrEnum):
    """What comes next for a device."""

    RELEASE = "release"
    TAKE_OUT = "take out"
    CAME_OUT = "came out"
    RINSE = "rinse"
    END_RINSE = "end rinse"
    DRY = "dry"
    DRYING = "drying"
    SOAKING = "soaking"
    REPROCESS = "reprocess"
    HELD = "held"


_ORDER = tuple(Step)
BUTTONS = (Step.TAKE_OUT, Step.CAME_OUT, Step.RINSE, Step.END_RINSE, Step.DRY)
"""Steps that one press records."""


class Words(NamedTuple):
    """What is said of a step: heading, what the press says (empty: none), what that declares, and what it has done."""

    title: str
    button: str
    hint: str
    done: str = ""


WORDS = {
    Step.RELEASE: Words(N_("Ready to release"), "", N_("Every clause holds. Tick, sign once, press once.")),
    Step.TAKE_OUT: Words(
        N_("{place}: the lid was opened"),
        N_("Taken out"),
        N_("Says that they lie in the solution no longer."),
        N_("Taken out. Rinse next."),
    ),
    Step.CAME_OUT: Words(
        N_("{place}: the lid was opened and is on again"),
        N_("They came out when it was last open"),
        N_("Are they still in it? Then open the lid, take them out, and press then."),
        N_("Taken out. Rinse next."),
    ),
    Step.RINSE: Words(
        N_("{place}: rinse {number} of {of}"),
        N_("Rinse {number} begins now, in {water}"),
        N_("Says that nothing has been rinsed in this water."),
        N_("The rinse runs"),
    ),
    Step.END_RINSE: Words(
        N_("{place}: rinse {number} of {of} runs"),
        N_("Rinse {number} ends now"),
        N_("At least until {time}; ended sooner it does not count."),
        N_("The rinse has ended"),
    ),
    Step.DRY: Words(
        N_("{place}: dry"),
        N_("I dried it, and it is dry"),
        N_("Channels too. It is said of each."),
        N_("Attested as dry"),
    ),
    Step.DRYING: Words(N_("{place}: drying"), "", N_("Until {time} at least; then attest that it is dry.")),
    Step.SOAKING: Words(
        N_("{place}: soaking"), "", N_("Keep the lid closed until its page says that the soak has met.")
    ),
    Step.REPROCESS: Words(N_("{device}: not releasable. Reprocess."), "", "{why}"),
    Step.HELD: Words(N_("{device}: held"), "", "{why}"),
}


class Row(NamedTuple):
    """One device.

    Attributes:
        device: Its asset number.
        kind: What kind of device.
        load: Its load.
        basin: That load's basin, "node/name".
        place: The same as people call it.
        step: What comes next.
        rinse: Which rinse is next or runs.
        rinses: How many are asked for.
        water: Which water is asked for; empty: nobody has said.
        until_ms: Until when the step lasts at least; None: it has no time.
        why: What is missing, in words; empty where the step says it.
        next_step: What to do about it.
        soak: Its soak in words.
    """

    device: str
    kind: str
    load: str
    basin: str
    place: str
    step: Step
    soak: str
    rinse: int = 0
    rinses: int = 0
    water: str = ""
    until_ms: int | None = None
    why: str = ""
    next_step: str = ""


class Group(NamedTuple):
    """Devices whose next step is the same.

    Attributes:
        step: Which.
        title: In words.
        button: What the press says; empty: there is none.
        hint: What it declares, or what to wait for.
        rows: The devices.
        link: Where to go on instead.
        until_ms: Until when to wait, the longest of them.
    """

    step: Step
    title: str
    button: str
    hint: str
    rows: tuple[Row, ...]
    link: Link | None = None
    until_ms: int | None = None


def waiting(book: Book, when: SiteTime) -> list[Group]:
    """Every device between its soak and its release, what can be released first."""
    turns = [turn for turn in book.all(Turn, only_open=True) if turn.stage in (Stage.SOAKING, Stage.SOAKED)]
    rows = sorted((_row(book, turn, when) for turn in turns), key=_place)
    return [_group(tuple(found), when) for _key, found in groupby(rows, _place)]


def _place(row: Row) -> tuple[object, ...]:
    """In which group a row stands, and where that group stands."""
    order = _ORDER.index(row.step)
    if row.step is Step.RELEASE:
        return (order,)
    alone = row.device if row.step in (Step.REPROCESS, Step.HELD) else ""
    return order, len(row.load), row.load, row.rinse, alone


def _row(book: Book, turn: Turn, when: SiteTime) -> Row:
    device = book.find(Device, turn.device)
    kind = book.find(DeviceType, device.type) if device else None
    soak = soak_of(book, turn)
    verdict = soak.verdict.value if soak.verdict else _("no closure")
    opened = _(", opened {time}").format(time=when.near(soak.best.opened_ms, book.at_ms)) if soak.best else ""
    row = Row(
        turn.device,
        kind.name if kind else "",
        turn.load,
        turn.basin,
        basin_name(book, turn.basin),
        Step.SOAKING,
        _("soak {verdict}").format(verdict=f"{verdict}{opened}"),
    )
    if turn.stage is Stage.SOAKING:
        return _in_basin(book, turn, row)
    facts, missing = release_facts(book, turn)
    return _after(book, turn, facts, missing, row)


def _in_basin(book: Book, turn: Turn, row: Row) -> Row:
    """Still in its basin as far as the record knows."""
    soak = soak_of(book, turn)
    if not soak.closures:
        return row
    lid_on = book.closed_since_ms(turn.basin) is not None
    return row._replace(step=Step.CAME_OUT if lid_on else Step.TAKE_OUT)


def _after(book: Book, turn: Turn, facts: Facts, missing: tuple[Missing, ...], row: Row) -> Row:
    """Out of its basin."""
    if not missing:
        return row._replace(step=Step.RELEASE)
    held = next((each for each in missing if each.rule in _HELD), None)
    failed = next((each for each in missing if each.rule not in (*_AFTER_SOAK, *_HELD)), None)
    if held or failed or facts.rinse_count is None:
        first = held or failed or missing[0]
        judged_soon = first.rule == "soak" and facts.soak is not None and facts.soak.verdict is Verdict.MET
        step = Step.REPROCESS if failed and not held and not judged_soon else Step.HELD
        return row._replace(step=step, why=first.text, next_step=first.next_step)
    return _rinsing(book, turn, facts, row._replace(rinses=facts.rinse_count))


def _rinsing(book: Book, turn: Turn, facts: Facts, row: Row) -> Row:
    """Only rinses or drying are missing."""
    needed, counted = rinses_needed(book, turn), len(rinses_that_count(facts))
    row = row._replace(rinse=counted + 1, water=needed.water if needed else "")
    if turn.rinses and turn.rinses[-1].ended_ms is None:
        return row._replace(step=Step.END_RINSE, until_ms=turn.rinses[-1].began_ms + facts.rinse_ms)
    if counted < row.rinses:
        return row._replace(step=Step.RINSE)
    dry_ms = max(each.ended_ms or 0 for each in turn.rinses) + facts.dry_ms
    return row._replace(step=Step.DRYING, until_ms=dry_ms) if book.at_ms < dry_ms else row._replace(step=Step.DRY)


def _group(rows: tuple[Row, ...], when: SiteTime) -> Group:
    first = rows[0]
    until_ms = max((each.until_ms for each in rows if each.until_ms is not None), default=None)
    filled = {
        "place": _("{basin}, load {load}").format(basin=first.place, load=first.load),
        "device": first.device,
        "number": first.rinse,
        "of": first.rinses,
        "water": _("fresh {water} water").format(water=first.water) if first.water else _("fresh water"),
        "time": when.clock_seconds(until_ms) if until_ms is not None else "",
        "why": f"{first.why} {first.next_step}",
    }
    words = WORDS[first.step]
    title, button, hint = (together(_(text).format(**filled)) for text in (words.title, words.button, words.hint))
    return Group(first.step, title, button, hint, rows, _link(first), until_ms)


def _link(row: Row) -> Link | None:
    if row.step is Step.REPROCESS:
        return Link(f"/start?device={row.device}", _("Begin again with it"))
    if row.step is Step.HELD:
        return Link(f"/devices/{row.device}", _("All about {device}").format(device=row.device))
    if row.step is Step.SOAKING:
        return Link(f"/basins/{row.basin}", _("To {basin}").format(basin=row.place))
    return None
