"""The readings of one basin: ticks, lid movements, button presses and clock steps, each with the newest temperatures.

Pure. What comes out leaves with strictly rising times; while a closing is not settled, readings later than it wait,
because whether the lid was closed at their time is not known yet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from firmware.lid import Button, LidSwitch, Moved
from soak.reading import Fault, Lid, Reading, SensorId, Why

VALID_MS = 2_000
"""A value stands until two seconds after its conversion ended, equality included; then it is a fault."""

STALE = Fault("stale")
"""The sensor has answered nothing, good or bad, for longer than a value stands."""

STARTING = Fault("starting")
"""The sensor's first conversion has not ended yet."""


class Newest(NamedTuple):
    """What a sensor gave last.

    Attributes:
        result: Millidegrees Celsius, or why there are none.
        ended_ms: When the conversion ended, in milliseconds of the node's clock.
    """

    result: int | Fault
    ended_ms: int


News = Mapping[SensorId, Newest]
"""What each sensor gave last; a sensor that has given nothing yet is missing."""


def current(news: News, sensor: SensorId, ms: int, valid_ms: int = VALID_MS) -> int | Fault:
    """What stands for a sensor at `ms`: its temperature in millidegrees, or a fault."""
    newest = news.get(sensor)
    if newest is None:
        return STARTING
    return newest.result if ms - newest.ended_ms <= valid_ms else STALE


_Results = dict[SensorId, int | Fault]


class _Waiting(NamedTuple):
    ms: int
    why: Why
    results: _Results


class Sampler:
    """Takes the readings of one basin.

    Args:
        sensors: The basin's sensors.
        ms: Now.
        closed: The lid's level, polled now.
        news: What its sensors gave last.
        valid_ms: How long a value stands after its conversion ended.

    Each method returns the readings that are certain by then, oldest first.
    """

    def __init__(
        self, sensors: Sequence[SensorId], ms: int, *, closed: bool, news: News, valid_ms: int = VALID_MS
    ) -> None:
        self._sensors, self._valid_ms = tuple(sensors), valid_ms
        self._lid = LidSwitch(ms, closed=closed)
        self._button = Button()
        self._last_ms = -1
        self._at_closing = self._results(ms, news)
        self._waiting = [_Waiting(ms, Why.START, self._at_closing)]

    @property
    def settles_ms(self) -> int | None:
        """When to call `settle`, if nothing happens before."""
        return self._lid.settles_ms

    def start(self) -> list[Reading]:
        """The first reading; it waits until a closed lid has settled."""
        return self._released()

    def tick(self, ms: int, *, closed: bool, news: News, why: Why = Why.TICK) -> list[Reading]:
        """A second has passed, or the wall clock stepped; `closed` is the lid's level, polled now."""
        results = self._results(ms, news)
        out = self._signal(self._lid.poll, ms, closed, results)
        self._waiting.append(_Waiting(ms, why, results))
        return out + self._released()

    def lid_edge(self, ms: int, *, closed: bool, news: News) -> list[Reading]:
        """The lid's contact changed at `ms`."""
        return self._signal(self._lid.edge, ms, closed, self._results(ms, news)) + self._released()

    def button_edge(self, ms: int, *, pressed: bool, news: News) -> list[Reading]:
        """The button's contact changed at `ms`."""
        if self._button.edge(ms, pressed=pressed):
            self._waiting.append(_Waiting(ms, Why.BUTTON, self._results(ms, news)))
        return self._released()

    def settle(self, now_ms: int) -> list[Reading]:
        """Nothing else happened until `now_ms`."""
        return self._moved(self._lid.settle(now_ms), self._at_closing) + self._released()

    def end(self) -> list[Reading]:
        """No more is to come: an unsettled closing is none, so what still waits had the lid open."""
        waiting, self._waiting = self._waiting, []
        return self._taken(waiting)

    def _signal(self, told: Callable[..., list[Moved]], ms: int, closed: bool, results: _Results) -> list[Reading]:
        before_ms = self._lid.closing_ms
        out = self._moved(told(ms, closed=closed), results)
        if self._lid.closing_ms != before_ms:
            self._at_closing = results  # with these the closing's reading leaves, should it settle
        return out

    def _moved(self, moved: Sequence[Moved], results: _Results) -> list[Reading]:
        """The readings of the lid's movements; those that waited for a closing to settle follow it."""
        out: list[Reading] = []
        for ms, closed in moved:
            if not closed:
                out += self._taken([_Waiting(ms, Why.LID, results)], Lid.OPEN)
                continue
            began_closed = self._last_ms < 0  # then the first reading waits for this and says it, and nothing moved
            waited, self._waiting = self._waiting, []
            out += self._taken(
                waited if began_closed else [_Waiting(ms, Why.LID, self._at_closing), *waited], Lid.CLOSED
            )
        return out

    def _released(self) -> list[Reading]:
        """The readings about which the lid is certain."""
        closing_ms = self._lid.closing_ms
        certain = [one for one in self._waiting if closing_ms is None or one.ms < closing_ms]
        self._waiting = [one for one in self._waiting if one not in certain]
        return self._taken(certain, Lid.CLOSED if self._lid.closed else Lid.OPEN)

    def _taken(self, certain: Sequence[_Waiting], lid: Lid = Lid.OPEN) -> list[Reading]:
        """Readings that leave now. A tick at the moment of another reading adds nothing to it."""
        out: list[Reading] = []
        for ms, why, results in certain:
            if ms <= self._last_ms and why is Why.TICK:
                continue
            self._last_ms = max(ms, self._last_ms + 1)
            mc = {sensor: result if isinstance(result, int) else None for sensor, result in results.items()}
            fault = {sensor: result for sensor, result in results.items() if not isinstance(result, int)}
            out.append(Reading(self._last_ms, why, lid, mc, fault))
        return out

    def _results(self, ms: int, news: News) -> _Results:
        return {sensor: current(news, sensor, ms, self._valid_ms) for sensor in self._sensors}
