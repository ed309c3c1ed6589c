"""For tests of the outbox: a clock to set, readings like real ones, and everything that an outbox holds."""

from __future__ import annotations

from random import Random

from firmware.outbox import Outbox
from soak.reading import Fault, Lid, Reading, Why

A, B = "28-00000000000a", "28-00000000000b"
BOOT_1, BOOT_2 = "9f6c0000-0000-4000-8000-000000000001", "9f6c0000-0000-4000-8000-000000000002"


class SetClock:
    """Shows what the test sets."""

    def __init__(self, boot_id: str = BOOT_1, boot_ms: int = 0, utc_ms: int = 1_700_000_000_000) -> None:
        self.boot_id, self.now_ms, self.wall_ms, self.is_synced = boot_id, boot_ms, utc_ms, True

    def boot_ms(self) -> int:
        return self.now_ms

    def utc_ms(self) -> int:
        return self.wall_ms

    def synced(self) -> bool:
        return self.is_synced

    def real_s(self, ms: int) -> float:
        return ms / 1000


def reading(ms: int, mc: int = 21_312, why: Why = Why.TICK, lid: Lid = Lid.CLOSED) -> Reading:
    return Reading(ms, why, lid, {A: mc})


class Basins:
    """Seeded readings of some basins, one sensor each, as real ones are.

    A DS18B20 gives sixteenths of a degree (datasheet); its noise of a third of a step and ticks up to some milliseconds
    late are common practice. A lid moves now and then, a conversion fails now and then.

    Args:
        count: How many.
        seed: Of everything.
        noise_mc: Standard deviation of a conversion, in millidegrees.
        late_ms: How late a tick is on average.
    """

    def __init__(self, count: int, seed: int = 1, *, noise_mc: float = 22, late_ms: float = 2) -> None:
        self._dice, self._noise_mc, self._late_ms = Random(seed), noise_mc, late_ms
        self.names = [f"b{index}" for index in range(1, count + 1)]
        self.sensors = {name: f"28-{index:012x}" for index, name in enumerate(self.names)}
        self._mc = dict.fromkeys(self.names, 20_800.0)
        self._lid = dict.fromkeys(self.names, Lid.CLOSED)
        self.ms = 10_000

    def second(self) -> list[tuple[str, Reading]]:
        """What all of them give in the next second."""
        self.ms += 1_000
        out = []
        for name in self.names:
            ms = self.ms + min(900, int(self._dice.expovariate(1 / self._late_ms)))
            self._mc[name] += self._dice.gauss(0, 1.5) + (20_800 - self._mc[name]) / 4_000
            moved = self._dice.random() < 1 / 500
            if moved:
                self._lid[name] = Lid.OPEN if self._lid[name] is Lid.CLOSED else Lid.CLOSED
            mc = int(round(self._dice.gauss(self._mc[name], self._noise_mc) / 62.5) * 1_000 / 16)
            sensor, failed = self.sensors[name], self._dice.random() < 1 / 3_000
            fault = {sensor: Fault("crc", "4b017f46ff1010c4aa")} if failed else {}
            why = Why.LID if moved else Why.TICK
            out.append((name, Reading(ms, why, self._lid[name], {sensor: None if failed else mc}, fault)))
        return out


def everything(outbox: Outbox) -> dict[str, dict[int, Reading]]:
    """All that an outbox holds, by stream and number, as the uplink would read it."""
    found: dict[str, dict[int, Reading]] = {}
    for told in outbox.streams():
        numbers = found.setdefault(told.stream, {})
        for first, last in outbox.held(told.stream):
            while first <= last:
                batch = outbox.batch(told.stream, first, min(500, last - first + 1))
                numbers.update(enumerate(batch.readings, batch.first))
                first = batch.last + 1  # noqa: PLW2901
    return found
