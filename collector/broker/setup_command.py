"""`soakledger broker-setup`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from collector.broker.enrolling import Proof
from collector.broker.options import etc_option, one_line, utc_now
from collector.broker.place import PID_FILE, PORT, Place, Setup
from collector.broker.setting_up import Done, set_up
from collector.errors import BrokerError
from host.enrolment import COLLECTOR


@click.command()
@click.option(
    "--name",
    "names",
    multiple=True,
    help="Name or address under which nodes and browsers reach this machine; may be given several times. Nodes are "
    "told the first. Left out, those of last time.",
)
@etc_option
@click.option(
    "--mosquitto",
    type=click.Path(path_type=Path, readable=False),
    default=Path("/etc/mosquitto"),
    show_default=True,
    help="Folder of Mosquitto's settings.",
)
@click.option("--port", type=click.IntRange(1, 65_535), help=f"Port for TLS; left out, last time's or {PORT}.")
@click.option("--pid-file", help=f"Where Mosquitto writes its process id; left out, last time's or {PID_FILE}.")
def command(names: tuple[str, ...], etc: Path, mosquitto: Path, port: int | None, pid_file: str | None) -> None:
    """Set the broker up on this machine: authority, certificates, logins, rules and Mosquitto's settings.

    Doing it again keeps what is there: the authority, every node's login, certificates that are still good. New names
    get new certificates. The authority's key stays in DIR/authority: whoever has it can pass for this site's servers.

    Exit status 0: done. 1: done, but the running broker does not work by it. 5: not done.
    """
    with one_line("broker-setup"):
        place = Place(etc)
        known = place.known_setup()
        if not names and known is None:
            raise BrokerError(
                "Give the names and addresses under which nodes and browsers reach this machine, each with --name. "
                "`hostname -I` lists its addresses; a name that does not change is better."
            )
        wanted = Setup(
            names or (known.names if known else ()),
            port or (known.port if known else PORT),
            pid_file or (known.pid_file if known else PID_FILE),
        )
        done = set_up(place, mosquitto, wanted, utc_now())
        _say(place, done)
        if done.shown and done.shown.proof is Proof.NOT_SHOWN:
            click.echo(
                f"The broker does not work by what was written: {done.shown.said} Run: systemctl restart mosquitto",
                err=True,
            )
            sys.exit(1)


def _say(place: Place, done: Done) -> None:
    if done.new_authority:
        click.echo(f"New authority for this site; its certificate for nodes and browsers: {place.ca}")
    for server, why in done.renewed.items():
        click.echo(f"New certificate for the {server}: {why}.")
    click.echo(f"For {', '.join(done.setup.names)}; settings of the broker: {done.conf}")
    click.echo("The collector's settings need:")
    click.echo(
        f'  [broker]\n  host = "127.0.0.1"\n  port = {done.setup.port}\n  username = "{COLLECTOR}"\n'
        f'  password_file = "{place.collector_password}"\n  ca_file = "{place.ca}"'
    )
    if done.restart:
        click.echo("The broker's settings are new. Next: systemctl restart mosquitto")
    elif done.shown and done.shown.proof is Proof.NOT_RUNNING:
        click.echo("The broker does not run. Next: systemctl start mosquitto")
    elif done.shown and done.shown.proof is Proof.SHOWN:
        click.echo("The broker runs and works by them.")
