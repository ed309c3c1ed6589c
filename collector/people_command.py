"""`soakledger people`: the first administrator, and what people sign in with, from the machine itself."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from collector import credentials, proofs
from collector.asking import fail, secret_from
from collector.clock import wall_clock
from collector.credentials import Kind
from collector.errors import CollectorError
from collector.ledger import COLLECTOR
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.shifts.people import FirstAdministrator
from collector.record.things import Person

_UNTIL_CHANGED = "It signs nothing until they have changed it."


@click.group("people")
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.pass_context
def command(ctx: click.Context, data_dir: Path) -> None:
    """Let people in: the first administrator, PINs, passwords and badges.

    Whoever can write the data folder can do this; that it was done is recorded, what was set is not. Once there is an
    administrator, all of it can be done at the pages too.
    """
    ctx.obj = data_dir


@command.command("list")
@click.pass_obj
def list_people(data_dir: Path) -> None:
    """List people, their roles and what they can sign in with."""
    with _desk(data_dir) as desk:
        people = shelf.find_all(desk.connection, Person)
        held = {each.id: credentials.has(desk.connection, each.id) for each in people}
    for each in sorted(people, key=lambda person: person.id):
        roles = ", ".join(each.roles) if each.active else "has left"
        click.echo(f"{each.id}  {each.name}  {roles}  {', '.join(held[each.id]) or 'nothing yet'}")


@command.command()
@click.argument("person")
@click.option("--name", required=True, help="As on the badge.")
@click.pass_obj
def first(data_dir: Path, person: str, name: str) -> None:
    """Record the first administrator, who records the others; asks for their password.

    It is typed twice at the terminal; without one it is the next line of stdin.
    """
    with _desk(data_dir) as desk:
        if shelf.count(desk.connection, Person):
            fail("people", "There are people in the record already. Let an administrator record the new person.", 5)
        password = secret_from(f"Password of {person}", twice=True)
        credentials.refuse_weak(person, Kind.PASSWORD, password)
        with desk.transaction():
            done = desk.do_within(FirstAdministrator(id=person, name=name), person, second_factor=True)
            proofs.set_first(desk, person, password, desk.clock())
    click.echo(f"{done.number} {done.kind} {done.id}")


@command.command("set-password")
@click.argument("person")
@click.pass_obj
def set_password(data_dir: Path, person: str) -> None:
    """Set somebody's password, until they have changed it."""
    _set(data_dir, person, Kind.PASSWORD, "password")


@command.command("set-pin")
@click.argument("person")
@click.pass_obj
def set_pin(data_dir: Path, person: str) -> None:
    """Set somebody's PIN, until they have changed it."""
    _set(data_dir, person, Kind.PIN, "PIN")


@command.command("change-password")
@click.argument("person")
@click.pass_obj
def change_password(data_dir: Path, person: str) -> None:
    """Change one's own password; asks for the present one first."""
    with _desk(data_dir) as desk:
        current = secret_from(f"Present password of {person}")
        secret = secret_from("New password", twice=True)
        proofs.set_own(desk, person, Kind.PASSWORD, secret=secret, current=current, now_ms=desk.clock())
    click.echo(f"The password of {person} is changed.", err=True)


@command.command("new-badge")
@click.argument("person")
@click.pass_obj
def new_badge(data_dir: Path, person: str) -> None:
    """Give somebody a new badge and print its code, once; the one before opens nothing any more."""
    with _desk(data_dir) as desk:
        code = proofs.give_badge(desk, COLLECTOR, person, desk.clock())
    click.echo(code)


def _set(data_dir: Path, person: str, kind: Kind, word: str) -> None:
    with _desk(data_dir) as desk:
        secret = secret_from(f"New {word} of {person}", twice=True)
        proofs.set_others(desk, COLLECTOR, person, kind, secret=secret, now_ms=desk.clock())
    click.echo(f"The {word} of {person} is set. {_UNTIL_CHANGED}", err=True)


@contextmanager
def _desk(data_dir: Path) -> Iterator[Desk]:
    """A desk; what goes wrong at it is one line and an exit code."""
    try:
        with Desk(data_dir, wall_clock()) as desk:
            yield desk
    except CollectorError as error:
        fail("people", str(error), error.exit_code)
    except sqlite3.Error as error:
        fail("people", f"The record cannot be written ({error}). Nothing was recorded. Try again.", 3)
