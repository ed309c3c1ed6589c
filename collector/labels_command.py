"""`soakledger labels`."""

from __future__ import annotations

import os
import sqlite3
import sys
import time
from pathlib import Path
from typing import NoReturn

import click

from collector import proofs
from collector.errors import CollectorError, DataError
from collector.labels import LABELS, all_ids, badge_label
from collector.labels_sheet import Label, sheet
from collector.ledger import COLLECTOR
from collector.paper import Paper
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Person

PEOPLE = "people"


@click.command()
@click.argument("kind", type=click.Choice([*LABELS, PEOPLE]))
@click.argument("ids", nargs=-1, metavar="[ID]...")
@click.option("--data", "data_dir", required=True, type=click.Path(path_type=Path), help="The collector's data folder.")
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="Where the page goes.")
@click.option(
    "--paper",
    default=Paper.A4.value,
    show_default=True,
    type=click.Choice([each.value for each in Paper]),
    help="Size of the paper.",
)
@click.option("--all", "everybody", is_flag=True, help="With people: new badges for everybody who is here.")
def command(kind: str, ids: tuple[str, ...], data_dir: Path, out: Path, paper: str, *, everybody: bool) -> None:
    """Print QR labels as a page (HTML) with everything in it.

    Without an ID: everything of the kind that is in use. A printed badge is a new one: the badge that the person had
    opens nothing from then on, so people are named one by one, or --all.
    """
    try:
        with Desk(data_dir, lambda: time.time_ns() // 1_000_000) as desk:
            labels = _badges(desk, ids, out, Paper(paper), everybody=everybody) if kind == PEOPLE else None
            if labels is None:
                book = Book.looking(desk.connection, time.time_ns() // 1_000_000)
                labels = [LABELS[kind](book, each) for each in (ids or all_ids(book, kind))]
                _refuse_none(labels, kind)
                _write(out, sheet(labels, f"Labels: {kind}", Paper(paper)))
    except sqlite3.Error as error:
        _stop(
            f"the data in {data_dir} cannot be used ({error}). Name the collector's data folder.", DataError.exit_code
        )
    except OSError as error:
        _stop(f"{out} cannot be written ({error.strerror}). Name a file in a folder that you may write to.", 2)
    except CollectorError as error:
        _stop(str(error), error.exit_code)
    click.echo(f"{len(labels)} label{'' if len(labels) == 1 else 's'} in {out}. Print at 100 %.", err=True)


def _badges(desk: Desk, ids: tuple[str, ...], out: Path, paper: Paper, *, everybody: bool) -> list[Label]:
    """New badges: none is in force unless the page with all of them has been written."""
    book = Book.looking(desk.connection, time.time_ns() // 1_000_000)
    people = [person for person in book.all(Person, only_open=True) if everybody]
    people += [book.get(Person, each) for each in dict.fromkeys(ids) if not everybody]
    for person in people:
        if not person.active:
            raise RefusedError("left", f"{person.name} has left and gets no badge.", "Name somebody who is here.")
    if not people:
        raise RefusedError(
            "nobody-named",
            "Nobody is named, and a new badge makes the old one useless.",
            "Name the people by their id, or say --all.",
        )
    with desk.transaction():
        labels = [
            badge_label(person, proofs.give_badge_within(desk, COLLECTOR, person.id, book.at_ms)) for person in people
        ]
        _write(out, sheet(labels, "Badges", paper), secret=True)
    names = ", ".join(person.name for person in people)
    click.echo(
        f"New badges for {names}: the badges they had open nothing any more. {out} holds what signs them in: delete it "
        "once it is printed.",
        err=True,
    )
    return labels


def _write(out: Path, text: str, *, secret: bool = False) -> None:
    """Write the page; one with badges can be read by its owner only."""
    if not secret:
        out.write_text(text, encoding="utf-8")
        return
    out.unlink(missing_ok=True)
    # A new file, whatever somebody puts in its place at the same moment.
    with open(os.open(out, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="utf-8") as file:
        file.write(text)


def _refuse_none(labels: list[Label], kind: str) -> None:
    if not labels:
        raise RefusedError("nothing", f"There are no {kind} to print labels for.", "Record them first.")


def _stop(text: str, exit_code: int) -> NoReturn:
    click.echo(f"soakledger labels: {text}", err=True)
    sys.exit(exit_code)
