"""The checks of the demo's staff pass their rules, and find what they are meant to find."""

from __future__ import annotations

import itertools

import msgspec
from record_kit import DAY_MS, SUPERVISOR, Recording

from collector.ledger import Ledger
from collector.machine import BasinKnown, Required
from collector.projections import follow
from collector.record.all import DEEDS
from collector.record.things import Mapping, Reference, SensorCheck
from firmware.simulator.clinic import CLINIC
from firmware.simulator.staff_checks import DRIFTED, DRIFTED_MC, drifted, first_checks
from soak.quantity import duration_ms, exact_millidegrees
from soak.requirement import Requirement, SensorTerms


def clinic(recording: Recording) -> None:
    """The demo's basins, as its settings tell of them."""
    with recording.desk.transaction():
        ledger = Ledger(recording.desk.connection, recording.clock)
        for basin in CLINIC:
            key = f"{basin.node}/{basin.name}"
            need = Requirement(exact_millidegrees(basin.min_temp_c), duration_ms(basin.contact))
            terms = {sensor: SensorTerms(250, found) for sensor, (_, found) in basin.sensors.items()}
            for body in (BasinKnown(key, basin.label), Required(key, 0, need, terms)):
                follow(recording.desk.connection, ledger.append(body.KIND, body))


def test_every_sensor_is_checked_and_one_has_drifted(recording: Recording) -> None:
    clinic(recording)
    now_ms = recording.clock.now_ms
    for item in first_checks(itertools.count(now_ms, 1), now_ms):
        recording.do(msgspec.convert(item.fields, DEEDS[item.deed]), SUPERVISOR)
        recording.later(1)
    checks = {check.sensor: check for check in recording.all(SensorCheck)}
    expected = {sensor: found for basin in CLINIC for sensor, (_, found) in basin.sensors.items()}
    assert {sensor: check.correction_mc for sensor, check in checks.items()} == expected
    assert {check.error_mc for check in checks.values()} == {0}
    assert all(240 < check.u_mc < 260 for check in checks.values()), [check.u_mc for check in checks.values()]
    assert (len(recording.all(Reference)), len(recording.all(Mapping))) == (1, len(expected))
    recording.later(26 * DAY_MS)
    item = drifted(recording.clock.now_ms)
    recording.do(msgspec.convert(item.fields, DEEDS[item.deed]), SUPERVISOR)
    last = max(recording.all(SensorCheck), key=lambda check: check.at_ms)
    assert (last.sensor, last.found_off_mc()) == (DRIFTED[1], DRIFTED_MC)
