"""The guided sensor check: pairs at the ice point and near the working temperature, correction and U computed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import msgspec

from collector.record.basins.check_rules import (
    Sensor,
    Temperature,
    counting,
    due,
    in_use,
    refuse_elsewhere,
    refuse_far_off,
)
from collector.record.basins.check_sums import compared, drift_of, drifted_mc, outcome_of, pairs_of
from collector.record.basins.ready_facts import Facts, facts
from collector.record.basins.references import in_service
from collector.record.book import Book
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.solutions.needs import known_basin
from collector.record.things import BasinKey, Certificate, Compared, Id, Mapping, Reference, SensorCheck
from soak.quantity import exact_celsius
from soak.sensor_check import (
    AWAY_MC,
    LEAST_PAIRS,
    Outcome,
    corrections,
    mean_mc,
)

ICE_NEAR_MC = 1_000
"""A reference that shows more than this is in no ice; our own figure."""

ICE_BATH_MC = 50
"""How far a bath of crushed ice made at a basin may be from 0 °C; our own figure. The ice point itself is 0.0 °C almost
exactly (MSL Technical Guide 1, 2017), pure water without air about 0.0025 °C above it."""

LEAST_WORKING_MC = 10_000
"""The working point lies so far above the ice, or the line between them says nothing; our own figure."""

STILL_MC = 300
"""How far the reference may wander during the pairs of one point; our own figure. More: it had not settled."""


class Read(msgspec.Struct, frozen=True):
    """One pair of readings, as both showed them.

    Attributes:
        reference_mc: What the reference showed.
        indicated_mc: What the sensor indicated, without its correction.
    """

    reference_mc: Temperature
    indicated_mc: Temperature


Pairs = Annotated[tuple[Read, ...], msgspec.Meta(max_length=20)]


@deed
class CheckSensor(Deed, frozen=True, kw_only=True):
    """Check a sensor against a reference thermometer. Pairs at the ice point, then near the working temperature in
    stirred liquid; correction and U follow from them.

    Attributes:
        basin: Where it is.
        sensor: Its 1-Wire id.
        reference: The reference thermometer, as it is on record.
        ice: At the ice point, three or more.
        working: Near the working temperature, three or more.
        settled: Both had settled before each pair: neither went on in one direction.
        as_left: Afterwards, near the working temperature: a second series, which the new correction must fit.
    """

    NAME = "check-sensor"
    ROLES = HANDS | KEEPERS

    basin: BasinKey
    sensor: Sensor
    reference: Id
    ice: Pairs
    working: Pairs
    settled: bool = False
    as_left: Pairs = ()

    def perform(self, book: Book) -> SensorCheck:
        """What was found is kept, also where the reference's certificate was overdue; then it changes no terms."""
        known = facts(book, known_basin(book, self.basin))
        refuse_elsewhere(known, self.sensor)
        reference = in_service(book, self.reference)
        self._refuse_few()
        certificate = reference.certificate
        ice, working, left = (
            tuple(compared(certificate, pair.reference_mc, pair.indicated_mc) for pair in pairs)
            for pairs in (self.ice, self.working, self.as_left)
        )
        _refuse_other_points(known, certificate, ice, working)
        for pair in (*ice, *working, *left):
            refuse_far_off(self.sensor, pair.indicated_mc, pair.true_mc)
        self._refuse_unsettled()
        _refuse_unsound_ice(book, reference, ice)
        study = next(iter(book.all(Mapping, group=self.sensor, newest_first=True, limit=1)), None)
        checks = counting(book, self.sensor)
        before = in_use(known, self.sensor)
        in_use_mc = before.correction_mc if before else checks[0].correction_mc if checks else 0
        error_mc = in_use_mc - mean_mc(corrections(pairs_of(working)))
        found = outcome_of(book, reference, ice, working, drift=drift_of(checks, error_mc), study=study)
        left_mc = found.correction_mc - mean_mc(corrections(pairs_of(left))) if left else None
        _refuse_misfit(found, left_mc)
        void = _void(book, certificate)
        day, until_ms = (None, None) if void else due(book)
        return book.put(
            SensorCheck(
                id=book.next_id(SensorCheck),
                sensor=self.sensor,
                basin=self.basin,
                at_ms=book.at_ms,
                by=book.who,
                reference=_named(reference),
                correction_mc=found.correction_mc,
                u_mc=found.u_mc,
                due=day,
                error_mc=error_mc,
                until_ms=until_ms,
                correction_before_mc=before.correction_mc if before else None,
                u_before_mc=before.u_mc if before else None,
                reference_id=reference.id,
                certificate=certificate.number,
                ice=ice,
                working=working,
                as_left=left,
                ice_mc=found.ice_mc,
                ice_correction_mc=found.ice_correction_mc,
                working_mc=found.working_mc,
                left_mc=left_mc,
                budget=found.budget,
                left_out=found.left_out,
                mapping=study.id if study else None,
                void=void,
            )
        )

    def _refuse_few(self) -> None:
        if len(self.ice) < LEAST_PAIRS or len(self.working) < LEAST_PAIRS or 0 < len(self.as_left) < LEAST_PAIRS:
            left = f", {len(self.as_left)} afterwards" if self.as_left else ""
            raise RefusedError(
                "check-pairs",
                f"{len(self.ice)} pairs at the ice point, {len(self.working)} near the working temperature{left}: from "
                "so few nobody can tell how well they repeat.",
                f"Read {LEAST_PAIRS} pairs or more at each.",
            )

    def _refuse_unsettled(self) -> None:
        series = (("at the ice point", self.ice), ("near the working temperature", self.working))
        for where, pairs in (*series, ("afterwards", self.as_left)):
            shown = [pair.reference_mc for pair in pairs]
            if shown and max(shown) - min(shown) > STILL_MC:
                raise RefusedError(
                    "check-settled",
                    f"The reference moved from {exact_celsius(min(shown))} to {exact_celsius(max(shown))} during the "
                    f"pairs {where}: it had not settled, and the two lag differently.",
                    "Stir, wait until neither moves, and read the pairs again.",
                )
        if not self.settled:
            raise RefusedError(
                "check-settled",
                "Nobody said that both had settled: a sensor in its sheath follows later than the reference.",
                "Wait until neither moves, read the pairs, and say so.",
            )


