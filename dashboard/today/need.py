"""What is next at a basin, in a sentence, and whether somebody is needed for it now. Pure.

What blocks comes before what is due, and what is due before what is nice to know.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator

import msgspec

from collector.record.block import Block
from collector.record.things import Alarm, Turn
from dashboard.alarms_words import name_of, todo_of
from dashboard.look import BasinSeen
from dashboard.readiness_view import IN_USE, Standing
from dashboard.say import Kind
from dashboard.texts import N_, _, many
from dashboard.when import DAY_MS, SiteTime
from soak.alarms import Priority
from soak.quantity import in_words
from soak.reading import Lid


class Need(enum.StrEnum):
    """How much a basin needs somebody; the most urgent first."""

    NOW = "now"
    DUE = "due"
    SOAKING = "soaking"
    NOTHING = "nothing"


NEED_WORDS = {
    Need.NOW: N_("Needs somebody"),
    Need.DUE: N_("Due"),
    Need.SOAKING: N_("Soaking"),
    Need.NOTHING: N_("Nothing to do"),
}
_ALL_THE_SAME = (Kind.REPROCESS, Kind.OUT, Kind.NO_TEMPERATURE)
"""What is going on says more than the name of the alarm that it raised."""
_STUCK = (Kind.UNHEARD, Kind.SILENT)


class Next(msgspec.Struct, frozen=True):
    """What is next.

    Attributes:
        need: Whether somebody is needed.
        sentence: What to do, or what is due.
        why: The next step, or the reason.
        href: Where that is done or explained.
    """

    need: Need
    sentence: str
    why: str
    href: str


def next_of(basin: BasinSeen, when: SiteTime) -> Next:
    """Find it: the first that there is."""
    page = f"/basins/{basin.seen.basin.node}/{basin.seen.basin.name}"
    return next(each for each in (*_going_on(basin, page), *_idle(basin, page, when)))


def _going_on(basin: BasinSeen, page: str) -> Iterator[Next]:
    """What needs somebody now, or is under way."""
    said = basin.said
    urgent = [each for each in basin.doings.alarms if each.priority is not Priority.LOW and each.seen is None]
    began_ms = _began_ms(basin)
    present = [each for each in urgent if not _of_before(each, began_ms)]
    if said.kind in _STUCK:
        yield Next(Need.NOW, said.headline, said.detail, page)
    elif said.kind in _ALL_THE_SAME:
        yield Next(Need.NOW, said.headline, said.detail, f"/alarms/{urgent[0].id}" if urgent else page)
    elif present:
        yield _alarm(present[0])
    elif said.kind in (Kind.SOAKING, Kind.BEHIND):
        yield Next(Need.SOAKING, said.headline, said.detail, page)
    elif said.kind is Kind.MET and not _emptied(basin):
        yield Next(Need.NOW, said.headline, said.detail, page)
    elif urgent:
        yield _alarm(urgent[0])
    elif basin.doings.waiting:
        yield _waiting(basin.doings.waiting)


def _began_ms(basin: BasinSeen) -> int | None:
    """When the soak began that is under way or was just met, milliseconds since 1970; None if none is."""
    now, latest = basin.seen.now, basin.seen.latest
    if now is None or basin.said.kind not in (Kind.SOAKING, Kind.MET):
        return None
    if now.closure is not None:
        return now.at_utc_ms - now.ms + now.closure.closing_ms
    return latest.closing_utc_ms if latest else None


def _of_before(alarm: Alarm, began_ms: int | None) -> bool:
    """What it tells of was over before the soak began: "close the lid now" is not what is due at a lid that is closed.

    It still stands until somebody has seen it: among the alarms of every page, and as a mark in its lane.
    """
    return began_ms is not None and alarm.cleared_ms is not None and alarm.cleared_ms <= began_ms


def _emptied(basin: BasinSeen) -> bool:
    """The lid is open, and by the record, which is kept for this basin, nothing is in it any more."""
    now, known = basin.seen.now, basin.standing
    lid_open = now is not None and now.lid is Lid.OPEN
    return lid_open and known.fill is not None and all(each.rule != IN_USE for each in known.readiness.blocks)


def _alarm(alarm: Alarm) -> Next:
    name = name_of(alarm.code)
    return Next(Need.NOW, f"{name[:1].upper()}{name[1:]}", todo_of(alarm.code), f"/alarms/{alarm.id}")


def _waiting(turns: tuple[Turn, ...]) -> Next:
    count = len(turns)
    if all(turn.dried is not None for turn in turns):
        text = many("{n} device to release", "{n} devices to release", count).format(n=count)
        return Next(Need.NOW, text, _("Rinsed and dried: with clean hands, release or reprocess."), "/release")
    if all(any(rinse.ended_ms is not None for rinse in turn.rinses) for turn in turns):
        text = many("{n} device to finish", "{n} devices to finish", count).format(n=count)
        return Next(Need.NOW, text, _("Rinse, dry, then release."), "/release")
    text = many("{n} device to rinse", "{n} devices to rinse", count).format(n=count)
    return Next(Need.NOW, text, _("Then dry and release."), "/release")


def _idle(basin: BasinSeen, page: str, when: SiteTime) -> Iterator[Next]:
    """Nothing is going on: what stands against the next load, or what will soon."""
    said, known = basin.said, basin.standing
    if said.kind is Kind.NO_REQUIREMENT and known.fill is not None:
        yield Next(Need.DUE, said.headline, said.detail, page)
    block = next((each for each in known.readiness.blocks if each.rule != IN_USE), None)
    if block is not None:
        yield Next(Need.DUE, *_not_ready(block), page)
    low = next((each for each in basin.doings.alarms if each.seen is None), None)
    if low is not None:
        yield msgspec.structs.replace(_alarm(low), need=Need.DUE)
    if soon := _runs_out(known, basin.seen.now_ms, when):
        yield Next(Need.DUE, soon, _("No soak may end later: have a new fill at hand."), page)
    if unassigned := [ms for ms in basin.unassigned_ms if when.local_date(ms) == when.local_date(basin.seen.now_ms)]:
        text = many("{n} unassigned", "{n} unassigned", len(unassigned)).format(n=len(unassigned))
        asked = _("{time}: was a device in it?").format(time=when.clock(unassigned[-1]))
        yield Next(Need.DUE, text, asked, "/unassigned")
    if said.kind is Kind.STANDING:
        yield Next(Need.NOTHING, said.headline, said.detail, page)
    if known.readiness.blocks:
        text = _("A load is recorded as in it, and the lid is open.")
        yield Next(Need.NOW, _("Close the lid, or take the load out"), text, page)
    yield Next(Need.NOTHING, _("Ready for a load"), said.detail, page)


_SHORT = {
    "node-heard": N_("Not heard"),
    "fill-in-basin": N_("No fill"),
    "profile-confirmed": N_("Label not confirmed"),
    "temperature": N_("Too cold"),
    "temperature-maximum": N_("Too warm"),
    "sensor-alive": N_("No temperature"),
    "sensor-check": N_("Sensor check due"),
    "thermometer": N_("Thermometer reading due"),
    "lid-moved": N_("Lid not seen to move today"),
    "mec-tested": N_("MEC test due"),
    "fill-failed": N_("MEC test failed"),
    "single-use": N_("Fill used up"),
    "fill-in-date": N_("Fill out of date"),
}


def _not_ready(block: Block) -> tuple[str, str]:
    """The block in a few words where there are some, else as the record says it; and its next step."""
    if block.rule in _SHORT:
        return _(_SHORT[block.rule]), f"{block.text} {block.next_step}"
    return block.text, block.next_step


def _runs_out(known: Standing, now_ms: int, when: SiteTime) -> str:
    """That the fill is to be out of use within a day."""
    if known.fill is None or known.fill.use_by_ms - now_ms > DAY_MS:
        return ""
    left = in_words(max(0, (known.fill.use_by_ms - now_ms) // 60_000 * 60_000))
    return _("Fill runs out in {left}, {time}").format(left=left, time=when.near(known.fill.use_by_ms, now_ms))
