"""`soakledger node`: runs the node. Only here logging is set up, signals are taken and the process is ended."""

from __future__ import annotations

import os
import signal
import sys
import threading
from pathlib import Path
from types import FrameType

import click

from firmware import pins
from firmware.errors import FirmwareError
from firmware.pin_sheet import sheet, usual_sheet
from firmware.settings import Settings, help_lines, load
from host.journal import log_to_stderr

_EPILOG = (
    "Exit status: 0 stopped as asked or settings in order, 3 settings, 4 readings on disk, 5 pins, 6 a file named for "
    "the broker cannot be used, 7 a part of the node stands still."
)


def _print_keys(context: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    if wanted:
        formatter = click.HelpFormatter()
        formatter.write_dl(help_lines())
        click.echo(formatter.getvalue(), nl=False)
        context.exit()


@click.command(epilog=_EPILOG)
@click.option(
    "--settings",
    "file",
    type=click.Path(dir_okay=False, path_type=Path, readable=False),
    default=Path("/etc/soakledger/node.toml"),
    show_default=True,
    help="The node's settings, a TOML file.",
)
@click.option("--check", is_flag=True, help="Only check the settings and say what they mean.")
@click.option(
    "--keys",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_keys,
    help="List every key of the settings file.",
)
@click.option("--pins", "wiring", is_flag=True, help="Only list which pin of the header goes where, for whoever wires.")
@click.option(
    "--basins",
    type=click.IntRange(1, pins.MOST_BASINS),
    help="With --pins: the usual assignment for so many basins, instead of what the settings use.",
)
@click.option("--verbose", is_flag=True, help="Log details too.")
def command(file: Path, check: bool, wiring: bool, basins: int | None, verbose: bool) -> None:
    """Watch the basins of this Raspberry Pi and send their readings to the collector."""
    if basins and not wiring:
        raise click.UsageError("--basins says for how many basins --pins lists the pins. Add --pins.")
    if basins:
        click.echo(usual_sheet(basins))
        return
    try:
        settings = load(file)
        if wiring:
            click.echo(f"Pins of node {settings.node}, from {file}\n\n{sheet(settings.uses())}")
            return
        if check:
            click.echo(_summary(settings))
            return
        log_to_stderr(verbose=verbose)
        _run(settings)
    except FirmwareError as error:
        click.echo(f"Error: {error}", err=True)
        sys.exit(error.exit_code)


def _run(settings: Settings) -> None:
    from firmware.clock import SystemClock  # noqa: PLC0415
    from firmware.node import Node  # noqa: PLC0415
    from host.notify import Notifier  # noqa: PLC0415

    stop = threading.Event()

    def end(_signal: int, _frame: FrameType | None) -> None:
        stop.set()

    for one in (signal.SIGTERM, signal.SIGINT):
        signal.signal(one, end)
    Node(settings, SystemClock(), notifier=Notifier(), abort=_abort).run(stop)


def _abort(error: FirmwareError) -> None:
    """End the process at once: its main thread is stuck, so nothing can be closed in order."""
    sys.stderr.write(f"Error: {error}\n")
    sys.stderr.flush()
    os._exit(error.exit_code)


def _summary(settings: Settings) -> str:
    broker = settings.broker
    lines = [
        f"node {settings.node}: settings in order",
        f"broker {broker.host}:{broker.port}{' over TLS' if broker.ca_file else ''}",
        f"readings wait in {settings.data_dir}, up to {settings.outbox_share:.0%} of its disk",
    ]
    lines += [f"basin {basin.name}: sensors {', '.join(basin.sensors)}" for basin in settings.basins]
    lines += [f"pin {use.bcm}: {use.key}" for use in sorted(settings.uses(), key=lambda use: use.bcm)]
    cautions = {use.bcm: pins.CAUTION[use.bcm] for use in settings.uses() if use.bcm in pins.CAUTION}
    lines += [f"pin {bcm}: {caution}" for bcm, caution in sorted(cautions.items())]
    return "\n".join(lines)
