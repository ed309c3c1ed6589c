"""`soakledger disinfection-record`."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import BinaryIO

import click

from collector import proofs
from collector.asking import fail, secret_from
from collector.clock import wall_clock
from collector.errors import CollectorError
from collector.evidence.issue import make
from collector.evidence.many import Manifest, Wanted, zipped
from collector.evidence.outfile import written
from collector.record.desk import Desk
from collector.record.papers.issuing import IssueDisinfectionRecord
from soak.quantity import utc_ms

_NAME = "disinfection-record"
_SOME_MISSING, _BAD_INPUT = 1, 2


@click.command()
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--as", "person", metavar="PERSON", help="Id of who issues it; their password is asked for.")
@click.option("--reason", default="", help="What for; it stands on the paper.")
@click.option("--closure", metavar="STREAM:FIRST", help="The soak, as `soakledger closures` and its page name it.")
@click.option("--again", metavar="ID", help="A paper that was issued, e.g. E12: the same bytes. Needs no --as.")
@click.option("--from", "since", metavar="TIME", help="With --zip: soaks closed at or after this time (RFC 3339).")
@click.option("--to", "until", metavar="TIME", help="With --zip: and before this one.")
@click.option("--basin", default="", metavar="NODE/NAME", help="With --zip: of this basin only.")
@click.option("--device", default="", metavar="ASSET", help="With --zip: that this device lay in only.")
@click.option("--every", is_flag=True, help="With --zip: also closures that no load is on record for.")
@click.option("--out", type=click.Path(path_type=Path), help="The PDF to write; must not be there yet.")
@click.option("--zip", "zip_out", type=click.Path(path_type=Path), help="The ZIP to write; must not be there yet.")
def command(
    *,
    data_dir: Path,
    person: str | None,
    reason: str,
    closure: str | None,
    again: str | None,
    since: str | None,
    until: str | None,
    basin: str,
    device: str,
    every: bool,
    out: Path | None,
    zip_out: Path | None,
) -> None:
    """Issue disinfection records: one as PDF/A-3a, or all of a time range in one ZIP with a manifest.

    Each issue is a record of the ledger. The same bytes come again with --again. Whoever has veraPDF checks a paper
    with `verapdf --flavour 3a FILE`.

    Exit status 0: written. 1: written, but some soaks of the ZIP could not be issued; its manifest says why. 2: the
    input cannot be used. 3: the data cannot be used. 5: a rule stands against it; nothing was issued.
    """
    asked = [each for each in (closure, again, since or until) if each]
    path = out or zip_out
    if len(asked) != 1 or path is None or (out and zip_out) or (zip_out is None) == bool(since or until):
        raise click.UsageError("Give --closure or --again with --out, or --from and --to with --zip.")
    try:
        with Desk(data_dir, wall_clock()) as desk:
            if again:
                written(_NAME, path, lambda file: _again(desk, again, file))
                return
            if person is None:
                raise click.UsageError("Give --as: who issues it stands on record.")
            who = proofs.by_password(desk, person, secret_from(f"Password of {person}"), desk.clock()).person.id
            if closure:
                said = IssueDisinfectionRecord(closure=closure, reason=reason)
                written(_NAME, path, lambda file: _again(desk, desk.do(said, who).id, file))
                return
            wanted = Wanted(_moment(since, "--from"), _moment(until, "--to"), basin, device, every)
            if wanted.since_ms >= wanted.until_ms:
                fail(_NAME, "--from is not before --to: there is nothing between them. Exchange them.", _BAD_INPUT)
            written(_NAME, path, lambda file: _zip(desk, who, wanted, reason, file))
    except CollectorError as error:
        fail(_NAME, str(error), error.exit_code)
    except sqlite3.Error as error:
        fail(_NAME, f"The data cannot be read or written ({error}). Try again; then run `soakledger verify`.", 3)


def _again(desk: Desk, issued_id: str, file: BinaryIO) -> None:
    made = make(desk.connection, issued_id)
    file.write(made.content)
    click.echo(f"{made.issued.id} record {made.record.number} {made.issued.verdict} sha256 {made.sha256}")
    if not made.as_then:
        text = "It was set by another version of the typesetter than at its issue: the same words, other bytes."
        click.echo(text, err=True)


def _zip(desk: Desk, who: str, wanted: Wanted, reason: str, file: BinaryIO) -> None:
    def say(done: int, of: int) -> None:
        if done % 100 == 0:
            click.echo(f"{done:,} of {of:,}", err=True)

    manifest: Manifest | None = None
    for piece in zipped(desk, who, wanted, reason, say=say):
        if isinstance(piece, bytes):
            file.write(piece)
        else:
            manifest = piece
    if manifest is None:
        return
    click.echo(f"{len(manifest.papers)} papers; {manifest.closures_without_load} closures without a load left out")
    for each in manifest.not_in_it:
        click.echo(f"not in it: {each.soak} ({each.basin}, {each.closed_utc}): {each.reason}", err=True)
    if manifest.not_in_it:
        raise SystemExit(_SOME_MISSING)


def _moment(text: str | None, name: str) -> int:
    try:
        return utc_ms(text or "")
    except ValueError:
        fail(_NAME, f"{name} is {text!r}. Write date, time and offset, such as 2026-03-02T00:00:00+01:00.", _BAD_INPUT)
