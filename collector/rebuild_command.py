"""`soakledger rebuild`."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

import click

from collector.errors import CollectorError, DataError
from collector.health import unusable
from collector.page import DamagedPageError
from collector.rebuild import Rebuilt, rebuild_folder
from collector.schema import FILE_NAME

_DIFFERED = 1


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--check", is_flag=True, help="Only compare; nothing is changed.")
def command(data_dir: Path, *, check: bool) -> None:
    """Make every projection again, from the ledger and the pages alone.

    The collector must be stopped. Exit status 0: every table is as it was. 1: some were not (they are now, unless
    --check was given). 3: the data cannot be used.
    """
    try:
        rebuilt = rebuild_folder(data_dir, keep=not check, say=lambda line: click.echo(line, err=True))
    except (sqlite3.Error, DamagedPageError) as error:
        text = unusable(data_dir / FILE_NAME, error) if isinstance(error, sqlite3.Error) else str(error)
        click.echo(f"soakledger rebuild: {text} Nothing was changed.", err=True)
        sys.exit(DataError.exit_code)
    except CollectorError as error:
        click.echo(f"soakledger rebuild: {error}", err=True)
        sys.exit(error.exit_code)
    for table, count in rebuilt.rows.items():
        click.echo(f"{table:<12} {count:>10,}  {'differed' if table in rebuilt.differing else 'the same'}", err=True)
    click.echo(_words(rebuilt, kept=not check))
    sys.exit(_DIFFERED if rebuilt.differing else 0)


def _words(rebuilt: Rebuilt, *, kept: bool) -> str:
    if not rebuilt.differing:
        return "Every projection follows from ledger and pages, as it stands."
    what = "They were made again" if kept else "Nothing was changed; run it without --check to make them again"
    return f"Not as ledger and pages say: {', '.join(rebuilt.differing)}. {what}."
