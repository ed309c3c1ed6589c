"""What goes into the sums of a guided check: pairs with the certificate's correction, and drifts."""

from __future__ import annotations

from collections.abc import Sequence

from collector.record.book import Book, as_date
from collector.record.things import Certificate, Compared, Mapping, Reference, SensorCheck
from soak.sensor_check import DATASHEET_DRIFT_MC, Known, Outcome, Pair, mean_mc, outcome
from soak.uncertainty import RESOLUTION_MC

_HISTORY = 5
"""So many intervals back a sensor's own drift is looked at."""


def compared(certificate: Certificate, reference_mc: int, indicated_mc: int) -> Compared:
    """A pair of readings with the certificate's correction in what the reference showed."""
    return Compared(reference_mc, reference_mc + certificate.at(reference_mc).correction_mc, indicated_mc)


def pairs_of(read: Sequence[Compared]) -> list[Pair]:
    """As the sums take them."""
    return [Pair(each.true_mc, each.indicated_mc) for each in read]


def outcome_of(
    book: Book,
    reference: Reference,
    ice: Sequence[Compared],
    working: Sequence[Compared],
    *,
    drift: tuple[int, str],
    study: Mapping | None,
) -> Outcome:
    """Correction and budget.

    Args:
        book: At whose moment.
        reference: The reference thermometer.
        ice: Pairs at the ice point.
        working: Pairs near the working temperature.
        drift: Of the sensor, and where that figure comes from: see `drift_of`.
        study: The mapping study of its basin; None: there is none.
    """
    point = reference.certificate.at(mean_mc([pair.reference_mc for pair in working]))
    known = Known(
        reference_u_mc=point.expanded_mc,
        reference_k_hundredths=point.k_hundredths,
        reference_step_mc=reference.step_mc,
        reference_drift_mc=drifted_mc(book, reference),
        sensor_drift_mc=drift[0],
        drift_why=drift[1],
        spread_mc=study.spread_mc if study else None,
    )
    return outcome(pairs_of(ice), pairs_of(working), known)


def drifted_mc(book: Book, reference: Reference) -> int | None:
    """How far a reference may have drifted since its certificate, by its figure a year; None without one."""
    if reference.drift_mc is None:
        return None
    days = (book.local_date(book.at_ms) - as_date(reference.certificate.calibrated_on)).days
    return -(-reference.drift_mc * max(0, days) // 365)


def drift_of(checks: Sequence[SensorCheck], error_mc: int) -> tuple[int, str]:
    """How far the sensor may drift until the next check: as it has between its last ones, or by its datasheet.

    What the first check found is no drift: the sensor came so. One step of its own it cannot be told to be better than.
    """
    if not checks:
        return DATASHEET_DRIFT_MC, "its datasheet, for want of a history"
    errors = [error_mc, *(check.error_mc or 0 for check in checks[:-1])][:_HISTORY]
    greatest_mc = max(abs(error) for error in errors)
    step_mc = -int(-RESOLUTION_MC // 1)
    if greatest_mc <= step_mc:
        return step_mc, "one step of its own: its checks have found no more"
    of_several = f"the most that its last {len(errors)} checks found"
    return greatest_mc, of_several if len(errors) > 1 else "what this check found"
