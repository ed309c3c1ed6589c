"""`soakledger verify`."""

from __future__ import annotations

import re
import sqlite3
import sys
import time
from pathlib import Path

import click

from collector.errors import CollectorError, DataError
from collector.health import unusable
from collector.ledger import Head
from collector.schema import FILE_NAME
from collector.verify import Outcome, verify
from collector.verify_pictures import PicturesFound, verify_pictures

_DOES_NOT_HOLD = 1


class _HeadType(click.ParamType[Head]):
    name = "NUMBER:HASH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Head:
        found = re.fullmatch(r"([1-9][0-9]{0,14}):([0-9a-f]{64})", str(value).strip().lower())
        if not found:
            self.fail(
                f"{str(value)[:100]!r} is no record number with its hash. Copy both as printed: 1234:9f86d0…",
                param,
                ctx,
            )
        return Head(int(found[1]), found[2])


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option(
    "--known",
    multiple=True,
    type=_HeadType(),
    help="A record's number and hash as printed on paper: the chain must still have it. May be given several times.",
)
@click.option(
    "--processes", default=2, show_default=True, type=click.IntRange(1, 64), help="How many open pages side by side."
)
@click.option("--quiet", is_flag=True, help="Only the last line.")
def command(data_dir: Path, known: tuple[Head, ...], processes: int, *, quiet: bool) -> None:
    """Check every record, every page and every picture of record; name the first that does not hold.

    Exit status 0: everything holds. 1: something does not. 3: the data cannot be read. Readings that no page holds yet
    (at most the last hour of each basin) are not in the chain and are not checked.
    """
    began_s = time.monotonic()
    say = (lambda _line: None) if quiet else (lambda line: click.echo(line, err=True))
    try:
        if not (data_dir / FILE_NAME).is_file():
            raise DataError(f"There are no data in {data_dir} (no {FILE_NAME}). Name the collector's data folder.")
        outcome = verify(data_dir, processes=processes, known=known, say=say)
        pictures = verify_pictures(data_dir) if outcome.wrong is None else PicturesFound(0, None)
    except sqlite3.Error as error:
        click.echo(f"soakledger verify: {unusable(data_dir / FILE_NAME, error)}", err=True)
        sys.exit(DataError.exit_code)
    except CollectorError as error:
        click.echo(f"soakledger verify: {error}", err=True)
        sys.exit(error.exit_code)
    if not quiet:
        _rates(outcome, time.monotonic() - began_s)
    outcome = outcome._replace(wrong=outcome.wrong or pictures.wrong)
    click.echo(words(outcome, pictures.pictures))
    sys.exit(_DOES_NOT_HOLD if outcome.wrong else 0)


def _rates(outcome: Outcome, seconds: float) -> None:
    if outcome.readings and seconds > 0:
        click.echo(f"{seconds:.1f} s, {outcome.readings / seconds:,.0f} readings a second", err=True)


def words(outcome: Outcome, pictures: int) -> str:
    """The outcome in one line."""
    head = outcome.head
    if outcome.wrong is None:
        kept = f" and {pictures} picture{'' if pictures == 1 else 's'} of record" if pictures else ""
        return (
            f"{head.records} records and {outcome.pages} pages with {outcome.readings} readings{kept} hold. "
            f"The chain ends at {head.records}:{head.hash}"
        )
    number, text = outcome.wrong
    what = text if number is None else f"Record {number} does not hold: {text}"
    return f"{what} The {head.records} records before hold." if number and number > head.records else what
