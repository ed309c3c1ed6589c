"""Sensor checks against a reference, and readings of an independent thermometer."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from kit import SENSOR
from record_kit import ADMINISTRATOR, AUDITOR, TECHNICIAN, Recording, at

from collector.ledger import Ledger
from collector.machine import Required
from collector.projections import follow
from collector.read import BasinNow
from collector.record.basins.checks import ReadThermometer, RecordSensorCheck
from collector.record.things import SensorCheck, Thermometer
from soak.reading import Lid
from soak.requirement import SensorTerms

BASIN = "n1/b1"


def check(**more: Any) -> RecordSensorCheck:
    fixed = {
        "sensor": SENSOR,
        "basin": BASIN,
        "reference": "No. 17, certificate of 2025-09-01",
        "reference_mc": 21_340,
        "indicated_mc": 21_562,
        "u_mc": 180,
    }
    return RecordSensorCheck(**{**fixed, **more})


def test_the_correction_is_what_the_reference_shows_more(recording: Recording) -> None:
    """GUM H.3 calls b the correction to add to the reading: reference − indication."""
    recording.do(check())
    assert recording.get(SensorCheck, "C1") == SensorCheck(
        id="C1",
        sensor=SENSOR,
        basin=BASIN,
        at_ms=at("2026-03-02 09:00"),
        by=TECHNICIAN,
        reference="No. 17, certificate of 2025-09-01",
        correction_mc=-222,
        u_mc=180,
        due=None,
        error_mc=222,
    )


def test_what_it_read_wrong_before_counts_with_the_correction_in_use(recording: Recording) -> None:
    recording.do(check())
    recording.later(1_000)
    recording.do(check(reference_mc=21_000, indicated_mc=21_322), ADMINISTRATOR)
    second = recording.get(SensorCheck, "C2")
    assert (second.correction_mc, second.error_mc) == (-322, 100)  # corrected by −222 it still read 100 too high


def test_a_check_is_due_by_the_sites_rule(recording: Recording) -> None:
    recording.set_policy(sensor_check_days=365)
    recording.do(check())
    assert recording.get(SensorCheck, "C1").due == "2027-03-02"


@pytest.mark.parametrize("error_mc", [2_001, -2_001])
def test_no_sound_sensor_is_so_far_off(recording: Recording, error_mc: int) -> None:
    indicated = {2_001: "22.001", -2_001: "17.999"}[error_mc]
    assert recording.refused(check(reference_mc=20_000, indicated_mc=20_000 + error_mc)) == (
        "sensor-error",
        f"Sensor {SENSOR} indicated {indicated} °C and the reference showed 20 °C: 2.001 °C apart, more than a sound "
        "sensor can be off (2 °C).",
        "Compare again in stirred liquid when both have settled; if it stays so, replace the sensor.",
    )
    recording.do(check(reference_mc=20_000, indicated_mc=22_000))


def test_an_unknown_basin_has_no_checks(recording: Recording) -> None:
    for deed in (check(basin="n1/b9"), ReadThermometer(basin="n1/b9", read_mc=20_000)):
        assert recording.refused(deed) == (
            "unknown-basin",
            "There is no basin 'n1/b9'.",
            "Choose a basin of the list, or name it in the collector's settings.",
        )


def test_an_auditor_only_reads(recording: Recording) -> None:
    assert recording.refused(check(), AUDITOR)[0] == "role"
    assert recording.refused(ReadThermometer(basin=BASIN, read_mc=20_000), AUDITOR)[0] == "role"


def test_a_thermometer_reading_stands_without_a_live_sensor(recording: Recording) -> None:
    recording.do(ReadThermometer(basin=BASIN, read_mc=20_900))
    got = recording.get(Thermometer, "R1")
    assert (got.basin, got.at_ms, got.by) == (BASIN, at("2026-03-02 09:00"), TECHNICIAN)
    assert (got.read_mc, got.indicated_mc) == (20_900, None)


def test_what_the_sensors_indicate_is_kept_beside_it(recording: Recording) -> None:
    connection = recording.desk.connection
    required = Required(BASIN, 0, None, {SENSOR: SensorTerms(180), "28-00000000000b": SensorTerms(180)})
    mc = {SENSOR: 21_500, "28-00000000000b": 21_250, "28-00000000000c": 19_000}  # the last is not of this basin
    now = BasinNow(recording.clock.now_ms - 1_000, True, "5f", 9, 1, Lid.OPEN, mc, {}, None)
    with recording.desk.transaction():
        follow(connection, Ledger(connection, recording.clock).append(required.KIND, required))
        basin_id = connection.execute("SELECT id FROM basin WHERE name = 'b1'").fetchone()[0]
        connection.execute(
            "INSERT INTO now VALUES (?, ?, ?)", (basin_id, now.at_utc_ms, msgspec.json.encode(now).decode())
        )
    recording.do(ReadThermometer(basin=BASIN, read_mc=21_100))
    assert recording.get(Thermometer, "R1").indicated_mc == 21_250
    recording.later(40_000)  # silent for more than half a minute
    recording.do(ReadThermometer(basin=BASIN, read_mc=21_100))
    assert recording.get(Thermometer, "R2").indicated_mc is None


def test_a_check_of_a_sensor_that_the_basin_does_not_have_is_refused(recording: Recording) -> None:
    """A mistyped id would leave the sensor in use uncorrected."""
    with recording.desk.transaction():
        body = Required(BASIN, 0, None, {SENSOR: SensorTerms(500)})
        follow(recording.desk.connection, Ledger(recording.desk.connection, recording.clock).append(body.KIND, body))
    assert recording.refused(check(sensor="28-00000000beef")) == (
        "unknown-sensor",
        "Basin 1 has no sensor '28-00000000beef'.",
        f"Compare the id on its cable. It has: {SENSOR}.",
    )
    recording.do(check())
