"""Tells the running broker to read its files again, and finds out by connecting whether it has."""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.broker.place import Place, Setup
from collector.errors import BrokerError
from host.tls import client_context, trouble

LOOPBACK = "127.0.0.1"
"""In every certificate of ours."""

_PROGRAM = "mosquitto"
_PATIENCE_S = 10.0
_ANSWER_WITHIN_S = 5.0
_AGAIN_S = 0.1


class Answer(NamedTuple):
    """What the broker said to a login.

    Attributes:
        accepted: It let it in.
        refused: It answered and refused it.
        said: Why not, in words.
    """

    accepted: bool
    refused: bool = False
    said: str = ""


def running(setup: Setup) -> int | None:
    """The broker's process id; None if it does not run.

    Its file belongs to the broker's user: what it names must be a Mosquitto, or something else would get the signal.
    """
    try:
        pid = int(Path(setup.pid_file).read_text(encoding="ascii"))
        name = Path(f"/proc/{pid}/comm").read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        return None
    return pid if name == _PROGRAM else None


def tell(setup: Setup) -> bool:
    """Have the broker read logins, rules and certificates again; False if it does not run, or never gets so far.

    Mosquitto does so at SIGHUP, and throws out whoever is connected with a login that no longer holds.

    Raises:
        BrokerError: This user may not.
    """
    pid = running(setup)
    if pid is None or not becomes(lambda: _heeds(pid)):
        return False
    try:
        os.kill(pid, signal.SIGHUP)
    except ProcessLookupError:
        return False
    except PermissionError:
        raise BrokerError(
            "The broker could not be told: only the administrator may. Run this with sudo, or `systemctl reload "
            "mosquitto`."
        ) from None
    return True


def _heeds(pid: int) -> bool:
    """It has begun to listen for SIGHUP, which ends a Mosquitto that is just starting: its port is open before that.

    SigCgt in proc(5) has the signals that a process handles, signal 1 as its lowest bit. One that has ended heeds none.
    """
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except OSError:
        return False
    return any(line.startswith("SigCgt:") and int(line.split()[1], 16) & 1 for line in status.splitlines())


def ask(place: Place, setup: Setup, login: str, password: str) -> Answer:
    """Connect once with a login, and leave."""
    reasons: list[Any] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, login, protocol=mqtt.MQTTv311)
    client.username_pw_set(login, password)
    client.on_connect = lambda _client, _data, _flags, reason, _properties: reasons.append(reason)
    until_s = time.monotonic() + _ANSWER_WITHIN_S
    try:
        client.tls_set_context(client_context(str(place.ca)))
        client.connect(LOOPBACK, setup.port)
        while not reasons and time.monotonic() < until_s and client.loop(_AGAIN_S) == mqtt.MQTT_ERR_SUCCESS:
            pass
    except OSError as error:
        return Answer(False, said=trouble(error, LOOPBACK).text)
    finally:
        with contextlib.suppress(OSError, ValueError):
            client.disconnect()
            client.loop(_AGAIN_S)
        if (held := client.socket()) is not None:
            held.close()
    if not reasons:
        return Answer(False, said="It takes the connection and says nothing.")
    failed = bool(reasons[0].is_failure)
    return Answer(not failed, failed, trouble(str(reasons[0]), LOOPBACK).said if failed else "")


def becomes(question: Callable[[], bool]) -> bool:
    """Whether something comes true; the broker reads its files a moment after it is told."""
    until_s = time.monotonic() + _PATIENCE_S
    while not question():
        if time.monotonic() > until_s:
            return False
        time.sleep(_AGAIN_S)
    return True
