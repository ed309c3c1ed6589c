"""`soakledger demo`: a whole clinic on this machine."""

from __future__ import annotations

import fcntl
import os
import shlex
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

import click
import msgspec

from firmware.simulator.broker import LOOPBACK, NoBrokerError, free_port
from firmware.simulator.clinic import max_gap_ms
from firmware.simulator.script import DAY_MS
from soak.decoding import from_json
from soak.quantity import in_words, utc_text
from soak.rehearsal import Rehearsal

_BAD_OPTION = 2
_AHEAD_MS = 60_000


class _Kept(msgspec.Struct):
    """What a data folder remembers of the demonstrations in it.

    Attributes:
        first_ms: Earliest reading that may be in it.
        last_utc_ms: Where the last one's clock stopped.
    """

    first_ms: int
    last_utc_ms: int


@click.command(short_help="A whole clinic on this machine: broker, collector, pages, simulated basins.")
@click.option("--speed", default=1, show_default=True, type=click.IntRange(1, 60), help="Times faster than real time.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port of the pages.  [default: a free one]")
@click.option("--for", "for_s", type=click.IntRange(1), metavar="SECONDS", help="Stop so long after the page answers.")
@click.option("--seed", default=1, show_default=True, help="The same seed gives the same clinic.")
@click.option(
    "--history",
    "history_days",
    default=30,
    show_default=True,
    type=click.IntRange(0, 400),
    metavar="DAYS",
    help="Past days that a new data folder gets.",
)
@click.option("--data", "folder", type=click.Path(path_type=Path), metavar="DIR", help="Data folder.  [default: new]")
@click.option("--fahrenheit", is_flag=True, help="Degrees Fahrenheit beside degrees Celsius on the pages.")
@click.option(
    "--clock", type=click.Choice(["24", "12"]), default="24", show_default=True, help="Hours on the pages' clock."
)
@click.option(
    "--translation",
    type=click.Path(exists=True, dir_okay=False, path_type=Path, resolve_path=True),
    metavar="FILE",
    help="A translation of the pages' texts (.po).  [default: English]",
)
@click.option("--embedded", is_flag=True, help="Take the embedded broker even where Mosquitto is installed.")
def command(
    *,
    speed: int,
    port: int | None,
    for_s: int | None,
    seed: int,
    history_days: int,
    folder: Path | None,
    fahrenheit: bool,
    clock: str,
    translation: Path | None,
    embedded: bool,
) -> None:
    """Show a whole clinic on this machine: broker, collector, pages, and three nodes with five simulated basins.

    The nodes run the real firmware. Everything listens on this machine only. Ctrl-C stops it all.
    """
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: stop.set())
    from firmware.simulator.show import PartFailedError, Plan, Show  # noqa: PLC0415 - once Ctrl-C is in hand

    if port is not None:
        _refuse_used(port)
    folder = _made(folder)
    with _alone(folder):
        rehearsal, first_ms = _clock(folder, speed, history_days)
        pages = ("--clock", clock, *(["--fahrenheit"] if fahrenheit else []))
        pages += ("--translation", str(translation)) if translation else ()
        plan = Plan(folder, port or free_port(), rehearsal, first_ms, seed, history_days, for_s, embedded, pages)
        _introduce(plan.folder, rehearsal)
        try:
            Show(plan, _say, stop).run()
        except (PartFailedError, NoBrokerError) as error:
            click.echo(f"soakledger demo: {error}", err=True)
            sys.exit(1)
        finally:
            _remember(folder, first_ms, rehearsal)
            _say(f"The data are still in {folder}; to remove them: rm -r {shlex.quote(str(folder))}")


def _say(line: str) -> None:
    try:
        click.echo(line)
    except BrokenPipeError:  # nobody watches any more; the parts must still be ended in order
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - for the rest of the process


def _introduce(folder: Path, rehearsal: Rehearsal) -> None:
    _say("Soakledger, demonstration. People, clinics and devices in it are invented.")
    _say("It is a monitoring aid: product labels, device makers' instructions and people decide.")
    if rehearsal.speed > 1:
        gap = in_words(max_gap_ms(rehearsal.speed))
        _say(f"This is a REHEARSAL: its time runs {rehearsal.speed} times faster than real time.")
        _say(f"Pauses of up to {gap} between readings count as watched in it.")
    _say(f"Data folder: {folder}")
    _say("Press Ctrl-C to stop.")


def _fail(message: str) -> NoReturn:
    click.echo(f"soakledger demo: {message}", err=True)
    sys.exit(_BAD_OPTION)


def _refuse_used(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError as error:
            _fail(f"port {port} cannot be used ({error.strerror}). Name another with --port, or leave it out.")


def _made(folder: Path | None) -> Path:
    """The data folder, with one for logs in it."""
    try:
        if folder is None:
            folder = Path(tempfile.mkdtemp(prefix="soakledger-demo-"))
        folder = folder.absolute()
        (folder / "logs").mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        _fail(f"data folder {folder} cannot be used ({error.strerror}). Name one that you can write with --data.")
    return folder


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Two demonstrations in one folder would write into each other's data."""
    with (folder / "demo.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            _fail(f"another demonstration runs in {folder}. Stop it, or name another folder with --data.")
        yield


def _real_ms() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def _clock(folder: Path, speed: int, history_days: int) -> tuple[Rehearsal, int]:
    """The clock of this run and the earliest reading; in a folder that has data, time goes on where it stopped."""
    now_ms = time.time_ns() // 1_000_000
    try:
        kept = from_json((folder / "demo.json").read_bytes(), _Kept)
    except (OSError, msgspec.DecodeError):
        kept = _Kept(now_ms - history_days * DAY_MS, 0)
    if kept.last_utc_ms + _AHEAD_MS > now_ms:
        now_ms = kept.last_utc_ms + _AHEAD_MS
        _say(f"The rehearsals in this folder were ahead of time: this one goes on at {utc_text(now_ms)}.")
    return Rehearsal(_real_ms(), now_ms, speed), min(kept.first_ms, now_ms - history_days * DAY_MS)


def _remember(folder: Path, first_ms: int, rehearsal: Rehearsal) -> None:
    kept = _Kept(first_ms, rehearsal.utc_ms(_real_ms()))
    (folder / "demo.json").write_bytes(msgspec.json.encode(kept))
