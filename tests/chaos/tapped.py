"""A simulated node as in `soakledger rehearse`, with the real firmware, that also writes down what it did: see `tap`.

`python -m tests.chaos.tapped SETTINGS SCENARIO REHEARSAL SEED TAPS SILENCE`. As soon as there is a file SILENCE it
takes no more readings, and goes on sending those it has.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from unittest import mock

import msgspec

import firmware.outbox_file
from firmware.clock import read_together
from firmware.settings import Settings, load
from firmware.simulator import command
from firmware.simulator.memory import MEMORY_FILE
from firmware.simulator.pins import Hand
from firmware.simulator.rehearsed import Rehearsed
from firmware.simulator.scenario import Scenario
from soak.reading import Reading, SensorId
from soak.rehearsal import Rehearsal
from tests.chaos import tap
from tests.chaos.disk import run_of
from tests.chaos.program import program


def tapped_outbox(spout: tap.Tap, silence: Path) -> type:
    """The outbox, with a record of what it is given; it counts for itself."""
    from firmware.outbox import Outbox  # noqa: PLC0415

    class TappedOutbox(Outbox):
        def begin(self, basin: str, sensors: Sequence[SensorId]) -> str:
            stream = super().begin(basin, sensors)
            boot_ms, utc_ms = read_together(self._clock)
            spout.say(tap.Begun(stream, basin, self._clock.boot_id, utc_ms - boot_ms))
            self.__dict__.setdefault("tapped", {})[basin] = [stream, 0]
            return stream

        def append(self, readings: Sequence[tuple[str, Reading]], *, urgent: bool = False) -> None:
            if silence.exists():
                return
            taken = []
            for basin, reading in readings:
                counted = self.__dict__["tapped"][basin]
                counted[1] += 1
                taken.append((counted[0], counted[1], reading))
            spout.say(tap.Taken(taken))
            super().append(readings, urgent=urgent)

    return TappedOutbox


def tapped_file(spout: tap.Tap) -> type:
    """The outbox's file, with a record of what was committed, written after the commit."""

    class TappedFile(firmware.outbox_file.OutboxFile):
        def begin(self) -> None:
            self.tapped: list[tuple[str, int, int]] = []
            super().begin()

        def put(self, rows: Iterable[tuple[int, bytes]]) -> None:
            rows = list(rows)
            self.tapped += [run for _, data in rows if (run := run_of(data))]
            super().put(rows)

        def commit(self) -> None:
            super().commit()
            if self.tapped:
                spout.say(tap.Kept(self.tapped))

    return TappedFile


def tapped_hand(spout: tap.Tap, settings: Settings, rehearsal: Rehearsal) -> type:
    """The hand on the lids, with a record of what it did."""
    lids = {basin.lid_pin: basin.name for basin in settings.basins}

    def now_ms() -> int:
        return rehearsal.utc_ms(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000)

    class TappedHand(Hand):
        moving = False

        def set(self, number: int, *, closed: bool) -> None:
            before_ms = now_ms()
            super().set(number, closed=closed)
            if not self.moving and number in lids:
                spout.say(tap.Moved(lids[number], closed, before_ms, now_ms()))

        def move(self, number: int, *, closed: bool) -> None:
            before_ms, self.moving = now_ms(), True
            super().move(number, closed=closed)
            self.moving = False
            if number in lids:
                spout.say(tap.Moved(lids[number], closed, before_ms, now_ms()))

    return TappedHand


def main(settings_file: str, scenario_file: str, rehearsal_text: str, seed: str, taps: str, silence: str) -> None:
    """Run it until SIGTERM, or until it is killed."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    command._simulated_hardware()
    settings, rehearsal = load(Path(settings_file)), Rehearsal.parsed(rehearsal_text)
    scenario = msgspec.json.decode(Path(scenario_file).read_bytes(), type=Scenario)
    spout = tap.Tap(Path(taps))
    patches: list[tuple[str, Any]] = [
        ("firmware.outbox.OutboxFile", tapped_file(spout)),
        ("firmware.node.Outbox", tapped_outbox(spout, Path(silence))),
        ("firmware.simulator.rehearsed.Hand", tapped_hand(spout, settings, rehearsal)),
        ("firmware.simulator.world.live_scripts", program),
    ]
    for name, tapped in patches:
        mock.patch(name, tapped).start()
    Rehearsed(
        settings,
        scenario,
        rehearsal,
        seed=int(seed),
        history_days=0,
        memory_file=Path(settings.data_dir) / MEMORY_FILE,
    ).run()


if __name__ == "__main__":
    main(*sys.argv[1:])
