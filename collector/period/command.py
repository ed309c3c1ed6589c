"""`soakledger period-report`."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import BinaryIO

import click

from collector import proofs
from collector.asking import fail, secret_from
from collector.clock import wall_clock
from collector.errors import CollectorError
from collector.evidence.outfile import written
from collector.period.issue import make, zip_issued, zip_now
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.papers.period import IssuePeriodReport

_NAME = "period-report"


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--from", "first", metavar="DAY", help="First day at the site, e.g. 2026-03-01.")
@click.option("--to", "last", metavar="DAY", help="Last day; it belongs to the report.")
@click.option("--basin", default="", metavar="NODE/NAME", help="Of this basin only.")
@click.option("--place", default="", help="Of basins at this place only.")
@click.option("--again", metavar="ID", help="A report that was issued, e.g. PR3: the same bytes. Needs no --as.")
@click.option("--as", "person", metavar="PERSON", help="Id of who issues it; their password is asked for.")
@click.option("--reason", default="", help="What for; it stands on the report.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="FILE.pdf: the report, with its tables inside. FILE.zip: its tables as CSV. Must not be there yet.",
)
def command(
    *,
    data_dir: Path,
    first: str | None,
    last: str | None,
    basin: str,
    place: str,
    again: str | None,
    person: str | None,
    reason: str,
    out: Path,
) -> None:
    """Issue a period report: soaks, failures and what was done, solutions, sensors, alarms, gaps, corrections.

    A report is issued as PDF/A-3a and stands on record; the same bytes come again with --again. Tables alone are issued
    by nobody, and their manifest.json says so. Whoever has veraPDF checks a report with `verapdf --flavour 3a FILE`.

    Exit status 0: written. 2: the input cannot be used. 3: the data cannot be used. 5: a rule stands against it;
    nothing was issued.
    """
    if out.suffix not in (".pdf", ".zip"):
        raise click.UsageError("Name a file that ends in .pdf or .zip with --out.")
    if bool(again) == bool(first or last) or bool(first) != bool(last):
        raise click.UsageError("Give --from and --to, or --again.")
    try:
        with Desk(data_dir, wall_clock()) as desk:
            if again is not None:
                written(_NAME, out, lambda file: _again(desk, again, out, file))
                return
            if out.suffix == ".zip":
                book = Book.looking(desk.connection, desk.clock())
                written(_NAME, out, lambda file: file.write(zip_now(book, first or "", last or "", basin, place)))
                return
            if person is None:
                raise click.UsageError("Give --as: who issues it stands on record.")
            who = proofs.by_password(desk, person, secret_from(f"Password of {person}"), desk.clock()).person.id
            said = IssuePeriodReport(first=first or "", last=last or "", basin=basin, place=place, reason=reason)
            written(_NAME, out, lambda file: _again(desk, desk.do(said, who).id, out, file))
    except CollectorError as error:
        fail(_NAME, str(error), error.exit_code)
    except sqlite3.Error as error:
        fail(_NAME, f"The data cannot be read or written ({error}). Try again; then run `soakledger verify`.", 3)


def _again(desk: Desk, issued_id: str, out: Path, file: BinaryIO) -> None:
    if out.suffix == ".zip":
        file.write(zip_issued(desk.connection, issued_id))
        return
    made = make(desk.connection, issued_id)
    file.write(made.content)
    click.echo(f"{made.issued.id} record {made.record.number} sha256 {made.sha256}")
    if not made.as_then:
        text = "It was set by another version of the typesetter than at its issue: the same words, other bytes."
        click.echo(text, err=True)
