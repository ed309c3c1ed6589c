"""A reference thermometer and a check made with it, as the tests of this folder use them. All of it is invented."""

from __future__ import annotations

from typing import Any

from kit import SENSOR
from record_kit import SUPERVISOR, Recording

from collector.ledger import Ledger
from collector.machine import Required
from collector.projections import follow
from collector.record.basins.guided import CheckSensor, Read
from collector.record.basins.references import RecordReference
from collector.record.things import Certificate, CertificatePoint, SensorCheck
from soak.requirement import Requirement, SensorTerms

BASIN = "n1/b1"
ICE = ((20, 130), (10, 130), (20, 60))
WORKING = ((21_400, 21_500), (21_410, 21_500), (21_400, 21_562))


def certificate(**more: Any) -> Certificate:
    """Corrections of 0 at the ice point and +10 at 20 and 30 °C, U 0.03 °C, k 2."""
    fixed = {
        "number": "2025-118",
        "laboratory": "Quillmere Metrology (invented)",
        "traceability": "accredited, invented",
        "calibrated_on": "2025-09-01",
        "due": "2026-08-31",
        "points": tuple(CertificatePoint(at, by, 30) for at, by in ((0, 0), (20_000, 10), (30_000, 10))),
    }
    return Certificate(**{**fixed, **more})


def reference(**more: Any) -> RecordReference:
    """R-4, which shows hundredths and may drift 0.02 °C in a year."""
    fixed = {"id": "R-4", "name": "Reference 4, No. 118", "step_mc": 10, "drift_mc": 20, "certificate": certificate()}
    return RecordReference(**{**fixed, **more})


def pairs(*read: tuple[int, int]) -> tuple[Read, ...]:
    return tuple(Read(*each) for each in read)


def check(**more: Any) -> CheckSensor:
    """The sensor reads 0.11 °C high."""
    fixed = {
        "basin": BASIN,
        "sensor": SENSOR,
        "reference": "R-4",
        "ice": pairs(*ICE),
        "working": pairs(*WORKING),
        "settled": True,
    }
    return CheckSensor(**{**fixed, **more})


def settings(recording: Recording, terms: SensorTerms | None = None) -> None:
    """What the collector's settings say of the basin: 20 °C for 12 minutes."""
    requirement = Requirement(20_000, 720_000)
    body = Required(BASIN, 0, requirement, {SENSOR: terms or SensorTerms(579)})
    with recording.desk.transaction():
        ledger = Ledger(recording.desk.connection, recording.clock)
        follow(recording.desk.connection, ledger.append(body.KIND, body))


def with_reference(recording: Recording, **more: Any) -> None:
    recording.do(reference(**more), SUPERVISOR)


def newest(recording: Recording) -> SensorCheck:
    return max(recording.all(SensorCheck), key=lambda each: int(each.id[1:]))
