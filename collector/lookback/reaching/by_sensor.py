"""What a sensor watched that reads wrong, or that was checked against a reference thermometer that was wrong."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec.structs import replace

from collector.lookback.described import described
from collector.lookback.reach import Reach, Span, bounds, loads_in, merged, range_words, rounds_of
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import basin_name
from collector.record.things import Asked, Concerned, SensorCheck
from soak.closure import Verdict
from soak.quantity import exact_celsius


def sensor_off(book: Book, asked: Asked) -> Reach:
    """Every soak of the sensor's basin since its last good check; those that would flip are marked.

    The worst case is a step right after that check; the error may also have grown evenly up to the finding.
    """
    sensor, off_mc = asked.sensor or "", asked.off_mc or 0
    checks = book.all(SensorCheck, group=sensor)
    until_ms = bounds(book, asked)[1]
    finding = next((each for each in reversed(checks) if each.error_mc == off_mc and each.at_ms < until_ms), None)
    if finding is not None and asked.until_ms is None:
        until_ms = finding.at_ms + 1
    before = [each for each in checks if each.at_ms < until_ms and each is not finding]
    from_ms = asked.from_ms if asked.from_ms is not None else before[-1].at_ms if before else 0
    basins = _basins(book, sensor, checks)
    concerned: dict[str, Concerned] = {}
    for basin in basins:
        turns = rounds_of(book, loads_in(book, [basin], from_ms, until_ms), from_ms, until_ms)
        rows = described(book, turns, sensors=[sensor])
        concerned |= {key: _moved(each, off_mc, from_ms, until_ms) for key, each in rows.items()}
    since = f"its last good check {book.local_text(from_ms)}" if from_ms else "the first record (no check is on file)"
    text = (
        f"Sensor {sensor} in {_named(book, basins)} read {_off_words(off_mc)}: every soak since {since} is in question."
    )
    spans = tuple(Span(basin, from_ms, until_ms) for basin in basins)
    return Reach(text, from_ms, until_ms, _flipping_first(concerned), spans=spans)


def reference_off(book: Book, asked: Asked) -> Reach:
    """Every soak that rested on a check against the reference: from that check to the sensor's next by another."""
    name, off_mc = (asked.reference or "").strip(), asked.off_mc or 0
    from_ms, until_ms = bounds(book, asked)
    checks = book.all(SensorCheck, until_ms=until_ms)
    wrong = [each for each in checks if each.reference.strip() == name and each.at_ms >= from_ms]
    if not wrong:
        raise RefusedError(
            "look-back-asks",
            f"No sensor check was made with a reference {name!r} {range_words(book, from_ms, until_ms, asked)}.",
            "Type it as it stands in the sensor checks, or give an earlier beginning.",
        )
    parts, spans = [], []
    for check in wrong:
        later = (each.at_ms for each in checks if each.sensor == check.sensor and each.at_ms > check.at_ms)
        end_ms = next(later, until_ms)
        turns = rounds_of(book, loads_in(book, [check.basin], check.at_ms, end_ms), check.at_ms, end_ms)
        rows = described(book, turns, sensors=[check.sensor])
        parts.append({key: _flipped(each, off_mc, off_mc) for key, each in rows.items()})
        spans.append(Span(check.basin, check.at_ms, end_ms))
    text = (
        f"Reference thermometer {name} read {_off_words(off_mc)}: every soak judged by the {len(wrong)} sensor "
        f"{'check' if len(wrong) == 1 else 'checks'} made with it since {book.local_text(wrong[0].at_ms)} is in "
        "question."
    )
    return Reach(text, wrong[0].at_ms, until_ms, _flipping_first(merged(*parts)), spans=tuple(spans))


def _moved(row: Concerned, off_mc: int, from_ms: int, until_ms: int) -> Concerned:
    """The worst case is the whole error at once; evenly grown, it is in proportion to the time since the good check."""
    out_ms = until_ms if row.out_ms is None else min(row.out_ms, until_ms)
    grown_mc = -(-off_mc * (out_ms - from_ms) // max(1, until_ms - from_ms)) if from_ms else off_mc
    return _flipped(row, off_mc, grown_mc)


def _flipped(row: Concerned, step_mc: int, drift_mc: int) -> Concerned:
    return replace(row, flips=_would_flip(row, step_mc), flips_drifting=_would_flip(row, drift_mc))


def _would_flip(row: Concerned, off_mc: int) -> bool:
    met = row.verdict == Verdict.MET.value
    return met and off_mc > 0 and (row.allowance_mc is None or off_mc > row.allowance_mc)


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
