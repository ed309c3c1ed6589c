"""`soakledger dashboard`: serve the pages and the HTTP API."""

from __future__ import annotations

import ipaddress
import socket
import time
from pathlib import Path
from types import FrameType

import click
import uvicorn

from collector.errors import StartError
from collector.schema import FILE_NAME
from dashboard import texts
from dashboard.app import LOCAL_NAMES, build_app
from dashboard.degrees import show_fahrenheit
from dashboard.live import Live
from dashboard.when import SiteTime
from host.journal import log_to_stderr
from soak.rehearsal import Rehearsal

_PATIENCE_S = 5.0
_POLL_S = 0.1


class _Server(uvicorn.Server):
    """Ends the live streams when told to stop: uvicorn waits for them before it runs shutdown handlers."""

    def __init__(self, config: uvicorn.Config, live: Live) -> None:
        super().__init__(config)
        self._live = live

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Called in the signal handler."""
        self._live.stop_soon()
        super().handle_exit(sig, frame)


@click.command("dashboard")
@click.option(
    "--data",
    "data_dir",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="The collector's data folder.",
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8080, show_default=True, help="Port; 0 takes a free one."
)
@click.option("--allow-host", multiple=True, metavar="NAME", help="A further name under which browsers may come.")
@click.option("--require-sign-in", is_flag=True, help="Looking, too, takes somebody who is signed in.")
@click.option("--fahrenheit", is_flag=True, help="Degrees Fahrenheit beside degrees Celsius.")
@click.option(
    "--clock", type=click.Choice(["24", "12"]), default="24", show_default=True, help="Hours on the pages' clock."
)
@click.option(
    "--translation",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="A translation of the pages' texts (.po), made from dashboard/catalogue/messages.pot.  [default: English]",
)
@click.option("--rehearsal", metavar="TEXT", help="The clock of a rehearsal, as `soakledger demo` hands it over.")
def command(
    *,
    data_dir: Path,
    host: str,
    port: int,
    allow_host: tuple[str, ...],
    fahrenheit: bool,
    clock: str,
    translation: Path | None,
    rehearsal: str | None,
    require_sign_in: bool,
) -> None:
    """Serve the pages and the HTTP API over the collector's data.

    Recording takes somebody who is signed in. Whoever reaches the port can read, unless --require-sign-in is given:
    keep it on this machine or on a network you trust, and put a server with TLS before it where others share the
    network, for badges and passwords cross it.
    """
    log_to_stderr()
    played = _rehearsal(rehearsal)
    _wait_for_data(data_dir)
    show_fahrenheit(beside=fahrenheit)
    try:
        if translation:
            texts.speak(translation)
        listening = _listen(host, port)
    except StartError as error:
        click.echo(str(error), err=True)
        raise SystemExit(error.exit_code) from None
    with listening:
        app = build_app(
            data_dir,
            rehearsal=played,
            when=SiteTime(twelve=clock == "12"),
            allowed_hosts=(*LOCAL_NAMES, host, *allow_host),
            require_sign_in=require_sign_in,
        )
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=2, lifespan="on"
        )
        click.echo(f"Basins: http://{_shown(host)}:{listening.getsockname()[1]}/", err=True)
        if not _is_loopback(host):
            click.echo(_open_words(require_sign_in=require_sign_in), err=True)
        _Server(config, app.state.live).run(sockets=[listening])


def _open_words(*, require_sign_in: bool) -> str:
    """What it means that others can reach the address."""
    reading = "" if require_sign_in else "Anyone who reaches this address can read it; --require-sign-in closes that. "
    return f"{reading}Badges and passwords cross the network as they are: put a server with TLS before it."


def _rehearsal(text: str | None) -> Rehearsal | None:
    try:
        return Rehearsal.parsed(text) if text else None
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--rehearsal") from None


def _wait_for_data(data_dir: Path) -> None:
    """Give a collector that starts at the same time a few seconds; the pages then go on waiting."""
    database = data_dir / FILE_NAME
    deadline_s = time.monotonic() + _PATIENCE_S
    while not database.is_file() and time.monotonic() < deadline_s:
        time.sleep(_POLL_S)
    if not database.is_file():
        click.echo(
            f"There are no data in {data_dir} yet (no {FILE_NAME}). The pages say so until there are: start "
            f"`soakledger collector` on the same folder, or stop this and name the right folder with --data.",
            err=True,
        )


def _listen(host: str, port: int) -> socket.socket:
    """Take the port now, so that a port in use is one clear line.

    Raises:
        StartError: It cannot be had.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            listening.listen()  # whoever uses the address as soon as it is printed waits instead of being refused
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise StartError(
            f"The pages cannot be served at {host}:{port} ({error.strerror or error}). "
            "Stop whatever uses that port, or choose another with --port."
        ) from None
    return listening


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
