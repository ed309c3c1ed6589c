"""One basin in the hands of a test: readings as the sampler gives them, orders, and what the basin shows after each."""

from __future__ import annotations

from firmware.basinside import AtBasin
from firmware.orders import BasinInHand
from firmware.sampler import Newest, Sampler
from soak.reading import Fault, Reading, Why
from soak.requirement import Requirement, SensorTerms
from soak.wire import AlarmOrders, BasinOrders, BasinSide, LoadOrders

A = "28-00000000000a"
REQUIREMENT = Requirement(min_mc=20_000, contact_ms=60_000, max_mc=30_000)
DAY_S = 86_400


def orders(
    requirement: Requirement | None = REQUIREMENT,
    *,
    load: LoadOrders | None = None,
    alarms: list[AlarmOrders] | None = None,
    fill_problem: str = "",
    good_for_s: int = DAY_S,
) -> BasinOrders:
    return BasinOrders(requirement, {A: SensorTerms(500)}, good_for_s, fill_problem, load, alarms or [])


class Hands:
    """Moves the lid, presses the button, lets time pass; the node's own sampler stands between, as in the node."""

    def __init__(self, given: BasinOrders | None = None, *, closed: bool = False, ms: int = 1_000) -> None:
        self.ms, self.silent, self.mc = ms, False, 21_000
        self.fault: Fault | None = None
        self._raw = closed
        self.side = AtBasin("b1")
        if given:
            self.order(given)
        self._sampler = Sampler([A], ms, closed=closed, news=self._news())
        self._take(self._sampler.start())

    def _news(self) -> dict[str, Newest]:
        return {A: Newest(self.fault or self.mc, self.ms)}

    def _take(self, readings: list[Reading]) -> None:
        for reading in readings:
            self.side.take(reading)
        self.side.look(self.ms, collector_silent=self.silent)

    def order(self, given: BasinOrders | None, received_ms: int | None = None) -> None:
        received_ms = self.ms if received_ms is None else received_ms
        self.side.obey(None if given is None else BasinInHand(given, received_ms), self.ms)
        self.side.look(self.ms, collector_silent=self.silent)

    def lid(self, *, closed: bool) -> None:
        """An edge, now."""
        self.ms += 1  # no two readings at one moment
        self._raw = closed
        self._take(self._sampler.lid_edge(self.ms, closed=closed, news=self._news()))

    def close(self, for_s: int = 0) -> None:
        self.lid(closed=True)
        self.wait(for_s)

    def open(self, for_s: int = 0) -> None:
        self.lid(closed=False)
        self.wait(for_s)

    def press(self, then_s: int = 3) -> None:
        """Press and let go; three seconds later the next press is another."""
        self.ms += 1
        self._take(self._sampler.button_edge(self.ms, pressed=True, news=self._news()))
        self._sampler.button_edge(self.ms + 100, pressed=False, news=self._news())
        self.wait(then_s)

    def wait(self, seconds: int) -> None:
        """Let ticks come; a closing settles in between."""
        for _ in range(seconds):
            self.ms += 100
            self._take(self._sampler.settle(self.ms))
            self.ms += 900
            self._take(self._sampler.tick(self.ms, closed=self._raw, news=self._news(), why=Why.TICK))

    def chatter(self, period_ms: int, for_ms: int) -> int:
        """A contact that flickers, open first; how many different things were signalled meanwhile."""
        signalled: list[object] = []
        end_ms, closed = self.ms + for_ms, False
        while self.ms < end_ms:
            self.lid(closed=closed)
            closed = not closed
            self.ms += period_ms // 2 - 1
            self._take(self._sampler.settle(self.ms))
            if not signalled or signalled[-1] != self.side.sounding():
                signalled.append(self.side.sounding())
        return len(signalled)

    @property
    def shows(self) -> str:
        return self.side.shown().in_words()

    @property
    def sounds(self) -> list[str]:
        return [each.code for each in self.side.sounding()]

    @property
    def said(self) -> BasinSide:
        return self.side.side()
