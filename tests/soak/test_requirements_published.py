"""Published times and temperatures as soaks: met at exactly the printed figures, with U = 0, and not beside them.

Source of every row: CDC/HICPAC, Guideline for Disinfection and Sterilization in Healthcare Facilities, 2008, Table 4
(summary of the high-level disinfectants). They are here to check the rule with; the label of the product decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from soak.closure import Closure, Verdict
from soak.exposure import Meter
from soak.reading import Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms

SENSOR = "28-00000000000a"


@dataclass(frozen=True)
class Row:
    """One printed exposure: what, and for how long at what least temperature."""

    what: str
    minutes: int
    least_c: int

    @property
    def requirement(self) -> Requirement:
        return Requirement(self.least_c * 1_000, self.minutes * 60_000)


MANUAL_OPA = Row("ortho-phthalaldehyde 0.55 %", 12, 20)  # Table 4: 12 min at 20 °C
TABLE_4 = [
    MANUAL_OPA,
    Row("hydrogen peroxide 7.5 %", 30, 20),  # Table 4: 30 min at 20 °C
    Row("hydrogen peroxide 7.35 % with peracetic acid 0.23 %", 15, 20),  # Table 4: 15 min at 20 °C
    Row("glutaraldehyde 2.0 % or more, least", 20, 20),  # Table 4: 20 to 90 min at 20 to 25 °C, by product
    Row("glutaraldehyde 2.0 % or more, most", 90, 25),  # the same row's other end
    Row("ortho-phthalaldehyde 0.55 %, automated reprocessor only", 5, 25),  # Table 4: 5 min at 25 °C
]
EACH = pytest.mark.parametrize("row", TABLE_4, ids=[row.what for row in TABLE_4])


def soaked(
    requirement: Requirement, mc: int, ms: int, *, dip_mc: int = 0, u_mc: int = 0, correction_mc: int = 0
) -> Closure:
    """A soak of `ms` at one reading a second and a steady indicated temperature, with one reading `dip_mc` lower."""
    meter = Meter(requirement, {SENSOR: SensorTerms(u_mc, correction_mc)})
    meter.feed(1, Reading(0, Why.TICK, Lid.OPEN, {SENSOR: mc}))
    times_ms = [*range(1_000, 1_000 + ms, 1_000), 1_000 + ms]
    dip = len(times_ms) // 2
    for index, time_ms in enumerate(times_ms):
        indicated_mc = mc - (dip_mc if index == dip else 0)
        meter.feed(index + 2, Reading(time_ms, Why.TICK, Lid.CLOSED, {SENSOR: indicated_mc}))
    closure = meter.feed(len(times_ms) + 2, Reading(times_ms[-1] + 500, Why.LID, Lid.OPEN, {SENSOR: mc}))
    assert closure is not None
    assert closure.closed_ms == ms
    return closure


def codes(closure: Closure) -> list[str]:
    return [finding.code for finding in closure.findings]


@EACH
def test_met_at_exactly_the_printed_time_and_temperature(row: Row) -> None:
    closure = soaked(row.requirement, row.least_c * 1_000, row.minutes * 60_000)
    assert closure.verdict is Verdict.MET
    assert closure.credited_ms == row.minutes * 60_000
    assert (closure.allowance_mc, closure.coldest_mc, codes(closure)) == (0, row.least_c * 1_000, [])


@EACH
def test_not_met_one_millisecond_short(row: Row) -> None:
    closure = soaked(row.requirement, row.least_c * 1_000, row.minutes * 60_000 - 1)
    assert closure.verdict is Verdict.NOT_MET
    assert closure.credited_ms == row.minutes * 60_000 - 1
    assert codes(closure) == ["opened-early", "too-short"]


@EACH
def test_not_met_one_millidegree_short(row: Row) -> None:
    closure = soaked(row.requirement, row.least_c * 1_000 - 1, row.minutes * 60_000)
    assert closure.verdict is Verdict.NOT_MET
    assert (closure.credited_ms, closure.allowance_mc) == (0, -1)
    assert codes(closure) == ["opened-early", "below-minimum"]


@EACH
def test_not_met_when_a_single_reading_is_one_millidegree_short(row: Row) -> None:
    """A single second below: the time would have to start again."""
    closure = soaked(row.requirement, row.least_c * 1_000, row.minutes * 60_000, dip_mc=1)
    assert closure.verdict is Verdict.NOT_MET
    assert codes(closure) == ["opened-early", "below-minimum"]


@EACH
def test_with_an_unchecked_sensor_the_printed_temperature_itself_is_no_proof(row: Row) -> None:
    """Guarded acceptance (JCGM 106:2012; ILAC-G8:09/2019, 4.2.2): accepted from minimum + U on, here 0.579 °C."""
    at_limit = soaked(row.requirement, row.least_c * 1_000 + 579, row.minutes * 60_000, u_mc=579)
    beside = soaked(row.requirement, row.least_c * 1_000 + 578, row.minutes * 60_000, u_mc=579)
    assert (at_limit.verdict, codes(at_limit)) == (Verdict.MET, [])
    assert (beside.verdict, codes(beside)) == (Verdict.NOT_MET, ["opened-early", "guard-band"])


@EACH
def test_a_sensor_check_s_correction_counts(row: Row) -> None:
    """Indicates 0.125 °C too much, as its check found: then 20.125 °C is 20.000 °C."""
    fine = soaked(row.requirement, row.least_c * 1_000 + 125, row.minutes * 60_000, correction_mc=-125)
    cold = soaked(row.requirement, row.least_c * 1_000 + 124, row.minutes * 60_000, correction_mc=-125)
    assert (fine.verdict, cold.verdict) == (Verdict.MET, Verdict.NOT_MET)


def test_a_warm_basin_does_not_shorten_a_manual_soak() -> None:
    """Table 4 prints 5 min at 25 °C for automated reprocessors only; by hand the same solution needs its 12 min."""
    closure = soaked(MANUAL_OPA.requirement, 25_000, 5 * 60_000)
    assert closure.verdict is Verdict.NOT_MET
    assert codes(closure) == ["opened-early", "too-short"]
