"""What the tests of solutions build on: a confirmed profile, bottles, a fill, an open strip bottle."""

from __future__ import annotations

from typing import Any

from record_kit import SUPERVISOR, Recording

from collector.record.solutions.bottles import OpenBottle, ReceiveBottle
from collector.record.solutions.fills import PourFill
from collector.record.solutions.mec import BeginMecTest, ReadMecTest
from collector.record.solutions.pouring import FromBottle
from collector.record.solutions.profiles import AssignProductCode, ConfirmProfile, DraftProfile
from collector.record.solutions.strips import OpenStripBottle, ReceiveStripBottle, RecordControls
from collector.record.things import Controls, Rinses, Strip

OPA = "ortho-phthalaldehyde-0.55"
GTIN = "06291041500213"
OTHER_GTIN = "07300011000017"
PICTURE = "ab" * 32

CONFIRMED: dict[str, Any] = {
    "label_revision": "Rev. C",
    "lot": "LOT-9",
    "label_date": "2025-10-01",
    "picture_sha256": PICTURE,
}
"""The label in hand."""

FROM_LABEL: dict[str, Any] = {
    "opened_days": 75,
    "strip": Strip(dip_ms=1_000, read_from_ms=90_000, read_until_ms=120_000),
    "rinses": Rinses(count=3, each_ms=60_000, volume_ml=8_000, water="sterile"),
}
"""What no source gives as a default."""

STRIP = Strip(dip_ms=1_000, read_from_ms=90_000, read_until_ms=120_000)


def profile(recording: Recording, name: str = "opa", gtin: str = GTIN, chemistry: str = OPA, **label: Any) -> str:
    """A confirmed profile with a product code; `label` are figures given in its confirmation."""
    recording.do(DraftProfile(profile=name, chemistry=chemistry, manual=label.pop("manual", None)), SUPERVISOR)
    recording.do(ConfirmProfile(profile=name, **CONFIRMED, **{**FROM_LABEL, **label}), SUPERVISOR)
    recording.do(AssignProductCode(profile=name, gtin=gtin), SUPERVISOR)
    return name


def bottle(recording: Recording, expires: str = "2027-01-31", *, gtin: str = GTIN, lot: str = "L1", **more: Any) -> str:
    """A received bottle of 3785 ml."""
    volume_ml = more.pop("volume_ml", 3_785)
    deed = ReceiveBottle(gtin=gtin, lot=lot, expires=expires, volume_ml=volume_ml, **more)
    return recording.do(deed).id


def opened(recording: Recording, **more: Any) -> str:
    """A received bottle that is open."""
    bottle_id = bottle(recording, **more)
    recording.do(OpenBottle(bottle=bottle_id))
    return bottle_id


def fill(recording: Recording, *bottles: str, basin: str = "n1/b1") -> str:
    """A fill of whole bottles."""
    return recording.do(PourFill(basin=basin, bottles=tuple(FromBottle(each) for each in bottles))).id


def strips(recording: Recording, name: str = "opa", *, per_control: int = 3, open_days: int = 90) -> str:
    """A strip bottle that is open and whose controls, if it asks for any, have passed."""
    controls = Controls(per_control, "1:1" if per_control else "")
    received = ReceiveStripBottle(
        profile=name,
        lot="T1",
        expires="2026-12-31",
        open_days=open_days,
        strip=STRIP,
        controls=controls,
        reason="" if per_control else "Instructions rev. 2, page 1: no controls.",
    )
    strip_bottle = recording.do(received).id
    recording.do(OpenStripBottle(strip_bottle=strip_bottle))
    if per_control:
        recording.do(
            RecordControls(strip_bottle=strip_bottle, positives_passed=per_control, negatives_failed=per_control)
        )
    return strip_bottle


def mec_test(recording: Recording, fill_id: str, strip_bottle: str, result: Any = "pass", who: str = "tina") -> str:
    """A MEC test dipped now and read in the middle of its window."""
    test = recording.do(BeginMecTest(fill=fill_id, strip_bottle=strip_bottle), who).id
    recording.later(106_000)
    recording.do(ReadMecTest(test=test, result=result), who)
    return test
