"""How the simulated nodes were commissioned, before their past days began: what people answered there is invented."""

from __future__ import annotations

from pathlib import Path

from firmware.checkup.broker import Tried
from firmware.checkup.broker_found import judge_broker
from firmware.checkup.bus import Bus, judge_bus
from firmware.checkup.computer import judge_disk, look_at_disk
from firmware.commissioned import FILE_NAME, file_commissioned
from firmware.commissioning.naming import judge_held
from firmware.commissioning.results import Results, commissioned
from firmware.commissioning.switching import judge_button, judge_buzzer, judge_lid, judge_light
from firmware.commissioning.warming import Held
from firmware.settings import Basin, Settings
from firmware.version import software_version
from host.clock import judge_clock
from soak import wire
from soak.quantity import utc_text

BY = "Ada Quillfeather"
SKIPPED_AT = "treatment"
"""The node whose buzzer nobody tried: there were patients next door."""

_RISE_MC, _OTHERS_MC = 6_300, 300
_ANSWERS_MS, _COLLECTOR_MS = (9, 7, 8, 7, 12), 140


class Then:
    """A node's clocks at one moment of the past, synchronised.

    Args:
        utc_ms: That moment, milliseconds since 1970.
    """

    boot_id = "00000000-0000-4000-8000-000000000000"

    def __init__(self, utc_ms: int) -> None:
        self._utc_ms = utc_ms

    def boot_ms(self) -> int:
        return 0

    def utc_ms(self) -> int:
        return self._utc_ms

    def synced(self) -> bool:
        return True

    def real_s(self, ms: int) -> float:
        return ms / 1000


def commission_once(settings: Settings, at_ms: int) -> None:
    """File the commissioning of a simulated node, unless it has one.

    Args:
        settings: The node's.
        at_ms: When that was, milliseconds since 1970.

    Raises:
        OSError: It cannot be written.
    """
    data = Path(settings.data_dir)
    if (data / FILE_NAME).exists():
        return
    then, results = Then(at_ms), Results()
    results.found("bus", judge_bus(Bus(True, sorted(each for basin in settings.basins for each in basin.sensors)), ""))
    for basin in settings.basins:
        _warmed(results, basin)
    for basin in settings.basins:
        for code, judged in (
            ("lid", judge_lid(False, True, False)),
            ("button", judge_button(False, True, False)),
            ("light", judge_light([])),
        ):
            results.add(code, judged.mark, judged.said, judged.todo, basin.name)
    if settings.node == SKIPPED_AT:
        results.skip("buzzer")
    else:
        buzzer = judge_buzzer(heard=True)
        results.add("buzzer", buzzer.mark, buzzer.said)
    results.found("clock", judge_clock(synced=True))
    results.found("disk", judge_disk(look_at_disk(data, write=False)))
    sender = wire.Sender("demonstration", "demonstration", utc_text(at_ms), utc_text(at_ms))
    tried = Tried(
        logged_in=True,
        answers_ms=_ANSWERS_MS,
        asked=True,
        collector_ms=_COLLECTOR_MS,
        orders=wire.Orders(1, "demonstration", {}, sender),
    )
    for code, found in zip(("broker", "receipt", "orders"), judge_broker(settings.broker, tried, at_ms), strict=True):
        results.found(code, found)
    results.figures["broker-answer-ms"] = max(_ANSWERS_MS)
    results.figures["collector-answer-ms"] = _COLLECTOR_MS
    file_commissioned(data, commissioned(results, BY, software_version(), then))


def _warmed(results: Results, basin: Basin) -> None:
    for number, sensor in enumerate(basin.sensors, 1):
        held = judge_held(Held(sensor, _RISE_MC, _OTHERS_MC), basin, basin.sensors[:number], write=False)
        results.add("sensor", *held, basin=basin.name)
