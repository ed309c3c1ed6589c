"""One closure that a look-back concerns, and one round: what stands on record, and what it would be worth."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from collector.lookback.judged import Judged
from collector.lookback.laid_over import LoadHere, RoundHere, throughout
from collector.lookback.moved import Supposition
from soak.closure import Verdict

_UNKNOWN_MC = 1_000_000
"""Where nothing is known to be left, it stands before whatever lacks something known."""


class Worth(msgspec.Struct, frozen=True, gc=False):
    """What a closure is worth if something is supposed.

    Attributes:
        meets: It is met.
        verdict: The word; None: it fails, and whether "not met" or "unproven" was not asked of its readings.
        left_mc: By how much more the sensors concerned could be lowered with the soak still met, in millidegrees;
            negative: what it lacks. None: there is no stretch of the contact time, or its readings were not found.
        reread: Its readings were judged again; otherwise its allowance gave the answer.
        trouble: Why its readings could not be judged again, in words; then it counts as failed. Also where they give
            another verdict now than is on record, whatever is supposed.
    """

    meets: bool
    verdict: Verdict | None
    left_mc: int | None
    reread: bool = False
    trouble: str = ""


class Concerned(msgspec.Struct, frozen=True, gc=False):
    """A closure that something concerns.

    Attributes:
        judged: The closure as it stands on record.
        loads: Loads that were in the basin during it; as a rule one, none for a closure that nobody assigned.
        turns: Rounds whose device was in the solution during it.
        worth: By what is supposed, what it would be worth; empty where nothing is supposed of its readings.
    """

    judged: Judged
    loads: tuple[LoadHere, ...]
    turns: tuple[RoundHere, ...]
    worth: dict[Supposition, Worth]

    @property
    def closure_id(self) -> int:
        """The closure's row in the store."""
        return self.judged.id

    @property
    def key(self) -> str:
        """The closure as rounds name it: "stream:first"."""
        return self.judged.key

    @property
    def stream(self) -> str:
        """Its stream."""
        return self.judged.stream

    @property
    def first(self) -> int:
        """Number of its first reading."""
        return self.judged.closure.first

    @property
    def closing_ms(self) -> int:
        """When it began, milliseconds since 1970."""
        return self.judged.closing_ms

    @property
    def basin(self) -> str:
        """Its basin, "node/name"."""
        return self.judged.basin

    @property
    def verdict(self) -> Verdict:
        """The verdict that stands."""
        return self.judged.closure.verdict

    @property
    def allowance_mc(self) -> int | None:
        """By how much all its sensors could be lowered with the soak still met, as recorded."""
        return self.judged.closure.allowance_mc

    @property
    def devices(self) -> tuple[str, ...]:
        """Devices in it, by asset number."""
        return tuple(dict.fromkeys(turn.device for turn in self.turns))

    @property
    def encounters(self) -> tuple[str, ...]:
        """Opaque references of the procedures for which these devices were used afterwards."""
        return tuple(dict.fromkeys(turn.used.encounter for turn in self.turns if turn.used and turn.used.encounter))

    def flips(self, supposed: Supposition | None = None) -> bool:
        """It stands as met and would not be: by this supposition, or by any."""
        worths = self.worth.values() if supposed is None else filter(None, [self.worth.get(supposed)])
        return self.verdict is Verdict.MET and any(not each.meets for each in worths)

    @property
    def gains(self) -> bool:
        """It does not stand as met and would be, by every supposition. Only to be told: no verdict improves by it."""
        return bool(self.worth) and self.verdict is not Verdict.MET and all(each.meets for each in self.worth.values())

    @property
    def rests_on(self) -> tuple[RoundHere, ...]:
        """Rounds whose device met by this very closure, as recorded when it was taken out."""
        return tuple(turn for turn in self.turns if turn.closure == self.key)


class Round(msgspec.Struct, frozen=True, gc=False):
    """A device's round in closures that something concerns.

    Attributes:
        turn: The round.
        closures: Those that it lay in, by time; some only partly: they prove nothing for it.
        met: It met, as recorded.
        still_met: By what is supposed, whether one of its closures would still meet.
    """

    turn: RoundHere
    closures: tuple[Concerned, ...]
    met: bool
    still_met: dict[Supposition, bool]

    @property
    def flips(self) -> bool:
        """Its device met, and by one of the suppositions it did not."""
        return self.met and not all(self.still_met.values())


def flips_first(several: Iterable[Concerned]) -> list[Concerned]:
    """Those that flip first, what lacks most in front; then the others, those with the least left in front.

    Those that flip by every supposition stand before those that flip by one only.
    """
    return sorted(several, key=_order)


def _order(each: Concerned) -> tuple[int, bool, int, int]:
    met = each.verdict is Verdict.MET
    flips = sum(not worth.meets for worth in each.worth.values()) if met else 0
    left_mc = [-_UNKNOWN_MC if worth.left_mc is None else worth.left_mc for worth in each.worth.values()]
    return -flips, not met, min(left_mc, default=0), each.closing_ms


def rounds_of(several: Sequence[Concerned]) -> list[Round]:
    """The rounds in closures, those that flip first.

    A round that lay in several closures flips only if none of those in which it lay from closing to opening would still
    meet: so give all the closures of its time, see `collector.lookback.scope.with_whole_loads`.
    """
    by_turn: dict[str, list[Concerned]] = {}
    turns: dict[str, RoundHere] = {}
    for each in sorted(several, key=lambda each: each.closing_ms):
        for turn in each.turns:
            turns[turn.id] = turn
            by_turn.setdefault(turn.id, []).append(each)
    suppositions = {supposed: None for each in several for supposed in each.worth}
    found = []
    for turn_id, closures in by_turn.items():
        turn = turns[turn_id]
        whole = [each for each in closures if throughout(turn, each.judged)]
        still = {supposed: any(_meets(each, supposed) for each in whole) for supposed in suppositions}
        found.append(Round(turn, tuple(closures), any(each.verdict is Verdict.MET for each in whole), still))
    return sorted(found, key=lambda each: (not each.flips, each.turn.in_ms or 0))


def _meets(each: Concerned, supposed: Supposition) -> bool:
    """What did not meet does not count as met now: a verdict never improves by a supposition."""
    worth = each.worth.get(supposed)
    return each.verdict is Verdict.MET and (worth is None or worth.meets)
