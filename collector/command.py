"""`soakledger collector`."""

from __future__ import annotations

import gc
import logging
import signal
import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from collector.clock import UtcClock, wall_clock
from collector.errors import CollectorError, DataError
from collector.health import back_up_before_migrating, check, unusable
from collector.schema import FILE_NAME
from collector.service import Service
from collector.settings import Settings, load
from collector.store import Store
from host.journal import log_to_stderr
from soak.quantity import celsius, in_words
from soak.rehearsal import Rehearsal
from soak.requirement import Requirement

log = logging.getLogger(__name__)


@click.command()
@click.option(
    "--settings",
    "settings_path",
    required=True,
    type=click.Path(path_type=Path, readable=False),
    help="collector.toml.",
)
@click.option(
    "--data",
    "data_dir",
    required=True,
    type=click.Path(path_type=Path, readable=False),
    help="Folder for everything stored.",
)
@click.option("--check", is_flag=True, help="Check the settings, print what they mean, and stop.")
@click.option("--rehearsal", "rehearsal_text", hidden=True, help="The clock of a rehearsal; `soakledger demo` sets it.")
def command(settings_path: Path, data_dir: Path, *, check: bool, rehearsal_text: str | None) -> None:
    """Take in readings, judge every soak, send receipts and orders."""
    log_to_stderr()
    try:
        settings = load(settings_path)
        if check:
            _print_meaning(settings_path, settings)
            return
        _run(settings, data_dir, Rehearsal.parsed(rehearsal_text) if rehearsal_text else None)
    except CollectorError as error:
        click.echo(f"soakledger collector: {error}", err=True)
        sys.exit(error.exit_code)


def _run(settings: Settings, data_dir: Path, rehearsal: Rehearsal | None) -> None:
    clock = wall_clock(rehearsal)
    gc.set_threshold(50_000, 20, 20)  # readings hold no cycles; collecting often costs a tenth of the time
    stop = threading.Event()
    for signal_number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(signal_number, lambda *_: stop.set())
    try:
        with _opened(data_dir, clock) as store:
            log.info("collector site=%r basins=%d data=%s", settings.site, len(settings.basin), data_dir)
            Service(settings, store, clock, data_dir, rehearsal).run(stop)
    except sqlite3.Error as error:
        raise DataError(unusable(data_dir / FILE_NAME, error)) from None


@contextmanager
def _opened(data_dir: Path, clock: UtcClock) -> Iterator[Store]:
    """The store, looked at before anything in its folder is changed.

    Raises:
        DataError: It is damaged, missing where there has been one, or cannot be used.
    """
    check(data_dir)
    back_up_before_migrating(data_dir)
    store = Store(data_dir, clock)
    try:
        yield store
    finally:
        store.close()


def _print_meaning(settings_path: Path, settings: Settings) -> None:
    click.echo(f"{settings_path} is right: {settings.site}, {len(settings.basin)} basins.")
    for basin in settings.basin:
        required = basin.required()
        meaning = _asks(required) if required else "nothing required: its soaks stay unproven"
        click.echo(f"  {basin.label} ({basin.node}/{basin.name}): {meaning}")


def _asks(required: Requirement) -> str:
    range_words = f"at least {celsius(required.min_mc)}"
    if required.max_mc is not None:
        range_words = f"{celsius(required.min_mc)} to {celsius(required.max_mc)}"
    return f"{range_words} for {in_words(required.contact_ms)}"
