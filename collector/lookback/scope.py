"""What a cause concerns: closures with what lay in them, recomputed where the cause is an error of a sensor.

Everything here only looks, and gives `Concerned` closures: `flips_first` has those in front whose verdict would no
longer hold; `rounds_of` says the same of the devices in them. Closures that are still in progress have no verdict yet
and are not among them: ask again when the lid has been opened, for the terms of their closing judge them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from collector.lookback.concerned import Concerned, Worth, flips_first
from collector.lookback.judged import Judged, basins, ids_between, judged, with_sensor
from collector.lookback.laid_over import lay
from collector.lookback.moved import Moved, Supposition, sensor_moved
from collector.lookback.reread import Rereading
from collector.lookback.worth import Needed, errors_in, lowered, otherwise, shifts_of, touches, word_of
from collector.record import shelf
from collector.record.things import Fill, SensorCheck

BEGINNING_MS, END_MS = 0, 1 << 62
"""Where nobody has ever checked, and where nothing has ended."""


def of_time(connection: sqlite3.Connection, basin: str | None, from_ms: int, until_ms: int) -> list[Concerned]:
    """Closures of a basin, or of every basin, that touch a time range, by basin and time.

    Args:
        connection: To the database.
        basin: "node/name"; None: all.
        from_ms: Milliseconds since 1970.
        until_ms: They began before this time.
    """
    return _laid(connection, judged(connection, basins(connection, basin and [basin]), from_ms, until_ms))


def of_fills(
    connection: sqlite3.Connection, fills: Iterable[str], from_ms: int = BEGINNING_MS, until_ms: int = END_MS
) -> list[Concerned]:
    """Closures over the given fills: those with a load in one of them, and those without a load while it was in.

    Args:
        connection: To the database.
        fills: Their ids; unknown ones have none.
        from_ms: They ended at this time or later, milliseconds since 1970.
        until_ms: They began before this time.
    """
    wanted = {each: fill for each in fills if (fill := shelf.find(connection, Fill, each)) is not None}
    found: dict[int, Concerned] = {}
    for fill in wanted.values():
        gone_ms = fill.discarded.at_ms if fill.discarded else END_MS
        within = max(from_ms, fill.poured_ms), min(until_ms, gone_ms)
        for each in of_time(connection, fill.basin, *within):
            if not each.loads or any(load.fill in wanted for load in each.loads):
                found[each.closure_id] = each
    return list(found.values())


def of_software(
    connection: sqlite3.Connection, versions: Iterable[str], from_ms: int = BEGINNING_MS, until_ms: int = END_MS
) -> list[Concerned]:
    """Closures whose verdict was given by one of these versions; `collector.lookback.anew` judges them anew.

    Args:
        connection: To the database.
        versions: As the ledger names them, e.g. "soakledger 0.1.0"; `judged.software_of` lists them.
        from_ms: They ended at this time or later, milliseconds since 1970.
        until_ms: They began before this time.
    """
    wanted = set(versions)
    found = judged(connection, basins(connection), from_ms, until_ms)
    return _laid(connection, [each for each in found if each.software in wanted])


def of_sensor(connection: sqlite3.Connection, sensor: str, d_mc: int, from_ms: int, until_ms: int) -> list[Concerned]:
    """Closures since a sensor's last good check, each under a step and under even drift; those that flip first.

    Args:
        connection: To the database.
        sensor: Its id.
        d_mc: What its corrected value was too high by when it was found, in millidegrees; negative: too low. As
            `SensorCheck.error_mc`.
        from_ms: Its last good check, milliseconds since 1970; `last_check_ms` tells it.
        until_ms: When it was found.

    Raises:
        ValueError: The finding is not after the good check.
    """
    return of_moved(connection, [sensor_moved(sensor, d_mc, from_ms, until_ms)])


def last_check_ms(connection: sqlite3.Connection, sensor: str, before_ms: int) -> int:
    """The last check of a sensor before a moment, milliseconds since 1970; the beginning if there was none."""
    checks = shelf.find_all(connection, SensorCheck, group=sensor, until_ms=before_ms, newest_first=True)
    return next((each.at_ms for each in checks if _counts(each)), BEGINNING_MS)


def checks_with(connection: sqlite3.Connection, reference: str) -> list[SensorCheck]:
    """Every sensor check made with a reference thermometer, by its id, or by the words in which it was named."""
    wanted = reference.strip().casefold()
    return [
        each
        for each in shelf.find_all(connection, SensorCheck)
        if wanted in (each.reference.strip().casefold(), (each.reference_id or "").casefold())
    ]


def of_checks(
    connection: sqlite3.Connection,
    checks: Iterable[SensorCheck],
    d_mc: int,
    *,
    good_ms: int,
    found_ms: int,
    until_ms: int,
) -> list[Concerned]:
    """Closures judged by checks that were made with a reference thermometer which was found off.

    A reference that showed d too much made every correction d too large, from that check to the sensor's next one.
    Under even drift each check is off by what the reference had drifted to by then, and stays so.

    Args:
        connection: To the database.
        checks: Made with it; those before `good_ms` are not concerned.
        d_mc: What the reference showed too much when it was found; negative: too little.
        good_ms: Its last good calibration, milliseconds since 1970.
        found_ms: When it was found off.
        until_ms: This moment: where a sensor has not been checked again.

    Raises:
        ValueError: The finding is not after the good calibration.
    """
    reference = sensor_moved("reference", d_mc, good_ms, found_ms)
    moved = []
    for check in checks:
        if check.at_ms < good_ms or not _counts(check):
            continue
        later = shelf.find_all(connection, SensorCheck, group=check.sensor, since_ms=check.at_ms + 1)
        ends_ms = min([until_ms, *(each.at_ms for each in later if _counts(each))])
        moved += [
            Moved(check.sensor, check.at_ms, ends_ms, d_mc, drifted_mc, drifted_mc, by_closing=True)
            for drifted_mc in set(reference.drifted_mc(check.at_ms))  # between two whole ones: the safer of both
        ]
    return of_moved(connection, moved)


def of_moved(connection: sqlite3.Connection, moved: Sequence[Moved]) -> list[Concerned]:
    """Closures that errors of sensors concern, those that flip first.

    Args:
        connection: To the database.
        moved: Sensors and their errors, any number of them in one basin.
    """
    if not moved:
        return []
    of_basins = {row: name for each in moved for row, name in with_sensor(connection, each.sensor).items()}
    within = min(each.from_ms for each in moved), max(each.until_ms for each in moved)
    rereading = Rereading(connection)
    found: list[tuple[Judged, dict[Supposition, Worth]]] = []
    for each in judged(connection, of_basins, *within, undated_until_ms=END_MS):
        here = errors_in(each, moved)
        if here or (each.closure.requirement is None and _any_touches(moved, each)):
            shifts = {supposed: shifts_of(each, here, supposed) for supposed in (Supposition.STEP, Supposition.DRIFT)}
            found.append((each, {supposed: lowered(rereading, each, shift) for supposed, shift in shifts.items()}))
    worth = {each.id: worths for each, worths in found}
    laid = _laid(connection, [each for each, _ in found])
    return flips_first(replace(each, worth=worth[each.closure_id]) for each in laid)


def settled(connection: sqlite3.Connection, concerned: Concerned, moved: Sequence[Moved]) -> Concerned:
    """The same closure with the word of each verdict that its allowance left open, from its readings.

    Args:
        connection: To the database.
        concerned: From `of_moved` or one of those that use it.
        moved: What it was asked with.
    """
    rereading, each = Rereading(connection), concerned.judged
    worth = dict(concerned.worth)
    for supposed, known in worth.items():
        if known.verdict is None and not known.reread:
            read = word_of(rereading, each, shifts_of(each, errors_in(each, moved), supposed))
            worth[supposed] = replace(read, left_mc=known.left_mc)
    return replace(concerned, worth=worth)


def under(connection: sqlite3.Connection, several: Iterable[Concerned], needed: Needed) -> list[Concerned]:
    """What closures would be worth if the label asked something else; those that flip first.

    Args:
        connection: To the database.
        several: Which.
        needed: What is supposed to be asked.

    Raises:
        ValueError: No soak could meet it.
    """
    rereading = Rereading(connection)
    found = [
        replace(each, worth={Supposition.OTHERWISE: otherwise(rereading, each.judged, needed)}) for each in several
    ]
    return flips_first(found)


def with_whole_loads(connection: sqlite3.Connection, several: Sequence[Concerned]) -> list[Concerned]:
    """The same and every other closure of the same loads: a device may have met by one that nothing is wrong with."""
    spans: dict[str, tuple[int, int]] = {}
    for each in several:
        for load in each.loads:
            from_ms, until_ms = spans.get(load.basin, (load.began_ms, each.judged.opened_ms))
            ended_ms = each.judged.opened_ms if load.ended_ms is None else load.ended_ms
            spans[load.basin] = min(from_ms, load.began_ms), max(until_ms, ended_ms)
    known = {each.closure_id for each in several}
    loads = {load.id for each in several for load in each.loads}
    found = list(several)
    for basin, (from_ms, until_ms) in spans.items():
        here = basins(connection, [basin])
        if all(ids_between(connection, row, from_ms, until_ms) <= known for row in here):
            continue  # as a rule: all of them were asked about
        rest = [each for each in judged(connection, here, from_ms, until_ms) if each.id not in known]
        found += [each for each in _laid(connection, rest) if any(load.id in loads for load in each.loads)]
    return found


def _laid(connection: sqlite3.Connection, closures: Sequence[Judged]) -> list[Concerned]:
    lain = lay(connection, closures)
    return [Concerned(each, lain[each.id].loads, lain[each.id].turns, {}) for each in closures]


def _counts(check: SensorCheck) -> bool:
    """It was not declared void, which records of earlier versions do not know."""
    return not getattr(check, "void", "")


def _any_touches(moved: Sequence[Moved], closure: Judged) -> bool:
    return any(touches(each, closure) for each in moved)
