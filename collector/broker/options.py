"""What the broker's commands have in common."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from collector.errors import CollectorError

etc_option = click.option(
    "--etc",
    type=click.Path(path_type=Path, readable=False),
    default=Path("/etc/soakledger"),
    show_default=True,
    help="Folder of the settings.",
)
data_option = click.option(
    "--data",
    "data_dir",
    type=click.Path(path_type=Path, readable=False),
    default=Path("/var/lib/soakledger/collector"),
    show_default=True,
    help="The collector's data folder, for the record.",
)


@contextmanager
def one_line(command: str) -> Iterator[None]:
    """What goes wrong is one line, and its own exit status."""
    try:
        yield
    except CollectorError as error:
        click.echo(f"soakledger {command}: {error}", err=True)
        sys.exit(error.exit_code)


def utc_now() -> datetime.datetime:
    """The machine's clock: certificates know no rehearsal."""
    return datetime.datetime.now(datetime.UTC)
