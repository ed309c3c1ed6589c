"""How long the closure in progress has been proven up to now: what the level in the vessel shows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from collector.read import Basin, BasinNow
from soak.exposure import Meter
from soak.reading import Reading
from soak.requirement import Judge


def unbroken_ms(basin: Basin, now: BasinNow, recent: Callable[[int], Iterable[Reading]]) -> int:
    """Time credited without a break up to the newest reading; the stored closure says only which run was longest.

    Args:
        basin: The basin, for the terms of its sensors.
        now: Its newest reading.
        recent: Gives the closure's readings of the last so many milliseconds; asked only where the closure has had
            a break, since then the longest run need not be the present one.
    """
    closure = now.closure
    if closure is None or closure.requirement is None or not basin.sensors:
        return 0
    judged = Judge(closure.requirement, basin.sensors).of(now.mc)
    if judged is not None and (judged.margin_mc < 0 or judged.above):
        return 0
    if closure.credited_ms == closure.closed_ms:
        return closure.credited_ms  # no break at all
    meter = Meter(closure.requirement, basin.sensors)
    own = (each for each in recent(closure.requirement.contact_ms) if closure.closing_ms <= each.ms <= now.ms)
    for number, reading in enumerate(_rising(own), start=1):
        meter.feed(number, reading)  # a closure has every number, so these follow on
    state = meter.state().closure
    if state is None or state.credited.start_ms is None or state.known_ms is None:
        return 0
    return state.known_ms - state.credited.start_ms


def _rising(readings: Iterable[Reading]) -> Iterator[Reading]:
    """Without what another stream may have left in the same stretch of wall-clock time."""
    last_ms = -1
    for reading in readings:
        if reading.ms > last_ms:
            yield reading
            last_ms = reading.ms
