"""The doctor's looks at the computer: disk, clock, services, certificates, broker."""

from __future__ import annotations

import datetime
import os
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.alarms.due import LEAST_FREE
from collector.certificate_ends import ends_ms
from collector.errors import SettingsError
from collector.settings import BrokerSettings, Settings
from collector.status import read
from collector.upkeep import worn_cards
from host.clock import Synchronisation
from host.doctor import Found, Mark
from soak.wear import wear, wear_words

CERTIFICATE_DAYS = 30
"""A certificate that ends sooner is said to be wrong; renewing begins long before, see `soakledger certificates`."""

UNITS = ("soakledger-collector", "soakledger-dashboard", "mosquitto", "soakledger-certificates.timer")
BROKER_S = 5.0
_SYSTEMD = Path("/run/systemd/system")
_DAY_MS = 86_400_000


def disk(data: Path) -> Iterator[Found]:
    """What is free, and how long the card lasts."""
    if not data.is_dir():
        return
    size = shutil.disk_usage(data)
    short = size.free < LEAST_FREE * size.total
    text = f"{size.free / 1e9:,.1f} GB of {size.total / 1e9:,.1f} GB are free."
    todo = "Make room, or put in a larger one: readings are refused when it is full." if short else ""
    yield Found("disk", Mark.WRONG if short else Mark.GOOD, text, todo)
    seen = read(data)
    own = seen.status.own.disk if seen.status and not seen.problem else None
    worn = any(worn_cards({"": own}))
    yield Found(
        "card or disk wear",
        Mark.WRONG if worn else Mark.GOOD if wear(own) else Mark.NOTE,
        wear_words(own),
        "Plan a new one, rated for more." if worn else "",
    )


def clock() -> Iterator[Found]:
    """Whether the kernel takes this machine's clock for synchronised."""
    if Synchronisation().synced():
        yield Found("clock", Mark.GOOD, "It is synchronised.")
    else:
        text = "It is not synchronised: times of day may be off; durations and verdicts stay right."
        yield Found("clock", Mark.WRONG, text, "See `timedatectl timesync-status`: name a time server that it reaches.")


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


def certificates(settings_path: Path, settings: Settings | None, now_ms: int) -> Iterator[Found]:
    """How long those last that lie beside the settings or are named in them."""
    paths = {path.resolve(): None for path in sorted((settings_path.absolute().parent / "tls").glob("*.pem"))}
    if settings and settings.broker.ca_file:
        paths[Path(settings.broker.ca_file).resolve()] = None
    for path in paths:
        until_ms, what = ends_ms(path), f"certificate {path.name}"
        if until_ms is None:
            yield Found(what, Mark.UNKNOWN, f"{path} could not be read as one.", "Run the doctor as root.")
            continue
        day = datetime.datetime.fromtimestamp(until_ms / 1000, datetime.UTC).date().isoformat()
        days = (until_ms - now_ms) // _DAY_MS
        if days < 0:
            text = f"It ended on {day}: whoever checks it is refused."
        else:
            text = f"It lasts until {day}, {days} days."
        soon = days < CERTIFICATE_DAYS
        todo = "Run `sudo soakledger certificates --renew`." if soon else ""
        yield Found(what, Mark.WRONG if soon else Mark.GOOD, text, todo)


def broker(settings: BrokerSettings, within_s: float = BROKER_S) -> Iterator[Found]:
    """Whether it takes the collector's login; what it is asked changes nothing there."""
    where = f"{settings.host}:{settings.port}{' over TLS' if settings.ca_file else ''}"
    try:
        problem = _answer(settings, within_s)
    except (OSError, ssl.SSLError, ValueError, SettingsError) as error:
        problem = str(error)
    if problem:
        todo = "Check that Mosquitto runs, the login, and ca_file under [broker] of collector.toml."
        yield Found("broker", Mark.WRONG, f"{where} does not take the collector in ({problem}).", todo)
    else:
        yield Found("broker", Mark.GOOD, f"{where} takes the collector's login.")


def _answer(settings: BrokerSettings, within_s: float) -> str:
    """Why the broker refuses; empty if it does not."""
    answers: list[Any] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)  # a random id, nothing kept
    client.connect_timeout = within_s
    client.on_connect = lambda _client, _data, _flags, reason, _properties: answers.append(reason)
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password())
    if settings.ca_file:
        client.tls_set(settings.ca_file)
    client.connect(settings.host, settings.port)
    until_s = time.monotonic() + within_s
    try:
        while not answers and time.monotonic() < until_s:
            if client.loop(0.1) not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_AGAIN):
                break
    finally:
        client.disconnect()
    if not answers:
        return "it says nothing"
    return str(answers[0]) if answers[0].is_failure else ""
