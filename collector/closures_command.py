"""`soakledger closures`."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

import click
import msgspec

from collector.errors import CollectorError, DataError
from collector.read import Reader, StoredClosure
from soak.closure import Verdict
from soak.quantity import celsius, in_words, utc_text


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--verdict", type=click.Choice([each.value for each in Verdict]), help="Only closures with this verdict.")
@click.option("--limit", default=50, show_default=True, type=click.IntRange(1, 100_000), help="At most so many.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, with everything that is known.")
def command(data_dir: Path, verdict: str | None, limit: int, *, as_json: bool) -> None:
    """List ended closures, newest first, with their verdict and findings."""
    try:
        with Reader(data_dir) as reader:
            closures = reader.closures(verdict=Verdict(verdict) if verdict else None, limit=limit)
            labels = {basin.id: basin.label for basin in reader.basins()}
    except sqlite3.Error as error:
        click.echo(
            f"soakledger closures: the data in {data_dir} cannot be read ({error}). Name the collector's data folder "
            "with --data; if it is that one, look at the collector's messages.",
            err=True,
        )
        sys.exit(DataError.exit_code)
    except CollectorError as error:
        click.echo(f"soakledger closures: {error}", err=True)
        sys.exit(error.exit_code)
    for stored in closures:
        click.echo(msgspec.json.encode(stored).decode() if as_json else _line(stored, labels[stored.basin_id]))
    if not as_json:
        count = f"{len(closures)} closure{'' if len(closures) == 1 else 's'}"
        click.echo(f"{count}. The product's label and the device maker's instructions decide.", err=True)


def _line(stored: StoredClosure, label: str) -> str:
    closure = stored.closure
    coldest = "no temperature" if closure.coldest_mc is None else f"coldest {celsius(closure.coldest_mc)}"
    closed = in_words(closure.closed_ms)
    why = " ".join(finding.text for finding in closure.findings)
    when = utc_text(stored.closing_utc_ms)[:19] + "Z"
    return f"{when}  {label:<20} {closure.verdict.value:<9} closed {closed}, {coldest}. {why}".rstrip()
