"""`soakledger restore`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from collector.backup.restoring import restore
from collector.errors import CollectorError


@click.command()
@click.argument("backup", type=click.Path(path_type=Path))
@click.option(
    "--data", "data_dir", required=True, type=click.Path(path_type=Path), help="Where the data are to be; empty."
)
@click.option("--processes", default=2, show_default=True, type=click.IntRange(1, 64), help="Open pages side by side.")
@click.option("--quiet", is_flag=True, help="Only the last line.")
def command(backup: Path, data_dir: Path, processes: int, *, quiet: bool) -> None:
    """Put a backup back into an empty folder, and verify it there.

    Exit status 0: everything holds. 3: the backup is damaged, or the folder is not empty; nothing was made.
    """
    say = (lambda _line: None) if quiet else (lambda line: click.echo(line, err=True))
    try:
        manifest = restore(backup, data_dir, processes=processes, say=say)
    except CollectorError as error:
        click.echo(f"soakledger restore: {error}", err=True)
        sys.exit(error.exit_code)
    if "settings/collector.toml" in manifest.files and not quiet:
        click.echo(
            f"The settings are in {data_dir / 'settings' / 'collector.toml'}; keys and passwords are not.", err=True
        )
    click.echo(
        f"{data_dir} holds {manifest.records:,} records and was verified. The chain ends at "
        f"{manifest.records}:{manifest.hash}. Start the collector on it; everybody signs in anew."
    )
