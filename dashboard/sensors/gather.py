"""What the pages of sensors ask."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import NamedTuple

from collector.record.basins.grounds import Ground, grounds
from collector.record.book import Book
from collector.record.things import Mapping, Reference, SensorCheck
from dashboard.query import MissingError
from dashboard.record_query import Names
from dashboard.texts import _
from soak.budget import Contribution, combined_uc, effective_dof, share_permille
from soak.conformance import guarded_risk

_FEW_DOF = 20
"""Fewer effective degrees of freedom are shown: the repeats then say a good part of U, and more would tell better."""


class Row(NamedTuple):
    """A sensor in use.

    Attributes:
        basin: "node/name".
        ground: Its figures and what they rest on.
        last: Its last check, also one that does not count.
        due: Day on which its check is due, by the site's rule; None: none is set.
        late: That day is over, or a check is asked for and none was made.
    """

    basin: str
    ground: Ground
    last: SensorCheck | None
    due: datetime.date | None
    late: bool


class Allowance(NamedTuple):
    """What its soaks since the last good check had to spare.

    Attributes:
        since_ms: That check; 0 without one.
        soaks: Closures that met since then.
        least_mc: The least of their allowances for this sensor; None where there is none.
    """

    since_ms: int
    soaks: int
    least_mc: int | None


def rows(book: Book) -> list[Row]:
    """Every sensor in use, by basin."""
    return [
        _row(book, f"{node}/{name}", ground)
        for basin_id, node, name in book.connection.execute("SELECT id, node, name FROM basin ORDER BY id").fetchall()
        for ground in grounds(book, basin_id, book.at_ms)
    ]


def _row(book: Book, basin: str, ground: Ground) -> Row:
    last = next(iter(book.all(SensorCheck, group=ground.sensor, newest_first=True, limit=1)), None)
    due, days = None, book.policy.sensor_check_days
    if ground.check is not None and ground.check.due is not None:
        due = datetime.date.fromisoformat(ground.check.due)
    elif ground.check is not None and days is not None:
        due = book.local_date(ground.check.at_ms) + datetime.timedelta(days=days)
    late = book.at_ms > book.end_of_day_ms(due) if due else ground.check is None and days is not None
    return Row(basin, ground, last, due, late)


def one(book: Book, sensor: str) -> dict[str, object]:
    """One sensor with its checks, newest first, and its mapping studies.

    Raises:
        MissingError: No basin has it, and nobody has checked it.
    """
    row = next((each for each in rows(book) if each.ground.sensor == sensor), None)
    checks = book.all(SensorCheck, group=sensor, newest_first=True)
    if row is None and not checks:
        raise MissingError(_("There is no sensor {sensor}. They are listed at /sensors.").format(sensor=sensor[:64]))
    return {
        "sensor": sensor,
        "row": row,
        "checks": checks,
        "plot": plotted(checks[::-1]),
        "studies": book.all(Mapping, group=sensor, newest_first=True),
        "allowance": _allowance(book, row) if row else None,
        "names": Names(book),
    }


def _allowance(book: Book, row: Row) -> Allowance:
    since_ms = row.ground.check.at_ms if row.ground.check else 0
    node, _slash, name = row.basin.partition("/")
    soaks, least_mc = book.connection.execute(
        """SELECT count(*), min(json_extract(j.body, '$.sensor_allowances_mc."' || ?1 || '"')) FROM judged j
           JOIN basin b ON b.id = j.basin_id WHERE b.node = ?2 AND b.name = ?3 AND j.closing_utc_ms >= ?4
           AND j.superseded_by IS NULL AND json_extract(j.body, '$.verdict') = 'met'""",
        (row.ground.sensor, node, name, since_ms),
    ).fetchone()
    return Allowance(since_ms, soaks, least_mc)


class Dot(NamedTuple):
    """A check in the small plot: places in thousandths of its width and height, from the left and the top."""

    x: int
    y: int
    u_top: int | None
    u_bottom: int | None
    check: SensorCheck


class Plot(NamedTuple):
    """Errors found over time.

    Attributes:
        dots: Checks, oldest first.
        zero: Where no error lies.
        most_mc: What the height spans, up and down.
    """

    dots: Sequence[Dot]
    zero: int
    most_mc: int


def plotted(checks: Sequence[SensorCheck]) -> Plot | None:
    """The small plot of what checks found, oldest first; None for fewer than two."""
    known = [(check, check.error_mc) for check in checks if check.error_mc is not None]
    if len(known) < 2:
        return None
    most_mc = max(max(abs(error), check.u_before_mc or 0) for check, error in known) or 1
    first_ms, last_ms = known[0][0].at_ms, known[-1][0].at_ms

    def y(mc: int) -> int:
        return 500 - round(440 * mc / most_mc)

    dots = [
        Dot(
            40 + (920 * (check.at_ms - first_ms) // (last_ms - first_ms) if last_ms > first_ms else 0),
            y(error),
            None if check.u_before_mc is None else y(check.u_before_mc),
            None if check.u_before_mc is None else y(-check.u_before_mc),
            check,
        )
        for check, error in known
    ]
    return Plot(dots, y(0), most_mc)


class Line(NamedTuple):
    """A contribution with its share of the variance, in per cent with one decimal."""

    part: Contribution
    share: str


class Sheet(NamedTuple):
    """The budget of a check as it is shown.

    Attributes:
        lines: The greatest first.
        u_uc: Combined standard uncertainty, microdegrees.
        few_dof: Effective degrees of freedom where they are few; None: enough.
        risk: Greatest risk of accepting what is in truth beyond a limit, in per cent.
    """

    lines: Sequence[Line]
    u_uc: int
    few_dof: int | None
    risk: str


def sheet(budget: Sequence[Contribution]) -> Sheet:
    """A budget with shares."""
    dof = effective_dof(budget)
    lines = [Line(part, f"{share_permille(part, budget) / 10:.1f}") for part in budget]
    return Sheet(
        sorted(lines, key=lambda line: -line.part.u_uc),
        round(combined_uc(budget)),
        dof if dof is not None and dof < _FEW_DOF else None,
        f"{100 * guarded_risk():.2f}",
    )


def one_check(book: Book, check_id: str) -> dict[str, object]:
    """A check in full.

    Raises:
        MissingError: There is none.
    """
    check = book.find(SensorCheck, check_id)
    if check is None:
        raise MissingError(
            _("There is no sensor check {check}. They are listed at /sensors.").format(check=check_id[:64])
        )
    checks = book.all(SensorCheck, group=check.sensor)
    reference = book.find(Reference, check.reference_id) if check.reference_id else None
    row = book.connection.execute(
        "SELECT number FROM thing WHERE kind = 'sensor-check' AND id = ?", (check_id,)
    ).fetchone()
    return {
        "check": check,
        "sheet": sheet(check.budget) if check.budget else None,
        "reference": reference,
        "used": reference.certificate_of(check.certificate) if reference else None,
        "study": book.find(Mapping, check.mapping) if check.mapping else None,
        "next": next((each for each in checks if each.at_ms > check.at_ms), None),
        "number": int(row[0]) if row else None,
        "names": Names(book),
    }


def references(book: Book) -> dict[str, object]:
    """Reference thermometers, those in use first, each with whether its certificate is overdue."""
    found = sorted(book.all(Reference), key=lambda each: (each.retired is not None, each.id))
    late = {each.id: book.at_ms > book.end_of_day_ms(each.certificate.due) for each in found}
    counts = {each.id: 0 for each in found}
    for check in book.all(SensorCheck):
        if check.reference_id in counts:
            counts[check.reference_id] += 1
    return {"references": found, "late": late, "counts": counts, "names": Names(book)}
