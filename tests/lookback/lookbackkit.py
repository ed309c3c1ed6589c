"""A ward with a morning on record, for the tests of look-backs: who did what when is worked out beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kit import SENSOR
from msgspec.structs import replace
from record_kit import DAY_MS, HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, SUPERVISOR, TECHNICIAN, Recording
from ward_kit import B1, B2, Ward

from collector.record.rounds.lookbacks import OpenLookBack
from collector.record.rounds.use import RecordUse, StoreDevice
from collector.record.things import Asked, Controls, LookBack, Strip, StripBottle

__all__ = [
    "B1",
    "B2",
    "DAY_MS",
    "HOUR_MS",
    "MINUTE_MS",
    "MONDAY",
    "SECOND_MS",
    "SENSOR",
    "SUPERVISOR",
    "TECHNICIAN",
    "Recording",
    "Ward",
    "ask",
    "found",
    "morning",
    "open_one",
]


def morning(data: Path) -> Ward:
    """Three rounds on Monday, one in the cabinet, one used, one in process.

    =====  ======  =====  ====  ============  ========================================
    round  device  basin  fill  cleared by    then
    =====  ======  =====  ====  ============  ========================================
    T1     A1      b1     F1    M1 (by tina)  released, stored in cabinet 2
    T2     A2      b2     F2    M2 (by tina)  released, used for ENC-7
    T3     A3      b1     F1    M3 (by tom)   taken out, not rinsed
    =====  ======  =====  ====  ============  ========================================
    """
    ward = Ward(Recording(data))
    ward.recording.put(_strips("S1", "T-1"), _strips("S2", "T-2"))
    ward.released("A1")
    ward.do(StoreDevice(device="A1", cabinet="cabinet 2"))
    ward.recording.later(MINUTE_MS)
    ward.released("A2", basin=B2)
    ward.do(RecordUse(device="A2", encounter="ENC-7"), "tom")
    ward.recording.later(MINUTE_MS)
    ward.recording.put(replace(ward.tested(B1, read_by="tom"), strip_bottle="S2"))
    ward.soaked("A3")
    return ward


def _strips(strip_bottle: str, lot: str) -> StripBottle:
    return StripBottle(
        id=strip_bottle,
        profile="opa",
        lot=lot,
        expires="2026-12-31",
        open_days=90,
        use_by_ms=10**13,
        strip=Strip(1_000, 90_000, 120_000),
        controls=Controls(3, "1:1"),
        opened_ms=1,
    )


def ask(cause: str, **asked: Any) -> OpenLookBack:
    """A look-back for a cause."""
    return OpenLookBack(cause=cause, how_found="Seen by a test.", asked=Asked(**asked))  # type: ignore[arg-type]


def open_one(ward: Ward, cause: str, **asked: Any) -> LookBack:
    """The look-back that a supervisor opens."""
    done = ward.recording.do(ask(cause, **asked), SUPERVISOR)
    return ward.recording.get(LookBack, done.id)


def found(look_back: LookBack) -> list[str]:
    """The rounds that it concerns, in order."""
    return list(look_back.turns)
