"""The meter, asked the same question as the oracle and made to answer in the oracle's words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from oracle import Force, Need, Result, Row, Terms

from soak.closure import Closure
from soak.exposure import Meter
from soak.reading import Fault, Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms


def requirement(need: Need | None) -> Requirement | None:
    return need and Requirement(need.min_mc, need.contact_ms, need.max_mc, need.max_gap_ms)


def sensor_terms(sensors: Mapping[str, Terms]) -> dict[str, SensorTerms]:
    return {sensor: SensorTerms(terms.u_mc, terms.correction_mc) for sensor, terms in sensors.items()}


def reading(row: Row) -> Reading:
    faults = {sensor: Fault("crc") for sensor, mc in row.mc.items() if mc is None}
    return Reading(row.ms, Why.TICK, Lid.CLOSED if row.closed else Lid.OPEN, dict(row.mc), faults)


def meter_for(force: Force) -> Meter:
    return Meter(requirement(force.need), sensor_terms(force.sensors))


def fed(meter: Meter, rows: Iterable[Row], at: Callable[[int], Force] | None = None) -> list[Closure]:
    """Feed rows; the closures that ended."""
    ended = []
    for row in rows:
        for number in range((meter.number or 0) + 1, row.number + 1) if at else ():
            force = at(number)  # type: ignore[misc]
            meter.require(requirement(force.need), sensor_terms(force.sensors))
        closure = meter.feed(row.number, reading(row))
        if closure is not None:
            ended.append(closure)
    return ended


def metered(rows: Sequence[Row], force: Force | Callable[[int], Force], newer_stream: bool = False) -> list[Closure]:
    """Every closure of one stream, as the meter sees them; the running one last."""
    at = force if callable(force) else None
    meter = meter_for(force(1) if callable(force) else force)
    closures = fed(meter, rows, at)
    last = meter.end() if newer_stream else meter.running()
    return closures + ([last] if last is not None else [])


def as_result(closure: Closure) -> Result:
    """A meter's closure in the oracle's words."""
    return Result(
        first=closure.first,
        last=closure.last,
        closing_seen=closure.closing_seen,
        opening_seen=closure.opening_seen,
        running=closure.running,
        opening_ms=closure.opening_ms,
        closed_ms=closure.closed_ms,
        credited_ms=closure.credited_ms,
        verdict=closure.verdict.value,
        codes=frozenset(finding.code for finding in closure.findings),
        coldest_mc=closure.coldest_mc,
        hottest_mc=closure.hottest_mc,
        allowance_mc=closure.allowance_mc,
        sensor_allowances_mc=dict(closure.sensor_allowances_mc),
        known=closure.known,
        out_ms=closure.out_ms,
        unknown_ms=closure.unknown_ms,
        not_out_ms=closure.not_out_ms,
        not_out_unlimited=closure.not_out_unlimited,
        met_without_u=closure.met_without_u,
    )
