"""`soakledger enrol` and `soakledger revoke`."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import click

from collector.broker.enrolling import Proof, Shown, checked_node, enrol, revoke
from collector.broker.options import data_option, etc_option, one_line
from collector.broker.place import Place
from collector.broker.recorded import record, this_host
from collector.clock import wall_clock
from collector.errors import CollectorError
from collector.machine import NodeEnrolled, NodeRevoked

_NOT_SHOWN = 1


@click.command()
@click.argument("node")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False, readable=False),
    help="Enrolment file to write; left out, NODE.enrolment.toml here.",
)
@click.option("--host", help="What the node is to call this machine; left out, the first name of `broker-setup`.")
@etc_option
@data_option
def command(node: str, out: Path | None, host: str | None, etc: Path, data_dir: Path) -> None:
    """Give NODE a login at the broker, and write the file that takes it to its Pi.

    With it the node may write only its own readings and state, and read only its own receipts and orders. Enrolling
    again ends the login that it had, at once. Carry the file to the Pi by a way that nobody else reads, run `sudo
    soakledger join FILE` there, and delete it.

    Exit status 0: done, and the broker lets it in, or does not run. 1: done, but the broker does not let it in.
    5: not done.
    """
    with one_line("enrol"):
        place = Place(etc)
        file = out or Path(f"{checked_node(node)}.enrolment.toml")
        done = enrol(place, node, file, host)
        click.echo(f"{node} has a {'new login; the one before has ended' if done.again else 'login'}: {file}")
        _say_unknown(etc / "collector.toml", node)
        _say_recorded(data_dir, NodeEnrolled(node, this_host(), done.again))
        _end(done.shown, "The broker lets it in.", "It lets the node in from its start on.")


@click.command("revoke")
@click.argument("node")
@etc_option
@data_option
def revoke_command(node: str, etc: Path, data_dir: Path) -> None:
    """End NODE's login at the broker at once: if it is connected, it is thrown out.

    What it has sent stays on record. Readings that it has not sent yet stay in its outbox.

    Exit status 0: done, and the broker refuses it, or does not run. 1: done, but the broker was not seen to refuse it.
    5: not done.
    """
    with one_line("revoke"):
        shown = revoke(Place(etc), node)
        click.echo(f"{node} has no login any more.")
        _say_recorded(data_dir, NodeRevoked(node, this_host()))
        _end(shown, "The broker refuses it.", "It refuses the node from its start on.")


def _say_unknown(settings: Path, node: str) -> None:
    try:
        found = tomllib.loads(settings.read_text(encoding="utf-8")).get("basin", [])
        nodes = {basin.get("node") for basin in found if isinstance(basin, dict)}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, TypeError):
        return
    if node not in nodes:
        click.echo(
            f"{settings} names no basin of {node}: what it reads is kept, but proves nothing until a [[basin]] with "
            f'node = "{node}" says what is required. If the name is a slip, revoke it and enrol the right one.'
        )


def _say_recorded(data_dir: Path, body: NodeEnrolled | NodeRevoked) -> None:
    """What is so must not be undone because it could not be recorded; it is said."""
    try:
        number = record(data_dir, body, wall_clock())
    except CollectorError as error:
        click.echo(f"It could not be recorded: {error}", err=True)
        return
    if number is None:
        click.echo(f"Not recorded: there are no data in {data_dir} yet.")
    else:
        click.echo(f"Recorded as {number}.")


def _end(shown: Shown, seen: str, later: str) -> None:
    if shown.proof is Proof.SHOWN:
        click.echo(seen)
    elif shown.proof is Proof.NOT_RUNNING:
        click.echo(f"The broker does not run ({shown.said}) {later}")
    else:
        click.echo(f"The broker did not show that it knows: {shown.said} Run: systemctl restart mosquitto", err=True)
        sys.exit(_NOT_SHOWN)
