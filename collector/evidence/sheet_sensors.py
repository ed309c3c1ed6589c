"""The sensors of a disinfection record: correction, uncertainty, allowance, checks on either side of the soak."""

from __future__ import annotations

from collections.abc import Sequence

from collector.evidence.called import Called
from collector.evidence.soak_facts import Checks
from collector.evidence.times import Times
from collector.record.things import SensorCheck
from soak.closure import Closure
from soak.quantity import exact_celsius


def sensors_of(checks: Sequence[Checks], closure: Closure, called: Called, times: Times) -> list[tuple[str, ...]]:
    """Rows: sensor, correction, U, allowance of its own, what they rested on, first check after."""
    return [
        (
            each.sensor,
            "not required" if each.terms is None else signed(each.terms.correction_mc),
            "" if each.terms is None else exact_celsius(each.terms.u_mc),
            _allowance(closure, each.sensor),
            _check(each.before, each, called, times) if each.before else each.ground or "none on record",
            _check(each.after, each, called, times) if each.after else "none yet",
        )
        for each in checks
    ]


def signed(mc: int) -> str:
    """A difference of temperatures with its sign."""
    return f"{'+' if mc > 0 else ''}{exact_celsius(mc)}"


def _allowance(closure: Closure, sensor: str) -> str:
    mc = closure.sensor_allowances_mc.get(sensor)
    return "none of its own" if mc is None else exact_celsius(mc)


def _check(check: SensorCheck, checks: Checks, called: Called, times: Times) -> str:
    """With the certificate of its reference and that one's traceability, where they are on record."""
    words = [f"correction {signed(check.correction_mc)}", f"U {exact_celsius(check.u_mc)}"]
    if check.error_mc is not None:
        words.append(f"found {signed(check.error_mc)} off")
    if check.left_mc is not None:
        words.append(f"left {signed(check.left_mc)} off")
    words.append(f"against {check.reference}")
    if certificate := checks.certificates.get(check.id):
        words.append(
            f"of {certificate.laboratory}, calibrated {certificate.calibrated_on}, good until {certificate.due} "
            f"({certificate.traceability.rstrip('.')})"
        )
    if check.due:
        words.append(f"next check due {check.due}")
    if not check.counts:
        words.append(f"does not count: {check.void}")
    return f"{check.id}, {times.near(check.at_ms)} by {called.who(check.by)}: {', '.join(words)}"
