"""Release: a named person says that devices may be used. `soak.releasable` decides; nothing goes round it."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.record.book import Book, Watched
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.rinses import rinses_needed
from collector.record.rounds.rounds import round_at
from collector.record.rounds.soaks import lay_of, profile_of, soak_of
from collector.record.solutions.mec import daily, proven
from collector.record.things import (
    Attested,
    Device,
    DeviceType,
    Fill,
    Id,
    Load,
    MecResult,
    MecTest,
    Note,
    Profile,
    Stage,
    Turn,
)
from soak.closure import Verdict
from soak.releasable import Missing, releasable
from soak.roundfacts import Facts, FillFact, Lay, MecFact, RinseFact


@deed
class Release(Deed, frozen=True, kw_only=True):
    """Release devices: they may be used.

    Attributes:
        devices: Asset numbers, one or a batch; all of them or none.
        note: In your words.
    """

    NAME = "release"
    SECOND_FACTOR = True

    devices: Annotated[tuple[Id, ...], msgspec.Meta(min_length=1, max_length=50)]
    note: Note = ""

    def perform(self, book: Book) -> Turn:
        """Nothing is missing for any of them."""
        rounds = [round_at(book, device_id, Stage.SOAKED)[1] for device_id in dict.fromkeys(self.devices)]
        refusals = [(turn, missing[0]) for turn in rounds if (missing := release_facts(book, turn)[1])]
        if refusals:
            several = " Nothing was released." if len(rounds) > 1 else ""
            text = " ".join(first.text for _, first in refusals)
            raise RefusedError(refusals[0][1].rule, f"{text}{several}", refusals[0][1].next_step)
        released = Attested(book.who, book.at_ms, self.note)
        for turn in rounds:
            closure = _closure_that_counts(book, turn)
            key = closure.key if closure else ""
            book.put(replace(turn, stage=Stage.RELEASED, released=released, closure=key))
        return book.get(Turn, rounds[0].id)


def release_facts(book: Book, turn: Turn) -> tuple[Facts, tuple[Missing, ...]]:
    """What is known of a round, and what is missing before its device may be released.

    Where several closures met for it, the one counts for which the least is missing: a device that stays in while
    another is added may be met twice.
    """
    facts = _facts(book, turn, _closure_that_counts(book, turn))
    return facts, releasable(facts)


def _closure_that_counts(book: Book, turn: Turn) -> Watched | None:
    soak = soak_of(book, turn)
    return min(soak.met, key=lambda each: len(releasable(_facts(book, turn, each))), default=soak.best)


def _facts(book: Book, turn: Turn, watched: Watched | None) -> Facts:
    device = book.get(Device, turn.device)
    device_type = book.get(DeviceType, device.type)
    profile = profile_of(book, turn)
    lay = _lay(book, turn, watched, profile)
    rinses = rinses_needed(book, turn)
    return Facts(
        device=device.id,
        required_steps=tuple(step.value for step in device_type.steps),
        steps={name: step.on_record_ms for name, step in turn.steps.items()},
        profile=profile.id if profile else "",
        permitted_profiles=device_type.profiles,
        kind=device_type.kind,
        excluded_kinds=profile.excluded_kinds if profile else (),
        mec_needed=profile.mec_monitored if profile else True,
        mec=_mec(book, turn, profile, lay),
        fill=_fill(book, turn, lay),
        soak=lay,
        rinses=tuple(RinseFact(each.began_ms, each.ended_ms, each.fresh) for each in turn.rinses),
        rinse_count=rinses.count if rinses else None,
        rinse_ms=rinses.each_ms if rinses else 0,
        dried_ms=turn.dried.at_ms if turn.dried else None,
        dry_ms=device_type.dry_ms,
        quarantine=device.quarantine.reason if device.quarantine else "",
        look_backs=device.lookbacks,
    )


def _lay(book: Book, turn: Turn, watched: Watched | None, profile: Profile | None) -> Lay | None:
    soak = soak_of(book, turn)
    if soak.verdict is Verdict.RUNNING and soak.running_since_ms is not None and turn.in_ms is not None:
        return Lay(soak.running_since_ms, book.at_ms, Verdict.RUNNING, turn.in_ms, turn.out_ms)
    if watched is None:
        return None
    unseen_until_ms = None if watched.closure.opening_seen else _out_by_ms(book, turn, watched)
    return replace(lay_of(turn, watched), outdated=_outdated(watched, profile), unseen_until_ms=unseen_until_ms)


def _out_by_ms(book: Book, turn: Turn, watched: Watched) -> int:
    """The first sign that a device had come out from under a lid that nobody saw opened; without one, now.

    Its taking out, if somebody said when that was: where the record took it from the closure (assigned late, or at an
    opening before the lid was seen closed), it is no more than the last reading. Its first rinse, then.
    """
    signs = (turn.out_ms, *(rinse.began_ms for rinse in turn.rinses))
    return next((ms for ms in signs if ms is not None and ms > watched.opened_ms), book.at_ms)


def _outdated(watched: Watched, profile: Profile | None) -> bool:
    """Judged by less than its label asks for now: corrections are written beside the collector, which judges later."""
    judged_by = watched.closure.requirement
    asked = profile.requirement(judged_by.max_gap_ms) if profile and judged_by else None
    return judged_by is None or asked is None or not judged_by.as_strict_as(asked)


def _mec(book: Book, turn: Turn, profile: Profile | None, lay: Lay | None) -> MecFact | None:
    load = book.find(Load, turn.load) if turn.load else None
    test = book.find(MecTest, load.mec_test) if load and load.mec_test else None
    if load is None or test is None or profile is None:
        return None
    if daily(book, profile):
        counts = lay is None or book.local_date(test.dipped_ms) == book.local_date(lay.closing_ms)
    else:
        counts = test.used_for == load.id
    passed = test.result is MecResult.PASS
    return MecFact(test.fill, passed, counts, test.dipped_ms, test.read_ms, proven(book, test))


def _fill(book: Book, turn: Turn, lay: Lay | None) -> FillFact | None:
    fill = book.find(Fill, turn.fill) if turn.fill else None
    if fill is None:
        return None
    until_ms = book.at_ms if lay is None else lay.opened_by_ms
    return FillFact(
        id=fill.id,
        poured_ms=fill.poured_ms,
        changed_ms=max((each.at_ms for each in fill.poured if each.at_ms <= until_ms), default=fill.poured_ms),
        use_by_ms=fill.use_by_ms,
        failed_ms=fill.failed_ms,
        gone_ms=fill.discarded.at_ms if fill.discarded else None,
    )
