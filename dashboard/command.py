"""`soakledger dashboard`: serve the pages and the HTTP API."""

from __future__ import annotations

import socket
import time
from pathlib import Path
from typing import Any

import click
import msgspec

from collector.errors import CollectorError, StartError
from collector.schema import FILE_NAME
from dashboard import texts
from dashboard.addresses import is_loopback
from dashboard.app import LOCAL_NAMES, build_app
from dashboard.degrees import show_fahrenheit
from dashboard.serving import certificate_of, server
from dashboard.settings import Settings, checked, load
from dashboard.when import SiteTime
from host.journal import log_to_stderr
from soak.rehearsal import Rehearsal

_PATIENCE_S = 5.0
_POLL_S = 0.1


@click.command("dashboard")
@click.option(
    "--data",
    "data_dir",
    type=click.Path(file_okay=False, path_type=Path, readable=False),
    required=True,
    help="The collector's data folder.",
)
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path, readable=False),
    metavar="FILE",
    help="Settings (TOML), as install/examples/dashboard.toml describes them; the options below win over it.",
)
@click.option("--host", help="Address to listen on.  [default: 127.0.0.1]")
@click.option("--port", type=click.IntRange(0, 65535), help="Port; 0 takes a free one.  [default: 8080]")
@click.option("--allow-host", multiple=True, metavar="NAME", help="A further name under which browsers may come.")
@click.option(
    "--require-sign-in/--open",
    default=None,
    help="Looking, too, takes somebody who is signed in; or it does not.  [default: only beyond this machine]",
)
@click.option(
    "--plain/--no-plain",
    default=None,
    help="Listen beyond this machine without TLS: badges and passwords can then be read on the way.",
)
@click.option("--fahrenheit/--no-fahrenheit", default=None, help="Degrees Fahrenheit beside degrees Celsius.")
@click.option("--clock", type=click.Choice(["24", "12"]), help="Hours on the pages' clock.  [default: 24]")
@click.option(
    "--translation",
    type=click.Path(dir_okay=False, path_type=Path, readable=False),
    metavar="FILE",
    help="A translation of the pages' texts (.po), made from dashboard/catalogue/messages.pot.  [default: English]",
)
@click.option("--check", is_flag=True, help="Check the settings and the files they name, say so, and stop.")
@click.option("--rehearsal", metavar="TEXT", help="The clock of a rehearsal, as `soakledger demo` hands it over.")
def command(
    *,
    data_dir: Path,
    settings_file: Path | None,
    allow_host: tuple[str, ...],
    check: bool,
    rehearsal: str | None,
    **given: Any,
) -> None:
    """Serve the pages and the HTTP API over the collector's data.

    Recording takes somebody who is signed in. Beyond this machine the pages are served with TLS, and looking takes
    somebody who is signed in as well, unless the settings say otherwise.
    """
    log_to_stderr()
    played = _rehearsal(rehearsal)
    try:
        settings = _settings(settings_file, allow_host, given)
        if settings.translation:
            texts.speak(Path(settings.translation))
        if check:
            certificate_of(settings)
            click.echo(
                f"{settings_file or 'What was given'} is right: pages at {_shown(settings.host)}:{settings.port}."
            )
            return
        _wait_for_data(data_dir)
        show_fahrenheit(beside=settings.fahrenheit)
        app = build_app(
            data_dir,
            rehearsal=played,
            when=SiteTime(twelve=settings.clock == "12"),
            allowed_hosts=(*LOCAL_NAMES, settings.host, *settings.names),
            require_sign_in=settings.closed,
            metrics_from=settings.metrics_from,
        )
        serving = server(app, app.state.live, settings)
        listening = _listen(settings.host, settings.port)
    except CollectorError as error:
        click.echo(str(error), err=True)
        raise SystemExit(error.exit_code) from None
    with listening:
        scheme = "https" if settings.tls else "http"
        click.echo(f"Basins: {scheme}://{_shown(settings.host)}:{listening.getsockname()[1]}/", err=True)
        if not is_loopback(settings.host) or settings.trusted_proxies:
            for line in _open_words(settings):
                click.echo(line, err=True)
        serving.run(sockets=[listening])


def _settings(file: Path | None, names: tuple[str, ...], given: dict[str, Any]) -> Settings:
    """What the file says, with what the command line says in its place.

    Raises:
        SettingsError: It cannot be used.
    """
    settings = load(file) if file else Settings()
    said = {name: str(value) if isinstance(value, Path) else value for name, value in given.items()}
    said = {name: value for name, value in said.items() if value is not None}
    return checked(msgspec.structs.replace(settings, **said, names=(*settings.names, *names)))


def _open_words(settings: Settings) -> list[str]:
    """What it means that others can reach the address."""
    lines = []
    if not settings.closed:
        lines.append("Anyone who reaches this address can read what the basins do; --require-sign-in closes that.")
    if settings.trusted_proxies and not settings.tls and not settings.plain:
        lines.append(f"Only {', '.join(settings.trusted_proxies)} and this machine itself are answered.")
    elif not settings.tls:
        lines.append("Badges and passwords cross the network as they are: name a certificate, or a server with TLS.")
    return lines


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
