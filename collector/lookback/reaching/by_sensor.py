"""What a sensor watched that reads wrong, or that was checked against a reference thermometer that was wrong.

Which soaks would flip is computed in `collector/lookback/scope.py`; here they become rounds of devices.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from collector.lookback import concerned as supposed
from collector.lookback import scope
from collector.lookback.described import described
from collector.lookback.moved import Supposition
from collector.lookback.reach import Reach, Span, bounds, loads_in, merged, range_words, rounds_of
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import basin_name
from collector.record.things import Asked, Concerned, SensorCheck
from soak.quantity import exact_celsius

_SAME_FINDING_MS = 3 * 24 * 3_600_000
"""Checks so close together belong to one finding: our own figure."""


def sensor_off(book: Book, asked: Asked) -> Reach:
    """Every soak of the sensor's basin since its last good check; those that would flip are marked.

    The worst case is a step right after that check; the error may also have grown evenly up to the finding. Soaks after
    the finding are left out only where that is sure to be the one that is meant.
    """
    sensor, off_mc = asked.sensor or "", asked.off_mc or 0
    checks = [each for each in book.all(SensorCheck, group=sensor) if each.counts]
    until_ms = bounds(book, asked)[1]
    earlier = [each for each in checks if each.at_ms < until_ms]
    finding = _finding(earlier, off_mc)
    before = [each for each in earlier if finding is None or each.at_ms < finding.at_ms]
    from_ms = asked.from_ms if asked.from_ms is not None else before[-1].at_ms if before else 0
    again = ""
    if finding is not None and asked.until_ms is None and finding.at_ms >= from_ms:
        if _found_half(finding, off_mc) and finding.at_ms > until_ms - _SAME_FINDING_MS:
            until_ms = finding.at_ms + 1
        else:
            again = (
                f" Check {finding.id} found it off {book.local_text(finding.at_ms)}; soaks since then are among them, "
                "in case it is wrong again."
            )
    basins = _basins(book, sensor, checks)
    rows: dict[str, Concerned] = {}
    for basin in basins:
        turns = rounds_of(book, loads_in(book, [basin], from_ms, until_ms), from_ms, until_ms)
        rows |= described(book, turns, sensors=[sensor])
    closures = scope.of_sensor(book.connection, sensor, off_mc, from_ms, until_ms)
    since = f"its last good check {book.local_text(from_ms)}" if from_ms else "the first record (no check is on file)"
    text = (
        f"Sensor {sensor} in {_named(book, basins)} read {_off_words(off_mc)}: every soak since {since} is in question."
        f"{again}"
    )
    spans = tuple(Span(basin, from_ms, until_ms) for basin in basins)
    return Reach(text, from_ms, until_ms, _flipping_first(_marked(book, rows, closures)), spans=spans)


def reference_off(book: Book, asked: Asked) -> Reach:
    """Every soak that rested on a check against the reference: from that check to the sensor's next by another."""
    name, off_mc = (asked.reference or "").strip(), asked.off_mc or 0
    from_ms, until_ms = bounds(book, asked)
    wrong = [
        each
        for each in book.all(SensorCheck, since_ms=from_ms, until_ms=until_ms)
        if _made_with(each, name) and each.counts
    ]
    if not wrong:
        raise RefusedError(
            "look-back-asks",
            f"No sensor check was made with a reference {name!r} {range_words(book, from_ms, until_ms, asked)}.",
            "Type it as it stands in the sensor checks, or give an earlier beginning.",
        )
    parts, spans = [], list[Span]()
    for check in wrong:
        later = book.all(SensorCheck, group=check.sensor, since_ms=check.at_ms + 1)
        end_ms = next((each.at_ms for each in later if each.counts), book.at_ms + 1)
        where = _basins(book, check.sensor, [check])
        turns = rounds_of(book, loads_in(book, where, check.at_ms, end_ms), check.at_ms, end_ms)
        parts.append(described(book, turns, sensors=[check.sensor]))
        spans += [Span(basin, check.at_ms, end_ms) for basin in where]
    closures = scope.of_checks(
        book.connection, wrong, off_mc, good_ms=from_ms, found_ms=until_ms, until_ms=book.at_ms + 1
    )
    text = (
        f"Reference thermometer {name} read {_off_words(off_mc)}: every soak judged by the {len(wrong)} sensor "
        f"{'check' if len(wrong) == 1 else 'checks'} made with it since {book.local_text(wrong[0].at_ms)} is in "
        "question."
    )
    rows = _flipping_first(_marked(book, merged(*parts), closures))
    return Reach(text, wrong[0].at_ms, max(span.until_ms for span in spans), rows, spans=tuple(spans))


def _marked(book: Book, rows: dict[str, Concerned], closures: Sequence[supposed.Concerned]) -> dict[str, Concerned]:
    """Rounds that met, and of which no closure would meet any more, by what is supposed."""
    found = dict(rows)
    for each in supposed.rounds_of(scope.with_whole_loads(book.connection, closures)):
        if each.flips and each.turn.id in found:
            step, drift = (not each.still_met[how] for how in (Supposition.STEP, Supposition.DRIFT))
            found[each.turn.id] = replace(found[each.turn.id], flips=step or drift, flips_drifting=step and drift)
    return found


def _finding(checks: Sequence[SensorCheck], off_mc: int) -> SensorCheck | None:
    """The check that found the error, which is no good one: among the last few days of checks, one that found half of
    it or more. A check after it, in the same days, may have found all well because the correction was new.

    Where nobody knows by how much, or it was told otherwise than any check found it: one that found more than U allows.
    """
    recent = [each for each in reversed(checks) if each.at_ms > checks[-1].at_ms - _SAME_FINDING_MS]
    half = next((each for each in recent if _found_half(each, off_mc)), None)
    return half or next((each for each in recent if each.found_off_mc() is not None), None)


def _found_half(check: SensorCheck, off_mc: int) -> bool:
    found_mc = check.error_mc or 0
    if not off_mc:
        return False
    return 2 * found_mc >= off_mc if off_mc > 0 else 2 * found_mc <= off_mc


def _made_with(check: SensorCheck, name: str) -> bool:
    """By its words, or by the short name of a reference thermometer on record."""
    return name.casefold() in (check.reference.strip().casefold(), (check.reference_id or "").casefold())


def _flipping_first(rows: dict[str, Concerned]) -> dict[str, Concerned]:
    def order(item: tuple[str, Concerned]) -> tuple[bool, bool, int]:
        return not item[1].flips_drifting, not item[1].flips, item[1].in_ms or 0

    return dict(sorted(rows.items(), key=order))


def _basins(book: Book, sensor: str, checks: Iterable[SensorCheck]) -> list[str]:
    """Where it is, by its checks and by what is required of the basins."""
    found = [each.basin for each in checks]
    rows = book.connection.execute(
        """SELECT DISTINCT b.node || '/' || b.name FROM requirement r JOIN basin b ON b.id = r.basin_id,
           json_each(r.sensors) s WHERE s.key = ?""",
        (sensor,),
    )
    found = list(dict.fromkeys([*found, *(str(row[0]) for row in rows)]))
    if not found:
        raise RefusedError(
            "look-back-asks",
            f"No basin has a sensor {sensor!r}, and no check of it is on record.",
            "Compare the id on its cable with the page of the site.",
        )
    return found


def _named(book: Book, basins: Iterable[str]) -> str:
    return " and ".join(basin_name(book, each) for each in basins)


def _off_words(off_mc: int) -> str:
    if not off_mc:
        return "wrong, by how much is not known"
    return f"{exact_celsius(abs(off_mc))} too {'high' if off_mc > 0 else 'low'}"
