"""What a sensor's U rests on is said in words: a check, the datasheet, or the settings alone."""

from __future__ import annotations

import pytest
from checkkit import BASIN, certificate, check, newest, settings, with_reference
from kit import SENSOR
from record_kit import DAY_MS, Recording

from collector.record.basins.grounds import Ground, Origin, grounds
from collector.record.basins.readiness import readiness
from collector.record.basins.ready_facts import facts
from soak.requirement import SensorTerms


def ground(recording: Recording, at_ms: int | None = None) -> Ground:
    book = recording.book()
    (found,) = grounds(book, facts(book, BASIN).basin_id, book.at_ms if at_ms is None else at_ms)
    assert found.sensor == SENSOR
    return found


@pytest.mark.parametrize(
    ("terms", "origin", "below", "text"),
    [
        (SensorTerms(579), Origin.DATASHEET, False, "U 0.579 °C from the datasheet: no check on record."),
        (
            SensorTerms(578),
            Origin.SETTINGS,
            True,
            "U 0.578 °C from the collector's settings: no check on record. It is less than the datasheet's 0.579 °C.",
        ),
        (
            SensorTerms(579, 10),
            Origin.SETTINGS,
            False,
            "U 0.579 °C from the collector's settings: no check on record.",
        ),
    ],
)
def test_without_a_check_the_soak_says_so(
    recording: Recording, terms: SensorTerms, origin: Origin, below: bool, text: str
) -> None:
    settings(recording, terms)
    said = [each for each in readiness(recording.book(), BASIN).remarks if "less than its datasheet" in each]
    assert len(said) == below
    found = ground(recording)
    assert (found.origin, found.below_datasheet, found.overdue, found.text) == (origin, below, False, text)


def test_a_check_holds_from_its_moment_and_is_told_when_overdue(recording: Recording) -> None:
    settings(recording)
    with_reference(recording)
    recording.set_policy(sensor_check_days=30)
    checked_ms = recording.clock.now_ms
    recording.do(check())
    made = newest(recording)
    recording.later(40 * DAY_MS)
    assert ground(recording, checked_ms - 1).origin is Origin.DATASHEET
    assert (ground(recording, checked_ms).check, ground(recording, checked_ms).overdue) == (made, False)
    assert made.until_ms
    assert not ground(recording, made.until_ms).overdue
    late = ground(recording, made.until_ms + 1)
    assert late.overdue
    words = f"from check C1 against R-4, certificate {certificate().number}, overdue then."
    assert late.text == f"U 0.{made.u_mc} °C {words}"


def test_a_check_that_does_not_count_bears_nothing_out(recording: Recording) -> None:
    settings(recording)
    with_reference(recording, certificate=certificate(due="2026-03-01"))
    recording.do(check())
    assert newest(recording).void
    assert ground(recording).origin is Origin.DATASHEET


def test_of_a_basin_without_sensors_nothing_is_said(recording: Recording) -> None:
    book = recording.book()
    assert grounds(book, facts(book, BASIN).basin_id, book.at_ms) == []
