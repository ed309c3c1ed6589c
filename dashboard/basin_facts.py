"""What the page of one basin asks of the record: the load in it, its strips, what waits to be read or rinsed."""

from __future__ import annotations

import msgspec

from collector.read import StoredClosure
from collector.record.book import Book
from collector.record.rounds.loads import load_in
from collector.record.rounds.release import release_facts
from collector.record.rounds.rinses import rinses_needed
from collector.record.rounds.soaks import soak_of
from collector.record.solutions.strips import strips_to_use
from collector.record.things import Device, DeviceType, Fill, Load, MecTest, Profile, Rinses, Stage, Strip, Turn
from dashboard.closure_record import closure_said
from soak.closure import Verdict

_ANNOUNCED_BEFORE_MS = 10 * 60_000
"""Somebody who says that they will open the lid opens it within this time; later it is another opening (our choice)."""


class InBasin(msgspec.Struct, frozen=True):
    """A device of a load: its asset number, what it is, its round, and whether its soak is met."""

    device: str
    type: str
    turn: str
    met: bool


class StripsAtHand(msgspec.Struct, frozen=True):
    """A strip bottle that may be used now; without an id: the times that the label prints."""

    id: str
    lot: str
    strip: Strip


class Rinsing(msgspec.Struct, frozen=True):
    """What is rinsed after a soak.

    Attributes:
        about: The load, or the fill where no load is on record: what a timer on a tablet belongs to.
        devices: Asset numbers that were taken out, whose soak was met and whose rinses are not complete on record.
        asked: How many rinses of which least time; None: nobody has entered it.
    """

    about: str
    devices: tuple[str, ...]
    asked: Rinses | None


class BasinFacts(msgspec.Struct, frozen=True):
    """What is declared of a basin.

    Attributes:
        load: What is in it.
        devices: Of that load, those that are still in it; of an ended one, all of them.
        by: Who started the load.
        last: The load that was in it at its latest closure, when none is in it any more.
        announced: Somebody said that they would open the lid to add a device, and it is that opening.
        latest_key: The latest closure as deeds name it, "stream:first"; empty if there is none.
        unassigned: Nobody has said what was in the latest closure.
        strips: What the fill may be tested with.
        waiting: A strip that was dipped and waits to be read.
        dipped_by: Who dipped it.
        rinsing: What is rinsed now, or would be after the soak in progress.
    """

    load: Load | None = None
    devices: tuple[InBasin, ...] = ()
    by: str = ""
    last: Load | None = None
    announced: bool = False
    latest_key: str = ""
    unassigned: bool = False
    strips: tuple[StripsAtHand, ...] = ()
    waiting: MecTest | None = None
    dipped_by: str = ""
    rinsing: Rinsing = Rinsing("", (), None)


def basin_facts(book: Book, basin: str, fill: Fill | None, latest: StoredClosure | None) -> BasinFacts:
    """Ask the record.

    Args:
        book: To look in.
        basin: "node/name".
        fill: What is in it.
        latest: Its latest ended closure.
    """
    load = load_in(book, basin)
    said = closure_said(book, latest.id) if latest else None
    last = said.load if said and load is None else None
    about = load or last
    turns = [turn for each in (about.turns if about else ()) if (turn := book.find(Turn, each))]
    profile = book.find(Profile, fill.profile) if fill else None
    waiting = (
        next(iter(book.all(MecTest, group=fill.id, only_open=True, newest_first=True, limit=1)), None) if fill else None
    )
    return BasinFacts(
        load=load,
        devices=tuple(_in_basin(book, turn) for turn in turns if load is None or turn.stage is Stage.SOAKING),
        by=book.name_of(load.by) if load else "",
        last=last,
        announced=_announced(load, latest),
        latest_key=said.key if said else "",
        unassigned=bool(said and said.load is None and not said.answer),
        strips=_strips(book, profile),
        waiting=waiting,
        dipped_by=book.name_of(waiting.by) if waiting else "",
        rinsing=_rinsing(book, about, turns, fill, profile),
    )


def _in_basin(book: Book, turn: Turn) -> InBasin:
    device = book.find(Device, turn.device)
    kind = book.find(DeviceType, device.type) if device else None
    return InBasin(turn.device, kind.name if kind else "", turn.id, soak_of(book, turn).verdict is Verdict.MET)


def _announced(load: Load | None, latest: StoredClosure | None) -> bool:
    """The last announcement was made during the latest closure, shortly before it was opened."""
    if load is None or latest is None or not load.openings_ms:
        return False
    said_ms, opened_ms = load.openings_ms[-1], latest.last_utc_ms
    return latest.closing_utc_ms <= said_ms and opened_ms - said_ms <= _ANNOUNCED_BEFORE_MS


def _strips(book: Book, profile: Profile | None) -> tuple[StripsAtHand, ...]:
    if profile is None or not profile.mec_monitored:
        return ()
    found = tuple(StripsAtHand(each.id, each.lot, each.strip) for each in strips_to_use(book, profile.id))
    return found or ((StripsAtHand("", "", profile.strip),) if profile.strip else ())


def _rinsing(book: Book, about: Load | None, turns: list[Turn], fill: Fill | None, profile: Profile | None) -> Rinsing:
    if about is None:
        return Rinsing(fill.id if fill else "", (), profile.rinses if profile else None)
    asked = [needed for turn in turns if (needed := rinses_needed(book, turn))]
    most = Rinses(
        count=max((each.count for each in asked), default=0),
        each_ms=max((each.each_ms for each in asked), default=0),
        volume_ml=max((each.volume_ml for each in asked if each.volume_ml is not None), default=None),
        water=" and ".join(dict.fromkeys(each.water for each in asked if each.water)),
    )
    devices = tuple(turn.device for turn in turns if turn.stage is Stage.SOAKED and _wants_rinsing(book, turn))
    return Rinsing(about.id, devices, most if asked else None)


def _wants_rinsing(book: Book, turn: Turn) -> bool:
    rules = {missing.rule for missing in release_facts(book, turn)[1]}
    return "rinses" in rules and "soak" not in rules
