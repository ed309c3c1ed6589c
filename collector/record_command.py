"""`soakledger record`."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path
from typing import IO

import click
import msgspec

from collector import proofs
from collector.asking import fail, secret_from
from collector.clock import wall_clock
from collector.errors import CollectorError
from collector.pictures import Pictures
from collector.record.all import DEEDS
from collector.record.deed import Deed
from collector.record.desk import Desk, Done
from soak.decoding import from_json

_BAD_INPUT = 2


@click.command()
@click.argument("deed", required=False)
@click.option("--data", "data_dir", type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--as", "person", metavar="PERSON", help="Id of who records it; their password is asked for.")
@click.option(
    "--json", "fields", type=click.File("rb"), help="The deed's fields as a JSON object; - reads it from stdin."
)
@click.option(
    "--once", default="", metavar="KEY", help="A key of yours: the same deed sent again under it is not done again."
)
@click.option("--list", "list_deeds", is_flag=True, help="List what can be recorded, and who may.")
@click.option("--fields", "show_fields", is_flag=True, help="Print the deed's fields as a JSON schema.")
def command(
    deed: str | None,
    data_dir: Path | None,
    person: str | None,
    fields: IO[bytes] | None,
    once: str,
    *,
    list_deeds: bool,
    show_fields: bool,
) -> None:
    """Record something, as a script of an administrator's would.

    The password is asked for at the terminal; without one it is the first line of stdin, before the JSON if that comes
    from there too. Prints the record's number, the kind of thing and its id.

    Exit status 0: recorded. 2: the input cannot be used. 3: the data cannot be used. 5: a rule stands against it;
    nothing was recorded.
    """
    if list_deeds:
        _list()
        return
    kind = _kind(deed)
    if show_fields:
        click.echo(msgspec.json.format(msgspec.json.encode(msgspec.json.schema(kind))))
        return
    if data_dir is None or person is None:
        raise click.UsageError("Give --data and --as. `soakledger record --list` lists what can be recorded.")
    if kind.SECOND_PERSON:
        fail("record", "This takes a second person at the same time. Record it at a page.", _BAD_INPUT)
    password = secret_from(f"Password of {person}")
    said = _said(kind, fields)
    try:
        done = _record(data_dir, person, password, said, once)
    except CollectorError as error:
        fail("record", str(error), error.exit_code)
    except sqlite3.Error as error:
        fail("record", f"The record cannot be written ({error}). Nothing was recorded. Try again.", 3)
    click.echo(f"{done.number} {done.kind} {done.id}")
    if done.again:
        click.echo("It had been recorded already under this key; nothing was recorded now.", err=True)


def _record(data_dir: Path, person: str, password: str, said: Deed, once: str) -> Done:
    clock = wall_clock()
    with Desk(data_dir, clock) as desk:
        proven = proofs.by_password(desk, person, password, clock())
        Pictures(data_dir).refuse_missing(said)
        return desk.do(said, proven.person.id, second_factor=proven.second_factor, once=once)


def _kind(name: str | None) -> type[Deed]:
    if name is None:
        raise click.UsageError("Name a deed. `soakledger record --list` lists them.")
    if name not in DEEDS:
        raise click.UsageError(f"There is no deed {name!r}. `soakledger record --list` lists them.")
    return DEEDS[name]


def _said(kind: type[Deed], fields: IO[bytes] | None) -> Deed:
    content = fields.read() if fields else b"{}"
    try:
        return from_json(content, kind)
    except msgspec.ValidationError as error:
        fail(
            "record",
            f"The fields cannot be used: {error}. `soakledger record {kind.NAME} --fields` lists them.",
            _BAD_INPUT,
        )
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        fail("record", f"The fields are no JSON ({error}). Give one object, such as {{}}.", _BAD_INPUT)


def _list() -> None:
    width = max((len(name) for name in DEEDS), default=0)
    for name, kind in sorted(DEEDS.items()):
        first = (kind.__doc__ or "").splitlines()[0]
        click.echo(f"{name:<{width}}  {first} ({', '.join(sorted(kind.ROLES))})")
    sys.stdout.flush()
