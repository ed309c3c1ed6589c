"""How the invented staff check their sensors: a reference, a mapping study, and one sensor that has drifted. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from firmware.simulator.clinic import CLINIC
from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_plan import Item
from firmware.simulator.staff_stock import LEAD, date_text

REFERENCE = "R-4"
DRIFTED = ("ultrasound/b2", "28-0000061f4477")
"""The sensor of the warm bath: it has room enough above its minimum to go on with the larger U that follows."""

DRIFTED_MC = 270
"""What it reads too high when it is checked again: a little more than the U that soaks rested on."""

_ICE_MC = 10
_WARM = {"ultrasound/b2": 26_800}
_ROOM_MC = 21_400
_SCATTER_MC = (31, -31, 0)
_PLACES = (("far end, bottom", -60), ("near end, top", 40), ("middle", 10))


def first_checks(ticks: Iterator[int], first_ms: int) -> Iterator[Item]:
    """The reference thermometer, mapping studies, and checks that find what the collector's settings say."""
    yield Item(at_ms=next(ticks), deed="record-reference", who=LEAD, fields=_reference(first_ms))
    for basin in CLINIC:
        key = f"{basin.node}/{basin.name}"
        for sensor, (_, found_mc) in basin.sensors.items():
            yield Item(at_ms=next(ticks), deed="record-mapping", who=LEAD, fields=_mapping(key, sensor))
            yield Item(at_ms=next(ticks), deed="check-sensor", who=LEAD, fields=_check(key, sensor, found_mc))


def drifted(at_ms: int) -> Item:
    """The check at which one sensor turns out to read too high."""
    key, sensor = DRIFTED
    found_mc = next(basin.sensors[sensor][1] for basin in CLINIC if sensor in basin.sensors)
    return Item(at_ms=at_ms, deed="check-sensor", who=LEAD, fields=_check(key, sensor, found_mc - DRIFTED_MC))


def _reference(first_ms: int) -> dict[str, Any]:
    calibrated_ms = first_ms - 100 * DAY_MS
    points = [
        {"at_mc": at_mc, "correction_mc": correction_mc, "expanded_mc": 30, "k": "2"}
        for at_mc, correction_mc in ((0, -10), (20_000, 10), (30_000, 10))
    ]
    certificate = {
        "number": "2026-118 (invented)",
        "laboratory": "Quillmere Metrology (invented)",
        "traceability": "Invented: accredited, traceable to national standards.",
        "calibrated_on": date_text(calibrated_ms),
        "due": date_text(calibrated_ms + 365 * DAY_MS),
        "points": points,
    }
    name = "Reference thermometer, No. 4118 (invented)"
    return {"id": REFERENCE, "name": name, "step_mc": 10, "drift_mc": 20, "certificate": certificate}


def _mapping(key: str, sensor: str) -> dict[str, Any]:
    at_sensor_mc = _WARM.get(key, _ROOM_MC)
    places = [{"place": place, "read_mc": at_sensor_mc + off_mc} for place, off_mc in _PLACES]
    return {
        "basin": key,
        "sensor": sensor,
        "thermometer": REFERENCE,
        "at_sensor_mc": at_sensor_mc,
        "places": places,
    }


def _check(key: str, sensor: str, correction_mc: int) -> dict[str, Any]:
    """Pairs that come to this correction: the reference's own is −10 at the ice point and +10 near 20 and 30 °C."""
    return {
        "basin": key,
        "sensor": sensor,
        "reference": REFERENCE,
        "ice": _pairs(_ICE_MC, -10 - correction_mc),
        "working": _pairs(_WARM.get(key, _ROOM_MC), 10 - correction_mc),
        "settled": True,
    }


def _pairs(shown_mc: int, above_mc: int) -> list[dict[str, int]]:
    return [{"reference_mc": shown_mc, "indicated_mc": shown_mc + above_mc + each} for each in _SCATTER_MC]
