"""The doctor's looks at the computer: disk, clock, services, certificates, broker."""

from __future__ import annotations

import datetime
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

from collector.alarms.due import LEAST_FREE
from collector.broker.certificates import Seen
from collector.broker.certificates import look as look_at_certificate
from collector.broker.watching import watched
from collector.settings import BrokerSettings, Settings
from host.clock import Synchronisation, judge_clock
from host.disk import judge_wear, present
from host.doctor import Found, Mark
from host.tls import reach

UNITS = ("soakledger-collector", "soakledger-dashboard", "mosquitto", "soakledger-certificates.timer")
BROKER_S = 5.0
_SYSTEMD = Path("/run/systemd/system")


def disk(data: Path, rated_tb: int) -> Iterator[Found]:
    """What is free, and how long the card lasts that is said to bear so many terabytes."""
    if not data.is_dir():
        return
    size = shutil.disk_usage(data)
    short = size.free < LEAST_FREE * size.total
    text = f"{size.free / 1e9:,.1f} GB of {size.total / 1e9:,.1f} GB are free."
    todo = "Make room, or put in a larger one: readings are refused when it is full." if short else ""
    yield Found("disk", Mark.WRONG if short else Mark.GOOD, text, todo)
    yield judge_wear("card or disk wear", present(data, rated_tb))


def clock() -> Iterator[Found]:
    """Whether the kernel takes this machine's clock for synchronised."""
    yield judge_clock(synced=Synchronisation().synced())


def services(booted: Path = _SYSTEMD) -> Iterator[Found]:
    """Whether the units that are installed run; nothing where systemd does not."""
    if not booted.is_dir():
        yield Found("services", Mark.NOTE, "systemd does not run here: nothing starts the parts again by itself.")
        return
    for unit in UNITS:
        said = _shown(unit)
        if said.get("LoadState") != "loaded":
            if unit == UNITS[0]:
                yield Found(
                    unit, Mark.WRONG, "It is not installed as a service.", "Run `sudo ./run install collector`."
                )
            continue
        active, enabled = said.get("ActiveState", "unknown"), said.get("UnitFileState", "")
        restarts = said.get("NRestarts", "0")
        if active != "active":
            todo = f"See `journalctl -u {unit}`, then `systemctl start {unit}`."
            yield Found(unit, Mark.WRONG, f"It is {active}.", todo)
        elif enabled not in {"enabled", "static", "enabled-runtime"}:
            todo = f"Run `systemctl enable {unit}`."
            yield Found(unit, Mark.WRONG, "It runs, but does not start with the machine.", todo)
        else:
            again = f", started again {restarts} times since" if restarts not in {"", "0"} else ""
            yield Found(unit, Mark.GOOD, f"It is active{again}.")


def _shown(unit: str) -> dict[str, str]:
    properties = "--property=LoadState,ActiveState,UnitFileState,NRestarts"
    done = subprocess.run(
        ["systemctl", "show", properties, unit],
        check=False,
        capture_output=True,
        text=True,
        timeout=10,
        env={**os.environ, "LC_ALL": "C"},
    )
    return dict(line.split("=", 1) for line in done.stdout.splitlines() if "=" in line)


def certificates(settings_path: Path, settings: Settings | None, now: datetime.datetime) -> Iterator[Found]:
    """How long those last that lie beside the settings or are named in them."""
    beside = sorted((settings_path.absolute().parent / "tls").glob("*.pem"))
    for path in dict.fromkeys(each.resolve() for each in [*beside, *(watched(settings) if settings else [])]):
        yield _certificate(look_at_certificate(path), now)


def _certificate(seen: Seen, now: datetime.datetime) -> Found:
    what = f"certificate {Path(seen.name).name}"
    if seen.problem:
        text = f"{seen.name} could not be looked at ({seen.problem})."
        return Found(what, Mark.UNKNOWN, text, "Run the doctor as root; check the names in collector.toml.")
    if seen.until <= now:
        text = f"It ended on {seen.until:%Y-%m-%d}: whoever checks it connects no more."
    else:
        text = f"It lasts until {seen.until:%Y-%m-%d}, {seen.left(now).days} days."
    renew = "--new-authority`, then enrol every node again." if seen.authority else "--renew`."
    todo = f"Run `sudo soakledger certificates {renew}" if seen.warns(now) else ""
    return Found(what, Mark.WRONG if todo else Mark.GOOD, text, todo)


def broker(settings: BrokerSettings, within_s: float = BROKER_S) -> Iterator[Found]:
    """Whether it answers. Not whether it takes the login: that would throw the collector out; its conditions say so."""
    where = f"{settings.host}:{settings.port}{' over TLS' if settings.ca_file else ''}"
    if found := reach(settings.host, settings.port, settings.ca_file, within_s):
        yield Found("broker", Mark.WRONG, f"{where}: {found.said}", found.todo)
    else:
        yield Found("broker", Mark.GOOD, f"{where} answers.")
