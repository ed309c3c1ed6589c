"""Sensor checks of the range, and what is overdue at its end."""

from __future__ import annotations

from typing import NamedTuple

from collector.period.looking import Looking, utc
from collector.period.parts import Part, Section, Shown, Table, cut, plural, sentence
from collector.record.things import SensorCheck, Thermometer
from collector.required import required_of
from soak.quantity import exact_celsius


class _Standing(NamedTuple):
    """A sensor that a basin requires at the end of the range, and its last check by then."""

    sensor: str
    basin: str
    last: SensorCheck | None
    overdue: bool


def of_sensors(look: Looking) -> Part:
    """The section of sensors."""
    checks = [each for each in look.book.all(SensorCheck, **look.range) if each.basin in look.asked.keys]
    read = sum(each.basin in look.asked.keys for each in look.book.all(Thermometer, **look.range))
    sensors = _sensors(look)
    overdue = [each for each in sensors if each.overdue]
    never = [each for each in sensors if each.last is None]
    done = f"{plural(len(checks), 'sensor check')} in the range; {plural(read, 'independent thermometer reading')}."
    says = [sentence(done)]
    if not sensors:
        says.append("No sensor is required of any basin.")
    elif overdue or never:
        says.append(
            f"At its end, of {plural(len(sensors), 'sensor')}: {len(overdue)} overdue, {len(never)} without any check "
            "on record."
        )
    else:
        says.append(f"At its end, none of {plural(len(sensors), 'sensor')} is overdue.")
    tables: list[Shown] = []
    left_out = ""
    if checks:
        shown, left_out = cut([_row(look, each) for each in checks], "sensor-checks.csv")
        head = ("Sensor, basin", "When, by", "Reference", "Read off by", "New correction", "U (k = 2)", "Due")
        tables.append(Shown("Checks", head, shown, widths=(0, 3, 4, 0, 0, 0, 0), right=(3, 4, 5)))
    if sensors:
        rows = tuple(_standing(look, each) for each in sensors)
        columns = ("Sensor", "Basin", "Last check", "Due", "At the end of the range")
        tables.append(Shown("Sensors at the end of the range", columns, rows, widths=(0, 2, 0, 0, 3)))
    note = "Without a check the datasheet's figure is used, and each soak says so."
    section = Section(
        "Sensor checks",
        "declared",
        tuple(says),
        tuple(tables),
        tuple(each for each in (left_out, note if never else "") if each),
    )
    return Part(section, [_table(look, checks)])


def overdue(look: Looking) -> int:
    """Sensors overdue, or without any check, at the end of the range."""
    return sum(each.overdue or each.last is None for each in _sensors(look))


def _sensors(look: Looking) -> list[_Standing]:
    last_day = look.asked.last.isoformat()
    found = []
    for basin in look.asked.basins:
        rows = [each for each in required_of(look.book.connection, basin.id) if each.since_ms < look.asked.until_ms]
        for sensor in sorted(rows[-1].terms) if rows else ():
            of_it = look.book.all(SensorCheck, group=sensor, until_ms=look.asked.until_ms, newest_first=True)
            last = next((each for each in of_it if each.counts), None)
            late = last is not None and last.due is not None and last.due < last_day
            found.append(_Standing(sensor, basin.key, last, late))
    return found


def _row(look: Looking, each: SensorCheck) -> tuple[str, ...]:
    return (
        f"{each.sensor}\n{look.label(each.basin)}",
        f"{look.minute(each.at_ms)}, {look.name_of(each.by)}",
        each.reference + ("" if each.counts else f"; void: {each.void}"),
        "" if each.error_mc is None else exact_celsius(each.error_mc),
        exact_celsius(each.correction_mc),
        exact_celsius(each.u_mc),
        each.due or "not set",
    )


def _standing(look: Looking, each: _Standing) -> tuple[str, ...]:
    if each.last is None:
        return each.sensor, look.label(each.basin), "none on record", "", "without a check"
    due = each.last.due or "not set"
    state = f"overdue since {due}" if each.overdue else "in date" if each.last.due else "the site sets no due date"
    return each.sensor, look.label(each.basin), look.minute(each.last.at_ms), due, state


def _table(look: Looking, checks: list[SensorCheck]) -> Table:
    head = ("check", "sensor", "basin", "at_utc", "by", "reference", "error_mc", "correction_mc", "u_mc", "due")
    more = ("void",)
    rows = (
        (
            *(each.id, each.sensor, each.basin, utc(each.at_ms), look.name_of(each.by), each.reference),
            *(each.error_mc, each.correction_mc, each.u_mc, each.due, each.void),
        )
        for each in checks
    )
    return Table("sensor-checks.csv", "Sensors compared with a reference in the range", (*head, *more), rows)
