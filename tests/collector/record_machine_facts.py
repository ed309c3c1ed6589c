"""The state machine's own bookkeeping of what happened, and its own words for when a device may be released.

Nothing here asks the record: it is written from what was fed, what was said and accepted, and the clock. Where the two
sides could see a boundary differently (a lid opens between two readings), this one is the more generous.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from record_kit import DAY_MS, MINUTE_MS, ZONE

WATCHED_GAP_MS = 5_000


@dataclass
class Shut:
    """One time that a basin's lid was closed: what its sensor really read."""

    basin: str
    readings: list[tuple[int, int]] = field(default_factory=list)
    over: bool = False

    @property
    def closing_ms(self) -> int:
        return self.readings[0][0]

    @property
    def opening_ms(self) -> int:
        return self.readings[-1][0]

    def warm_ms(self, least_mc: int) -> int:
        """The longest unbroken time at or above a temperature."""
        best, began_ms, last_ms = 0, None, None
        for ms, mc in self.readings:
            if mc < least_mc:
                began_ms = None
            elif began_ms is None or last_ms is None or ms - last_ms > WATCHED_GAP_MS:
                began_ms = ms
            if began_ms is not None:
                best = max(best, ms - began_ms)
            last_ms = ms
        return best


@dataclass
class Solution:
    """What a label asks, as it stands now."""

    min_mc: int
    contact_ms: int
    rinses: tuple[int, int]
    reuse_days: int
    excluded: tuple[str, ...] = ()


@dataclass
class Kind:
    """What the maker of a type of device asks, as it stands now."""

    kind: str
    profiles: tuple[str, ...]
    steps: tuple[str, ...]
    rinses: tuple[int, int] = (0, 0)


@dataclass
class Tested:
    """One strip."""

    dipped_ms: int
    result: str = ""
    read_ms: int = 0


@dataclass
class Filled:
    """One pour."""

    id: str
    basin: str
    profile: str
    poured_ms: int
    use_by_ms: int
    changed_ms: list[int]
    failed_ms: int | None = None
    discarded_ms: int | None = None
    tests: dict[str, Tested] = field(default_factory=dict)

    def in_use(self, ms: int) -> bool:
        """Nothing has ended it yet."""
        over = (self.failed_ms, self.discarded_ms)
        return ms <= self.use_by_ms and not any(each is not None and each <= ms for each in over)


@dataclass
class Laden:
    """One load."""

    id: str
    fill: Filled
    began_ms: int
    needs_test_at_start: bool
    released: list[Stay] = field(default_factory=list)


@dataclass
class Stay:
    """One device in one load."""

    round: Round
    load: Laden
    in_ms: int
    out_ms: int | None = None


@dataclass
class Round:
    """One round of one device."""

    id: str
    device: str
    kind: Kind
    steps: dict[str, int] = field(default_factory=dict)
    stays: list[Stay] = field(default_factory=list)
    rinses: list[tuple[int, int, bool]] = field(default_factory=list)
    rinsing: tuple[int, bool] | None = None
    dried_ms: int | None = None
    quarantined: bool = False
    used: bool = False
    released: bool = False
    ended: bool = False
    doubts: set[str] = field(default_factory=set)
    """Look-backs that must have taken it in."""

    @property
    def stay(self) -> Stay | None:
        return self.stays[-1] if self.stays else None


UNCERTAINTY_MC = 500


