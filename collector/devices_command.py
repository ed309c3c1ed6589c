"""`soakledger devices`."""

from __future__ import annotations

import sqlite3
import sys
import time
from pathlib import Path
from typing import NoReturn

import click

from collector import credentials
from collector.devices_csv import CsvError, exported, read
from collector.devices_import import import_devices
from collector.errors import CollectorError, DataError
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Device

_DATA = click.option(
    "--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder."
)


@click.group()
def command() -> None:
    """Export devices to a CSV file, or import them from one."""


@command.command("export")
@_DATA
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Where it goes; else to standard output.")
@click.option(
    "--semicolons", is_flag=True, help="Separate cells by semicolons, as spreadsheets in many countries expect."
)
def export_command(data_dir: Path, out: Path | None, *, semicolons: bool) -> None:
    """Write every device, the retired ones too, as CSV (UTF-8)."""
    try:
        with Desk(data_dir, _now_ms) as desk:
            content = exported(shelf.find_all(desk.connection, Device), ";" if semicolons else ",")
        if out:
            out.write_bytes(content)
        else:
            click.echo(content, nl=False)
    except (sqlite3.Error, OSError, CollectorError) as error:
        _stop("export", data_dir, error)


@command.command("import")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@_DATA
@click.option("--as", "who", required=True, metavar="PERSON", help="Id of the person who does it.")
@click.option("--reason", default="", help="Why, for the record of every change; else the name of the file.")
@click.option("--write", is_flag=True, help="Do it. Without, only say what would happen.")
def import_command(file: Path, data_dir: Path, who: str, reason: str, *, write: bool) -> None:
    """Record and change devices as a CSV file says: all of it, or nothing.

    Columns: asset_number, type, and if wanted serial, udi, retired (yes or no). Devices that are not in the file stay
    as they are; a column that is not in it too. With --write the person's PIN or password is asked for, or read from
    standard input. Exit status 0: done, or it could be done. 2: a line is wrong. 5: a rule stands against it.
    """
    try:
        table = read(file.read_bytes())
        if table.guessed:
            click.echo("The file is not Unicode and was read as Windows-1252: look at letters with accents.", err=True)
        with Desk(data_dir, _now_ms) as desk:
            if write:
                _prove(desk, who)
            done = import_devices(desk, table.rows, who, reason or f"Imported from {file.name}.", write=write)
    except (sqlite3.Error, OSError, CollectorError) as error:
        _stop("import", data_dir, error)
    for line in done.lines:
        click.echo(line)
    what = f"{_counted(len(done.lines))} new or changed, {done.unchanged} as before."
    click.echo(what if write else f"{what} Nothing has been recorded: add --write to do it.", err=True)


def _prove(desk: Desk, who: str) -> None:
    """The person's own PIN or password; one that somebody else chose proves nothing.

    Raises:
        RefusedError: It is not theirs.
    """
    asked = f"PIN or password of {who}"
    typed = click.prompt(asked, hide_input=True, err=True) if sys.stdin.isatty() else sys.stdin.readline()
    secret = typed.rstrip("\r\n")
    kind = credentials.kind_of(secret)
    good = credentials.check(desk.connection, who, secret, _now_ms(), kind)
    if not good or credentials.is_temporary(desk.connection, who, kind):
        raise RefusedError(
            "secret",
            f"That does not prove that you are {who!r}.",
            "Type your own PIN or password; one that was set for you must be changed on the pages first.",
        )


def _counted(count: int) -> str:
    return f"{count} device{'' if count == 1 else 's'}"


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _stop(what: str, data_dir: Path, error: Exception) -> NoReturn:
    """One clean message, and the exit status of its kind."""
    begin = f"soakledger devices {what}: "
    if isinstance(error, CsvError):
        click.echo(f"{begin}nothing was recorded.\n{error}", err=True)
        sys.exit(error.exit_code)
    if isinstance(error, CollectorError):
        click.echo(f"{begin}{error}", err=True)
        sys.exit(error.exit_code)
    if isinstance(error, OSError):
        click.echo(f"{begin}{error.filename}: {error.strerror}. Name a file that can be read and written.", err=True)
        sys.exit(CsvError.exit_code)
    click.echo(f"{begin}the data in {data_dir} cannot be used ({error}). Name the collector's data folder.", err=True)
    sys.exit(DataError.exit_code)