def _refuse_other_points(
    known: Facts, certificate: Certificate, ice: Sequence[Compared], working: Sequence[Compared]
) -> None:
    """The first point is ice, the second lies where soaks are judged, and the certificate speaks of both."""
    ice_mc, working_mc = (mean_mc([pair.true_mc for pair in pairs]) for pairs in (ice, working))
    if abs(ice_mc) > ICE_NEAR_MC:
        if abs(working_mc) <= ICE_NEAR_MC:
            raise RefusedError(
                "check-points",
                f"The two points are the wrong way round: {exact_celsius(ice_mc)} stands at the ice point, "
                f"{exact_celsius(working_mc)} at the working temperature.",
                "Type each series into its own table.",
            )
        raise RefusedError(
            "check-points",
            f"The reference showed {exact_celsius(ice_mc)} at the ice point: that is no melting ice.",
            "Make the bath again: crushed ice, water only in the gaps, half an hour to settle.",
        )
    asked = known.requirement.min_mc if known.requirement else None
    if working_mc < LEAST_WORKING_MC or (asked is not None and abs(working_mc - asked) > AWAY_MC):
        least = f"above {exact_celsius(LEAST_WORKING_MC)}"
        where = least if asked is None else f"within {exact_celsius(AWAY_MC)} of {exact_celsius(asked)}"
        raise RefusedError(
            "check-points",
            f"The working point is {exact_celsius(working_mc)}: too far from where soaks in {known.name} are judged.",
            f"Read the second series in liquid {where}.",
        )
    for mc in (ice_mc, working_mc):
        if not certificate.covers(mc):
            ends = [exact_celsius(point.at_mc) for point in certificate.points]
            raise RefusedError(
                "certificate-range",
                f"Certificate {certificate.number} speaks of {ends[0]} to {ends[-1]}, not of {exact_celsius(mc)}.",
                "Take a reference thermometer that was calibrated there.",
            )


def _refuse_unsound_ice(book: Book, reference: Reference, ice: Sequence[Compared]) -> None:
    """In melting ice the reference checks itself: what it shows there beyond its own U is its error or the bath's."""
    shown_mc = mean_mc([pair.true_mc for pair in ice])
    point = reference.certificate.at(shown_mc)
    most_mc = point.expanded_mc + (drifted_mc(book, reference) or 0) + ICE_BATH_MC
    if abs(shown_mc) > most_mc:
        raise RefusedError(
            "ice-point",
            f"{reference.id} showed {exact_celsius(shown_mc)} in melting ice, corrected by its certificate; by that "
            f"and its drift it can be off by {exact_celsius(most_mc)} there. Either the bath is no ice point, or the "
            "reference has changed.",
            "Make the bath again from clean water; if it stays so, take the reference out of use and say by how much "
            "it was off.",
        )


def _refuse_misfit(found: Outcome, left_mc: int | None) -> None:
    if left_mc is not None and abs(left_mc) > found.u_mc:
        raise RefusedError(
            "as-left",
            f"In the second series the sensor was still {exact_celsius(abs(left_mc))} off, more than the U of "
            f"{exact_celsius(found.u_mc)} that the first one gives: one of the two is wrong.",
            "Stir, wait until both have settled, and make the check again from the ice point on.",
        )


def _void(book: Book, certificate: Certificate) -> str:
    if book.at_ms <= book.end_of_day_ms(certificate.due):
        return ""
    return f"The reference's certificate {certificate.number} was overdue: it was due on {certificate.due}."


def _named(reference: Reference) -> str:
    return f"{reference.id}, certificate {reference.certificate.number}"[:200]