@dataclass
class Site:
    """All of it."""

    solutions: dict[str, Solution]
    kinds: dict[str, Kind]
    devices: dict[str, str]
    bottles: dict[str, tuple[str, date]] = field(default_factory=dict)
    fills: dict[str, Filled] = field(default_factory=dict)
    loads: dict[str, Laden] = field(default_factory=dict)
    rounds: dict[str, list[Round]] = field(default_factory=dict)
    shuts: list[Shut] = field(default_factory=list)
    quarantined: set[str] = field(default_factory=set)
    open_look_backs: dict[str, set[str]] = field(default_factory=dict)
    freed: set[tuple[str, str]] = field(default_factory=set)

    def look_back_opened(self, look_back: str, turns: Iterable[str]) -> None:
        """It holds devices of which the round concerned goes on. One that was used or begun anew has moved on."""
        current = [rounds[-1] for rounds in self.rounds.values() if rounds]
        held = {each.device for each in current if each.id in set(turns) and not each.used and not each.ended}
        self.open_look_backs[look_back] = held

    def round_of(self, device: str) -> Round | None:
        rounds = self.rounds.get(device, [])
        return rounds[-1] if rounds else None

    def fill_in(self, basin: str) -> Filled | None:
        return next((each for each in self.fills.values() if each.basin == basin and each.discarded_ms is None), None)

    def in_basin(self, basin: str) -> list[Stay]:
        rounds = [each for all_of in self.rounds.values() for each in all_of]
        stays = [stay for each in rounds for stay in each.stays if stay.out_ms is None]
        return [stay for stay in stays if stay.load.fill.basin == basin]

    def last_good_ms(self, bottles: Iterable[str]) -> int:
        """When the first of some bottles goes out of date: the end of the day printed on it."""
        ends = (datetime.combine(self.bottles[each][1] + timedelta(days=1), datetime.min.time()) for each in bottles)
        return min(int(each.replace(tzinfo=ZONE).timestamp() * 1000) for each in ends) - 1

    def use_by_ms(self, profile: str, poured_ms: int, bottles: Iterable[str]) -> int:
        """Reuse life counts to the whole minute, as it is shown; a date printed on a bottle to the end of its day."""
        reuse_ms = (poured_ms + self.solutions[profile].reuse_days * DAY_MS) // MINUTE_MS * MINUTE_MS
        return min(reuse_ms, self.last_good_ms(bottles))

    # In its own words: what stands against releasing a device

    def against(self, device: str, *, second_factor: bool, hands: bool, besides: Sequence[str] = ()) -> set[str]:
        """The clauses that do not hold for a device, told apart; empty: it may be released.

        Args:
            device: Which.
            second_factor: Whoever releases it has proven who they are twice.
            hands: They are somebody who may.
            besides: Other devices released at the same time.
        """
        found: set[str] = set()
        if not second_factor:
            found.add("second factor")
        if not hands:
            found.add("person")
        current = self.round_of(device)
        if current is None or current.used or current.ended or current.released:
            return found | {"round"}
        if device in self.quarantined or current.quarantined:
            found.add("quarantine")
        if any(
            device in devices and (each, device) not in self.freed for each, devices in self.open_look_backs.items()
        ):
            found.add("look-back")
        if any(each in self.open_look_backs and (each, device) not in self.freed for each in current.doubts):
            found.add("look-back")
        stay = current.stay
        if stay is None:
            return found | {"soak"}
        shuts = [each for each in self.shuts if each.over and each.basin == stay.load.fill.basin]
        rests = [self._against_soak(current, stay, shut, besides) for shut in shuts]
        return found | min(rests, key=len, default={"soak"})

    def _against_soak(self, current: Round, stay: Stay, shut: Shut, besides: Sequence[str]) -> set[str]:
        """What stands against it if it is this closure that counts."""
        found: set[str] = set()
        fill, kind = stay.load.fill, current.kind
        solution = self.solutions[fill.profile]
        if stay.in_ms > shut.closing_ms or (stay.out_ms is None or stay.out_ms < shut.opening_ms):
            found.add("lay in it from closing to opening")
        if shut.warm_ms(solution.min_mc + UNCERTAINTY_MC) < solution.contact_ms:
            found.add("soak")
        if any(current.steps.get(step, shut.closing_ms + 1) > shut.closing_ms for step in kind.steps):
            found.add("steps")
        if fill.profile not in kind.profiles or kind.kind in solution.excluded:
            found.add("solution")
        if shut.opening_ms > fill.use_by_ms:
            found.add("fill in date")
        if fill.failed_ms is not None and fill.failed_ms <= shut.opening_ms:
            found.add("fill failed")
        if fill.discarded_ms is not None and fill.discarded_ms < shut.opening_ms:
            found.add("fill discarded")
        if shut.closing_ms < fill.poured_ms:
            found.add("fill poured")
        if not self._tested(stay, shut, besides):
            found.add("MEC test")
        return found | self._against_finish(current, shut, solution)

    def _against_finish(self, current: Round, shut: Shut, solution: Solution) -> set[str]:
        count = max(solution.rinses[0], current.kind.rinses[0])
        each_ms = max(solution.rinses[1], current.kind.rinses[1])
        good = [
            ended_ms
            for began_ms, ended_ms, fresh in current.rinses
            if fresh and began_ms >= shut.opening_ms and ended_ms - began_ms >= each_ms
        ]
        found = {"rinses"} if len(good) < count else set()
        rinsed_ms = max((ended_ms for _, ended_ms, _ in current.rinses), default=shut.opening_ms)
        if current.rinsing or current.dried_ms is None or current.dried_ms < max(rinsed_ms, shut.opening_ms):
            found.add("dried")
        return found

    def _tested(self, stay: Stay, shut: Shut, besides: Sequence[str]) -> bool:
        """There is a way to give every load of the fill a passed test of its own, this one before its closing."""
        fill = stay.load.fill
        wanted: dict[str, set[str]] = {}
        for load in self.loads.values():
            if load.fill is not fill:
                continue
            if load is stay.load:
                mine = _good(fill, shut.closing_ms, shut.opening_ms)
                for each in load.released:
                    mine &= self._good_for(each)
                wanted[load.id] = mine
            elif load.released or any(each.load is load for each in self._stays(besides)):
                lying = [*load.released, *(each for each in self._stays(besides) if each.load is load)]
                wanted[load.id] = set.intersection(*(self._good_for(each) for each in lying))
            elif load.needs_test_at_start:
                wanted[load.id] = _good(fill, load.began_ms, load.began_ms)
        return _each_its_own(wanted)

    def _stays(self, devices: Sequence[str]) -> list[Stay]:
        rounds = [self.round_of(each) for each in devices]
        return [each.stay for each in rounds if each and each.stay]

    def _good_for(self, stay: Stay) -> set[str]:
        """Tests that clear a device's soak, whichever of its closures it is that met."""
        solution, found = self.solutions[stay.load.fill.profile], set[str]()
        for shut in self.shuts:
            lay_in = stay.in_ms <= shut.closing_ms and (stay.out_ms or 0) >= shut.opening_ms
            met = stay.round.released or shut.warm_ms(solution.min_mc + UNCERTAINTY_MC) >= solution.contact_ms
            if shut.over and shut.basin == stay.load.fill.basin and lay_in and met:
                found |= _good(stay.load.fill, shut.closing_ms, shut.opening_ms)
        return found


def _good(fill: Filled, closing_ms: int, opening_ms: int) -> set[str]:
    """Tests of a fill that passed, were read before a closing, and dipped after all that was added by its opening."""
    added_ms = max((each for each in fill.changed_ms if each <= opening_ms), default=0)
    return {
        name
        for name, test in fill.tests.items()
        if test.result == "pass" and test.read_ms <= closing_ms and test.dipped_ms >= added_ms
    }


def _each_its_own(wanted: dict[str, set[str]]) -> bool:
    """Whether every load can have a test that no other has (a matching)."""
    taken: dict[str, str] = {}

    def give(load: str, seen: set[str]) -> bool:
        for test in wanted[load] - seen:
            seen.add(test)
            if test not in taken or give(taken[test], seen):
                taken[test] = load
                return True
        return False

    return all(give(load, set()) for load in wanted)
