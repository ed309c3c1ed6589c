"""`soakledger migrate`: bring the data up to this version without starting the collector on them."""

from __future__ import annotations

import json
import sqlite3
import sys
from pathlib import Path
from typing import NamedTuple

import click
from sqlite_utils import Database

from collector import schema
from collector.clock import wall_clock
from collector.errors import CollectorError, DataError
from collector.health import back_up_before_migrating, check, unusable
from collector.schema import FILE_NAME
from collector.store import Store


class State(NamedTuple):
    """What an upgrade must know of data.

    Attributes:
        pending: Changes that this version would make, in order.
        readings: How many readings have been taken in: each may be gone from its node.
        declared: How many records people have made.
    """

    pending: list[str]
    readings: int
    declared: int


def state_of(data_dir: Path) -> State:
    """Look at data; nothing is changed.

    Raises:
        DataError: They were written by a newer version, or cannot be read.
    """
    database = schema.connect(data_dir / FILE_NAME, read_only=True)
    try:
        schema.refuse_newer(database)
        pending = [migration.name for migration in schema.migrations.pending(database)]
        declared = "SELECT count(*) FROM ledger WHERE who <> 'collector'"
        return State(
            pending,
            _count(database, "stream", "SELECT ifnull(sum(stored), 0) FROM stream"),
            _count(database, "ledger", declared),
        )
    finally:
        database.close()


def _count(database: Database, table: str, question: str) -> int:
    """Data of an old version may be without the table."""
    there = table in database.table_names()
    return int(database.conn.execute(question).fetchone()[0]) if there else 0


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option(
    "--state", "only_state", is_flag=True, help="Change nothing; say as JSON what would change, and what is there."
)
def command(data_dir: Path, *, only_state: bool) -> None:
    """Bring the data up to this version. The collector does it as well when it starts; an upgrade does it before.

    What is changed is copied first, into the data folder. Stop the collector and the pages before.

    Exit status 0: the data are of this version. 3: they were written by a newer one, are damaged or in use; nothing was
    changed.
    """
    path = data_dir / FILE_NAME
    try:
        if not path.is_file():
            raise DataError(f"There are no data in {data_dir} (no {FILE_NAME}). Name the collector's data folder.")
        state = state_of(data_dir)
        if only_state:
            click.echo(json.dumps(state._asdict()))
            return
        _migrate(data_dir)
    except sqlite3.Error as error:
        click.echo(f"soakledger migrate: {unusable(path, error)}", err=True)
        sys.exit(DataError.exit_code)
    except CollectorError as error:
        click.echo(f"soakledger migrate: {error}", err=True)
        sys.exit(error.exit_code)
    click.echo(f"{path} is of this version. {_done(state.pending)}")


def _migrate(data_dir: Path) -> None:
    """As at the collector's start: looked at, copied, changed, by whoever holds the folder alone."""
    check(data_dir)
    if copy := back_up_before_migrating(data_dir):
        click.echo(f"A copy of the data as they were is {copy}.", err=True)
    Store(data_dir, wall_clock(None)).close()


def _done(made: list[str]) -> str:
    return f"Made: {', '.join(made)}." if made else "Nothing had to be changed."
