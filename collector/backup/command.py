"""`soakledger backup`."""

from __future__ import annotations

import datetime
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import click

from collector.backup import manifest as manifests
from collector.backup.manifest import Manifest
from collector.backup.proving import wrong_with
from collector.backup.taking import Taken, take
from collector.clock import wall_clock
from collector.errors import CollectorError, DataError
from collector.schema import FILE_NAME
from soak.rehearsal import Rehearsal

_DOES_NOT_HOLD = 1
_WRONG_USE = 2


@click.command()
@click.option("--data", "data_dir", type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--to", "folder", type=click.Path(path_type=Path), help="Folder for backups; each gets one of its own.")
@click.option(
    "--also",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A file to be kept beside the data, such as collector.toml. May be given several times.",
)
@click.option("--list", "listing", is_flag=True, help="List the backups in the folder, and stop.")
@click.option(
    "--check", "checked", type=click.Path(path_type=Path), help="Verify a backup that was made earlier, and stop."
)
@click.option("--processes", default=2, show_default=True, type=click.IntRange(1, 64), help="Open pages side by side.")
@click.option("--quiet", is_flag=True, help="Only the last line.")
@click.option("--rehearsal", "rehearsal_text", hidden=True, help="The clock of a rehearsal.")
def command(
    data_dir: Path | None,
    folder: Path | None,
    *,
    also: tuple[Path, ...],
    checked: Path | None,
    processes: int,
    rehearsal_text: str | None,
    listing: bool,
    quiet: bool,
) -> None:
    """Copy everything that is kept, also while the collector runs, and verify the copy.

    A backup is a folder with the database, the pictures of record and a manifest of digests. `soakledger restore` puts
    it back. No backup is ever taken away by this program.

    Keep it as safe as the collector itself, and on another disk: it holds hashes of PINs and passwords (from which
    somebody who has it finds the six digits of a PIN within hours), digests of badges and of browsers, and the record
    of sign-ins with addresses of people's machines. Sessions stay behind. Passwords of the broker and of notifications
    are in it only if --also names their files.

    Exit status 0: it holds. 1: it does not. 2: wrong use. 3: there are no data, or it could not be written.
    """
    say = (lambda _line: None) if quiet else (lambda line: click.echo(line, err=True))
    try:
        if checked is not None:
            _check(checked, processes, quiet=quiet)
        elif folder is None:
            _wrong_use("Name the folder for backups with --to.")
        elif listing:
            _list(folder)
        elif data_dir is None:
            _wrong_use("Name the collector's data folder with --data.")
        else:
            clock = wall_clock(Rehearsal.parsed(rehearsal_text) if rehearsal_text else None)
            taken = take(data_dir, folder, clock, also=also, processes=processes, say=say)
            if taken.same_disk and not quiet:
                click.echo(
                    f"{folder} is on the same disk as the data: if that fails, both are gone. Copy it elsewhere too.",
                    err=True,
                )
            click.echo(words(taken))
    except CollectorError as error:
        click.echo(f"soakledger backup: {error}", err=True)
        sys.exit(error.exit_code)


def words(taken: Taken) -> str:
    """What was taken, in one line."""
    manifest = taken.manifest
    said = f"recorded as {taken.recorded}" if taken.recorded else "not recorded: the data can only be read"
    return (
        f"{taken.path} holds {manifest.records:,} records in {_size(manifest)} and was verified; {said}. "
        f"Its chain ends at {manifest.records}:{manifest.hash}. By the site's rule its records are kept until "
        f"{manifest.keep_until}."
    )


def _wrong_use(text: str) -> None:
    click.echo(f"soakledger backup: {text} See --help.", err=True)
    sys.exit(_WRONG_USE)


def _check(backup: Path, processes: int, *, quiet: bool) -> None:
    manifest = manifests.read(backup)
    found = wrong_with(backup, manifest, processes=processes, say=lambda _line: None)
    if found:
        click.echo(f"{backup} does not hold: {found} Use another backup.")
        sys.exit(_DOES_NOT_HOLD)
    if not quiet:
        click.echo(f"It was made by {manifest.software} for {manifest.site or 'a site without a name'}.", err=True)
    click.echo(f"{backup} holds {manifest.records:,} records: {manifest.records}:{manifest.hash}")


def _list(folder: Path) -> None:
    """With what of it a newer one holds as well, so that a person can decide what to take away."""
    found = manifests.backups(folder)
    if not found:
        raise DataError(f"There is no finished backup in {folder}.")
    newest = found[-1]
    for backup in found:
        try:
            manifest = manifests.read(backup)
        except DataError as error:
            click.echo(f"{backup.name}  cannot be used: {error}")
            continue
        made = datetime.datetime.fromtimestamp(manifest.made_ms / 1000).astimezone()
        within = backup != newest and _within(manifest, newest)
        also = f"; all of its records are in {newest.name} too" if within else ""
        click.echo(
            f"{backup.name}  {made:%Y-%m-%d %H:%M %z}  {manifest.records:,} records  {_size(manifest)}  "
            f"keep its records until {manifest.keep_until}{also}"
        )


def _within(manifest: Manifest, newest: Path) -> bool:
    """The newest backup's chain goes through this one's end."""
    try:
        with closing(sqlite3.connect(f"{(newest / FILE_NAME).absolute().as_uri()}?mode=ro", uri=True)) as connection:
            row = connection.execute("SELECT hash FROM ledger WHERE number = ?", (manifest.records,)).fetchone()
    except sqlite3.Error:
        return False
    return bool(row == (manifest.hash,))


def _size(manifest: Manifest) -> str:
    size = sum(each.bytes for each in manifest.files.values())
    return f"{size / 2**20:,.1f} MiB"


if __name__ == "__main__":
    command()
