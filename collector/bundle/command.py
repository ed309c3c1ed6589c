"""`soakledger evidence`."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import click

from collector import proofs
from collector.asking import fail, secret_from
from collector.bundle.gathered import refuse_empty
from collector.bundle.issue import can_be_recorded, record_issue
from collector.bundle.make import Made, looking, refuse_existing, write_file
from collector.bundle.missing import IncompleteError
from collector.bundle.span import Span, span_of
from collector.clock import wall_clock
from collector.errors import CollectorError, DataError
from collector.health import unusable
from collector.ledger import COLLECTOR
from collector.record.book import Book
from collector.record.desk import Desk
from collector.schema import FILE_NAME

_INCOMPLETE = 1
_BAD_INPUT = 2


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--from", "begin", required=True, metavar="WHEN", help="A day at the site, or a moment (RFC 3339).")
@click.option("--to", "end", required=True, metavar="WHEN", help="The same; a day counts to its end.")
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The bundle: a ZIP file.")
@click.option("--as", "person", metavar="PERSON", help="Id of who issues it; their password is asked for.")
@click.option("--replace", is_flag=True, help="Write over a file of that name.")
@click.option("--incomplete", is_flag=True, help="Where something is damaged: make a bundle that says what it lacks.")
@click.option("--no-record", is_flag=True, help="Do not record that it was issued.")
@click.option("--quiet", is_flag=True, help="Only what went wrong.")
def command(
    data_dir: Path,
    begin: str,
    end: str,
    out: Path,
    person: str | None,
    *,
    replace: bool,
    incomplete: bool,
    no_record: bool,
    quiet: bool,
) -> None:
    """Put records, readings and verdicts of a range into one file that can be checked without this program.

    Two days, both included: --from 2026-03-01 --to 2026-03-31. It may run while the collector does. The bundle has
    every record of the ledger, names of people and what they typed among them.

    Exit status 0: made, and whole. 1: something is damaged or missing, or the range is empty. 2: the input cannot be
    used. 3: the data cannot be used, or the file cannot be written. 5: that person may not.
    """
    say = _silent if quiet else _err
    password = secret_from(f"Password of {person}") if person and not no_record else ""
    try:
        refuse_existing(out, replace=replace)
        span = _span(data_dir, begin, end)
        issued = _issue(data_dir, span, person, password, no_record=no_record)
        made = write_file(data_dir, span, out, wall_clock()(), incomplete=incomplete, replace=replace, say=say)
    except FileExistsError as error:
        fail("evidence", f"{error} It was left as it is. Name another with --out, or add --replace.", _BAD_INPUT)
    except IncompleteError as error:
        for each in error.missing:
            _err(each.words())
        fail("evidence", str(error), error.exit_code)
    except sqlite3.Error as error:
        fail("evidence", unusable(data_dir / FILE_NAME, error), DataError.exit_code)
    except OSError as error:
        _unwritable(out, error)
    except CollectorError as error:
        fail("evidence", str(error), error.exit_code)
    if not quiet:
        _tell(out, span, made, issued)
    for each in made.gathered.missing:
        _err(f"missing: {each.words()}")
    if made.gathered.missing:
        fail("evidence", f"{out} is incomplete; it says so in its manifest and README.", _INCOMPLETE)


def _span(data_dir: Path, begin: str, end: str) -> Span:
    """What was asked for; nothing is recorded of a range that has nothing in it."""
    with looking(data_dir) as db:
        span = span_of(begin, end, Book.looking(db.conn, wall_clock()()).zone)
        refuse_empty(db, span)
    return span


def _issue(data_dir: Path, span: Span, person: str | None, password: str, *, no_record: bool) -> str:
    """Record it, before anything is read: so the record is in the bundle. What to say of it."""
    if no_record:
        return "No record of this issue was made, as asked."
    if not can_be_recorded(data_dir):
        return f"No record of this issue was made: {data_dir} cannot be written."
    clock = wall_clock()
    with Desk(data_dir, clock) as desk:
        who = proofs.by_password(desk, person, password, clock()).person.id if person else COLLECTOR
        return f"Its issue is record {record_issue(desk, span, who).number}."


def _tell(out: Path, span: Span, made: Made, issued: str) -> None:
    counts, head = made.gathered.counts, made.gathered.head
    click.echo(f"{out}: {made.bytes:,} bytes, {span.words()}. {issued}")
    click.echo(
        f"{counts['records']:,} records, {counts['pages']:,} pages with {counts['readings']:,} readings, "
        f"{counts['verdicts']:,} verdicts, {counts['pictures']:,} pictures."
    )
    click.echo(f"The chain ends at {head.records}:{head.hash}")
    if made.gathered.unsealed:
        waiting = sum(each.readings for each in made.gathered.unsealed)
        click.echo(
            f"Not covered: {waiting:,} readings of the range are on no page yet. They are within the hour, once "
            "the nodes have sent all they hold; a bundle made then has them."
        )
    click.echo("It has names of people and what they typed: treat it as you treat such records.")
    click.echo("To check it: unpack it, and run `python3 -I -S verify.py` in the unpacked folder.")


def _unwritable(out: Path, error: OSError) -> NoReturn:
    fail(
        "evidence",
        f"{out} cannot be written ({error.strerror or error}). No bundle was made. Look at the folder's owner and "
        "free space, or name another place with --out.",
        DataError.exit_code,
    )


def _err(text: str) -> None:
    click.echo(text, err=True)
    sys.stderr.flush()


_silent: Callable[[str], None] = lambda _text: None  # noqa: E731
