"""What waits for one route: joined, sent again with back-off, given up. Pure: times are handed in."""

from __future__ import annotations

import math

import msgspec

from collector.alarms.notices import Message, Notice, Outcome, joined
from soak.alarms import Priority

MOST_WAITING = 200
"""For one route; beyond it the least urgent and oldest are given up."""

_STOPPED = "not sent: the collector was stopped"


class Pace(msgspec.Struct, frozen=True):
    """How fast routes are used, in seconds. All of it is our own choice.

    Attributes:
        limit_s: A sending is ended after so long.
        silent_s: The process that sends is replaced when it says nothing for so long; while it begins it has longer.
        renew_s: One that does not live is begun again after so long, then after longer and longer.
        high_gather_s: High notices that come within so long of a message go together in the next.
        gather_s: The others likewise; a phone is not flooded.
        retry_s: Pauses after each failure; the last one repeats.
        keep_trying_s: For how long a notice is tried again: a high one for a day, for a network may be away all night
            and whoever has not seen it must still be told; a low one is soon of no use.
    """

    limit_s: float = 20.0
    silent_s: float = 10.0
    renew_s: float = 1.0
    high_gather_s: float = 5.0
    gather_s: float = 60.0
    retry_s: tuple[float, ...] = (5.0, 15.0, 60.0, 300.0, 900.0, 1_800.0)
    keep_trying_s: tuple[float, float, float] = (24 * 3_600.0, 3_600.0, 600.0)


class _Waiting:
    """A notice on its way."""

    __slots__ = ("due_s", "notice", "since_s", "tries")

    def __init__(self, notice: Notice, now_s: float) -> None:
        self.notice, self.since_s, self.due_s, self.tries = notice, now_s, now_s, 0

    @property
    def high(self) -> bool:
        return self.notice.priority is Priority.HIGH

    @property
    def order(self) -> tuple[int, float]:
        """The most urgent first, then the oldest."""
        return self.notice.priority.rank, self.since_s


class Lane:
    """One route of one person. At most one message of high notices and one of others are under way at a time: a high
    one never waits for a lower one.

    Args:
        person: Label of the person.
        route: For people, without a secret.
        pace: How fast.
    """

    def __init__(self, person: str, route: str, pace: Pace) -> None:
        self.person, self.route = person, route
        self._pace = pace
        self._waiting: list[_Waiting] = []
        self._under_way: dict[bool, list[_Waiting]] = {}
        self._not_before_s = {True: -math.inf, False: -math.inf}

    def put(self, notice: Notice, now_s: float, at_ms: int) -> list[Outcome]:
        """Take in a notice; what is given up for it."""
        self._waiting.append(_Waiting(notice, now_s))
        if len(self._waiting) <= MOST_WAITING:
            return []
        victim = max(self._waiting, key=lambda each: (each.notice.priority.rank, -each.since_s))
        self._waiting.remove(victim)
        return [self._outcome(victim, False, "given up: too many others wait for this route", at_ms)]

    def begin(self, now_s: float) -> list[tuple[bool, Message]]:
        """What to send now: whether it is the high one, and the message. `end` must follow for each."""
        begun = []
        for high in (True, False):
            if high in self._under_way or now_s < self._not_before_s[high]:
                continue
            due = sorted((each for each in self._of(high) if each.due_s <= now_s), key=lambda each: each.order)
            if due:
                self._waiting = [each for each in self._waiting if each not in due]
                self._under_way[high] = due
                self._not_before_s[high] = now_s + (self._pace.high_gather_s if high else self._pace.gather_s)
                begun.append((high, joined([each.notice for each in due])))
        return begun

    def end(self, high: bool, ok: bool, detail: str, now_s: float, at_ms: int) -> list[Outcome]:
        """A message is over; what there is to say of its notices."""
        sent = self._under_way.pop(high, [])
        for each in sent:
            each.tries += 1
        if ok:
            for each in self._waiting:  # the route works again
                each.due_s = min(each.due_s, now_s)
            return [self._outcome(each, True, detail, at_ms) for each in sent]
        outcomes = []
        for each in sent:
            each.due_s = now_s + self._pace.retry_s[min(each.tries, len(self._pace.retry_s)) - 1]
            over = each.due_s - each.since_s > self._pace.keep_trying_s[each.notice.priority.rank]
            if not over:
                self._waiting.append(each)
            if over or each.tries == 1:
                outcomes.append(self._outcome(each, False, detail, at_ms, over=over))
        return outcomes

    def end_all(self, detail: str, now_s: float, at_ms: int) -> list[Outcome]:
        """Whatever is under way has failed."""
        return [each for high in list(self._under_way) for each in self.end(high, False, detail, now_s, at_ms)]

    def next_s(self) -> float:
        """When there may be something to begin; infinite while nothing waits."""
        return min(
            (
                max(self._not_before_s[high], min(each.due_s for each in waiting))
                for high in (True, False)
                if high not in self._under_way and (waiting := self._of(high))
            ),
            default=math.inf,
        )

    def give_back(self, at_ms: int) -> list[Outcome]:
        """Everything that has not been taken, as failed; the lane is empty then."""
        left = [*self._waiting, *(each for sent in self._under_way.values() for each in sent)]
        self._waiting, self._under_way = [], {}
        return [self._outcome(each, False, _STOPPED, at_ms) for each in left]

    def _of(self, high: bool) -> list[_Waiting]:
        return [each for each in self._waiting if each.high is high]

    def _outcome(self, of: _Waiting, ok: bool, detail: str, at_ms: int, *, over: bool = True) -> Outcome:
        return Outcome(of.notice.key, self.person, self.route, ok, detail, of.tries, at_ms, over)
