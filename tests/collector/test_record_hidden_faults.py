"""What turns out later to have been wrong: what it holds back, and what a concluded look-back leaves."""

from __future__ import annotations

from msgspec.structs import replace
from record_kit import SUPERVISOR
from solutions_kit import STRIP
from ward_kit import Ward

from collector.record.lookbacks import CloseLookBack
from collector.record.release import Release
from collector.record.strips import RecordControls
from collector.record.things import ControlResult, Controls, LookBack, StripBottle


def strips(ward: Ward) -> None:
    """The strip bottle of the ward's tests, whose controls passed."""
    opened_ms = ward.now_ms - 3_600_000
    ward.recording.put(
        StripBottle(
            id="S1",
            profile="opa",
            lot="T1",
            expires="2026-12-31",
            open_days=90,
            use_by_ms=ward.now_ms + 90 * 86_400_000,
            strip=STRIP,
            controls=Controls(3, "1:1"),
            opened_ms=opened_ms,
            control_results=(ControlResult("tina", opened_ms, 3, 3, passed=True),),
        )
    )


def test_controls_that_fail_after_the_soak_hold_it_back_even_once_the_look_back_is_closed(ward: Ward) -> None:
    strips(ward)
    ward.finished("A1")
    ward.do(RecordControls(strip_bottle="S1", positives_passed=2, negatives_failed=3))
    (look_back,) = ward.recording.all(LookBack)
    assert look_back.devices == ("A1",)
    ward.do(CloseLookBack(look_back=look_back.id, conclusion="The strips were damp."), SUPERVISOR)
    assert ward.refused(Release(devices=("A1",)), SUPERVISOR) == (
        "mec-test",
        "A1: the strips of its MEC test turned out to prove nothing (past their use-by, or controls that failed).",
        "Do not use it. Begin a new round with it: cleaning, soak, rinses.",
    )
    ward.recording.put(replace(ward.recording.get(StripBottle, "S1"), control_results=()))
    ward.do(Release(devices=("A1",)), SUPERVISOR)
