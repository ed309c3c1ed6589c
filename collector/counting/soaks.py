"""Which closures are soaks. Pure.

A soak is a closure that a load was in, of which a device still had to meet. Apart from them stand: a lid that was
opened to add a device, said first (the time starts again, which is no failure); a lid put on again over a load that had
met; closures that no load was in; and lids put down in passing.
"""

from __future__ import annotations

import enum
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import msgspec

from collector.record.things import Stage
from soak.closure import Verdict
from soak.roundfacts import Lay

PASSING_MS = 60_000
"""Lid on for less than this is a lid put down in passing."""

FAILING = (Verdict.NOT_MET, Verdict.UNPROVEN)


class Kind(enum.StrEnum):
    """What a closure was."""

    SOAK = "soak"
    OPENING_SAID = "opened to add a device"
    AFTER_MET = "after the load had met"
    UNASSIGNED = "no load"
    PASSING = "in passing"


class Watched(msgspec.Struct, frozen=True, gc=False):
    """An ended closure as its standing verdict has it. Milliseconds since 1970; millidegrees Celsius.

    Attributes:
        id: Its row.
        key: As deeds name it, "stream:first".
        basin: "node/name".
        closing_ms: Its first reading.
        last_ms: Its last reading.
        opened_ms: Its opening; its last reading where nobody saw one.
        verdict: What it is worth.
        credited_ms: Longest time proven without a break.
        contact_ms: What it had to reach; None: nothing was required.
        min_mc: Minimum temperature; None: nothing was required.
        coldest_mc: Lowest corrected temperature; None without a value.
        allowance_mc: By how much all sensors could be lowered with the soak still met; None without such a stretch.
    """

    id: int
    key: str
    basin: str
    closing_ms: int
    last_ms: int
    opened_ms: int
    verdict: Verdict
    credited_ms: int
    contact_ms: int | None
    min_mc: int | None
    coldest_mc: int | None
    allowance_mc: int | None

    @property
    def failed(self) -> bool:
        """Not met, or unproven."""
        return self.verdict in FAILING

    @property
    def met_by_ms(self) -> int | None:
        """When it had met at the latest, milliseconds since 1970; None if it did not.

        The proven run ended with the last reading at the latest; so a wait from here on is never overstated.
        """
        if self.verdict is not Verdict.MET or self.contact_ms is None:
            return None
        return self.last_ms - self.credited_ms + self.contact_ms


class Laid(msgspec.Struct, frozen=True, gc=False):
    """A load in a basin, as the record has it.

    Attributes:
        id: Which.
        basin: "node/name".
        began_ms: When it was laid in.
        ended_ms: When the last device was taken out; None: still in.
        turns: Its devices' rounds.
        openings_ms: When somebody said, before opening the lid, that a device was to be added.
    """

    id: str
    basin: str
    began_ms: int
    ended_ms: int | None = None
    turns: tuple[str, ...] = ()
    openings_ms: tuple[int, ...] = ()


class Released(msgspec.Struct, frozen=True, gc=False):
    """When a device was released."""

    at_ms: int


class Used(msgspec.Struct, frozen=True, gc=False):
    """A device was used; `released`: it had been released."""

    released: bool = True


class Quarantined(msgspec.Struct, frozen=True, gc=False):
    """A device was put into quarantine, and what was to be done about it."""

    next_action: str = ""


class Round(msgspec.Struct, frozen=True, gc=False):
    """A device's round, as the record has it, but without anybody's name.

    Attributes:
        id: Which.
        device: Whose.
        stage: How far.
        in_ms: When it went into the solution; None: not yet.
        out_ms: When it was taken out.
        released: Its release.
        used: Its use.
        quarantine: Why it was not released.
    """

    id: str
    device: str
    stage: Stage = Stage.PREPARING
    in_ms: int | None = None
    out_ms: int | None = None
    released: Released | None = None
    used: Used | None = None
    quarantine: Quarantined | None = None

    @property
    def unreleased_use(self) -> bool:
        """It was used without release."""
        return self.used is not None and not self.used.released


class Sorted(NamedTuple):
    """A closure with what it was, the load that was in it ("": none), and that load's rounds in it."""

    closure: Watched
    kind: Kind
    load: str
    rounds: tuple[str, ...]


class Outcome(NamedTuple):
    """Closures sorted out, and the closure that each round first met in."""

    closures: list[Sorted]
    met_in: dict[str, Watched]


def sort_out(
    closures: Iterable[Watched], loads: Iterable[Laid], rounds: Mapping[str, Round], *, every_closing_is_a_load: bool
) -> Outcome:
    """Say of each closure what it was.

    Args:
        closures: In any order, each once.
        loads: All that may have been in them.
        rounds: The loads' rounds by id.
        every_closing_is_a_load: The site's rule: then a closure without a load on record counts as a soak.

    Returns:
        The closures in the order of time.
    """
    by_basin: dict[str, list[Laid]] = defaultdict(list)
    for each_load in sorted(loads, key=lambda each: each.began_ms):
        by_basin[each_load.basin].append(each_load)
    waiting = {basin: list(reversed(found)) for basin, found in by_basin.items()}
    standing: dict[str, list[Laid]] = defaultdict(list)
    outcome = Outcome([], {})
    loads_met: set[str] = set()
    for closure in sorted(closures, key=lambda each: (each.closing_ms, each.id)):
        load = _load_over(closure, waiting.get(closure.basin, []), standing[closure.basin])
        if load is None:
            passing = closure.last_ms - closure.closing_ms < PASSING_MS
            apart = Kind.PASSING if passing else Kind.UNASSIGNED
            kind = Kind.SOAK if every_closing_is_a_load else apart
            outcome.closures.append(Sorted(closure, kind, "", ()))
            continue
        inside = [found for each in load.turns if (found := rounds.get(each)) and _overlaps(found, closure)]
        had_met = all(each.id in outcome.met_in for each in inside) if inside else load.id in loads_met
        said = any(closure.closing_ms < each <= closure.opened_ms for each in load.openings_ms)
        kind = Kind.AFTER_MET if had_met else Kind.OPENING_SAID if said and closure.failed else Kind.SOAK
        outcome.closures.append(Sorted(closure, kind, load.id, tuple(each.id for each in inside)))
        if closure.verdict is Verdict.MET:
            loads_met.add(load.id)
            for each in inside:
                if each.id not in outcome.met_in and _throughout(each, closure):
                    outcome.met_in[each.id] = closure
    return outcome


def _load_over(closure: Watched, waiting: list[Laid], standing: list[Laid]) -> Laid | None:
    """The first load that was in the basin when its lid was closed; both lists move on with the closures."""
    while waiting and waiting[-1].began_ms <= closure.closing_ms:
        standing.append(waiting.pop())
    standing[:] = [each for each in standing if each.ended_ms is None or each.ended_ms > closure.closing_ms]
    return standing[0] if standing else None


def _overlaps(each: Round, closure: Watched) -> bool:
    went_in = each.in_ms is not None and each.in_ms < closure.opened_ms
    return went_in and (each.out_ms is None or each.out_ms > closure.closing_ms)


def _throughout(each: Round, closure: Watched) -> bool:
    in_ms = closure.opened_ms + 1 if each.in_ms is None else each.in_ms
    return Lay(closure.closing_ms, closure.opened_ms, closure.verdict, in_ms, each.out_ms).throughout()


def of_kind(closures: Sequence[Sorted], *kinds: Kind) -> list[Watched]:
    """The closures of some kinds."""
    return [each.closure for each in closures if each.kind in kinds]
