"""What the demo's staff do about look-backs, done at a real desk: one closed with every step, one left open."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from lookbackkit import B1, SENSOR, SUPERVISOR, Ward, morning, open_one
from msgspec.structs import replace

from collector.record.all import DEEDS
from collector.record.things import LookBack, LookBackList, MecResult, Outcome
from firmware.simulator.clinic import CLINIC
from firmware.simulator.staff_lookbacks import FOUND_OFF, LEFT_OPEN, OpenLookBack, looked_back, sensor_looked_back


@pytest.fixture
def ward(tmp_path: Path) -> Iterator[Ward]:
    """The morning."""
    one = morning(tmp_path / "record")
    yield one
    one.close()
    one.recording.close()


def concluded(ward: Ward, opened: LookBack) -> LookBack:
    """After the staff's morning."""
    for item in looked_back(OpenLookBack(opened.id, opened.cause, opened.unresolved()), ward.now_ms):
        ward.recording.do(msgspec.convert(item.fields, DEEDS[item.deed]), SUPERVISOR)
    return ward.recording.get(LookBack, opened.id)


def test_a_failed_test_is_closed_with_every_step(ward: Ward) -> None:
    ward.recording.put(replace(ward.tested(B1), result=MecResult.FAIL))
    closed = concluded(ward, open_one(ward, "mec-fail", mec_test="M4"))
    assert (closed.open(), closed.closed_although) == (False, "")
    assert len(closed.told) == 1
    assert closed.resolved["A3"].outcome is Outcome.NO_RISK
    assert [each.look_back for each in ward.recording.all(LookBackList)] == [closed.id]


def test_others_are_closed_with_what_is_left(ward: Ward) -> None:
    closed = concluded(ward, open_one(ward, "lid-or-node", basin=B1))
    assert closed.closed_although.startswith("nobody has said what became of A1, A3. What is left goes through")


def test_the_one_of_the_sensor_stays_open_and_is_told(ward: Ward) -> None:
    left = concluded(ward, open_one(ward, LEFT_OPEN, sensor=SENSOR, off_mc=270))
    assert left.open()
    assert len(left.told) == 1


def test_the_sensor_is_one_of_the_clinic_and_the_deed_fits() -> None:
    assert FOUND_OFF[0] in {sensor for basin in CLINIC for sensor in basin.sensors}
    item = sensor_looked_back(0)
    assert msgspec.convert(item.fields, DEEDS[item.deed])
