"""The rule vectors: what the exposure rule says, for any implementation; here for the oracle and for ours."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

import oracle
import pytest
from meterside import as_result, metered
from oracle import Force, Need, Row, Terms

VECTORS: list[dict[str, Any]] = json.loads(files("soak").joinpath("vectors.json").read_text("utf-8"))["vectors"]
EACH = pytest.mark.parametrize("vector", VECTORS, ids=[vector["name"] for vector in VECTORS])


def rows_of(vector: dict[str, Any]) -> list[Row]:
    """The readings a collector would hand on: each number once, in order, none beyond a hole that is still held."""
    sensors = [sensor["id"] for sensor in vector["sensors"]]
    rows = {
        number: Row(number, ms, lid == "closed", dict(zip(sensors, mc, strict=True)))
        for number, ms, lid, *mc in vector["readings"]
    }
    held = [first for first, _ in vector.get("held", [])]
    return [rows[number] for number in sorted(rows) if not held or number < min(held)]


def force_at(vector: dict[str, Any], number: int) -> Force:
    """What is in force when the reading with this number is taken."""
    said = vector
    for change in vector.get("changes", []):
        if change["before_number"] <= number:
            said = change
    sensors = {sensor["id"]: Terms(sensor["u_mc"], sensor["correction_mc"]) for sensor in said["sensors"]}
    return Force(Need(**said["requirement"]) if said["requirement"] else None, sensors)


def expected_form(results: list[oracle.Result]) -> list[dict[str, Any]]:
    """Results in the form that the vectors have."""
    return [
        {
            "first": result.first,
            "last": result.last,
            "closing_seen": result.closing_seen,
            "opening_seen": result.opening_seen,
            "running": result.running,
            "closed_ms": result.closed_ms,
            "credited_ms": result.credited_ms,
            "verdict": result.verdict,
            "findings": sorted(result.codes),
            "coldest_mc": result.coldest_mc,
            "allowance_mc": result.allowance_mc,
            "sensor_allowances_mc": result.sensor_allowances_mc,
        }
        for result in results
    ]


@EACH
def test_the_meter_passes_every_vector(vector: dict[str, Any]) -> None:
    closures = metered(rows_of(vector), lambda number: force_at(vector, number), vector["newer_stream"])
    assert expected_form([as_result(closure) for closure in closures]) == vector["closures"], vector["sentence"]


@EACH
def test_the_oracle_passes_every_vector(vector: dict[str, Any]) -> None:
    """The second computation agrees with the values that were worked out by hand."""
    results = oracle.assess(rows_of(vector), lambda number: force_at(vector, number), vector["newer_stream"])
    assert expected_form(results) == vector["closures"], vector["sentence"]


def test_vectors_have_names_of_their_own() -> None:
    assert len({vector["name"] for vector in VECTORS}) == len(VECTORS) >= 60


def test_every_verdict_and_every_finding_of_a_single_stream_occurs() -> None:
    """Findings that need more than one stream's readings (clock, sensor checks, loads) are not the vectors' matter."""
    closures = [closure for vector in VECTORS for closure in vector["closures"]]
    assert {closure["verdict"] for closure in closures} == {"met", "not met", "unproven", "running"}
    assert {code for closure in closures for code in closure["findings"]} == {
        "opened-early",
        "too-short",
        "below-minimum",
        "above-maximum",
        "guard-band",
        "sensor-fault",
        "readings-missing",
        "closing-not-seen",
        "no-requirement",
    }
