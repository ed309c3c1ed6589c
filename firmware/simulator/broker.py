"""Which MQTT broker the demonstration starts, and how: Mosquitto where it is installed, else an embedded one."""

from __future__ import annotations

import importlib.util
import os
import random
import shutil
import socket
import sys
from contextlib import suppress
from pathlib import Path

import msgspec

LOOPBACK = "127.0.0.1"
_SYSTEM_PATHS = "/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin"
"""Where distributions put Mosquitto beside the usual path: Debian's is in /usr/sbin."""


class NoBrokerError(RuntimeError):
    """Neither Mosquitto nor the embedded broker is installed."""

    def __init__(self) -> None:
        super().__init__(
            "There is no MQTT broker: Mosquitto is not installed and neither is the embedded one. "
            "Install one of them: `sudo apt-get install mosquitto`, or `pip install 'soakledger[demo]'`."
        )


class Broker(msgspec.Struct, frozen=True):
    """A broker ready to be started.

    Attributes:
        command: What to run; it stays in the foreground and ends on SIGTERM.
        said: Which one it is, and what it cannot guarantee, in words for people.
    """

    command: tuple[str, ...]
    said: str


_PORTS = range(20_000, 32_000)
"""Linux hands out ports from 32,768 on (its ip_local_port_range, as read from a Debian 12)."""


def free_port() -> int:
    """A TCP port on loopback that nobody uses at this moment.

    From below those that the system gives to whoever connects: a part that is killed must find its port free again.
    """
    for port in (*random.SystemRandom().sample(_PORTS, 50), 0):
        with socket.socket() as probe, suppress(OSError):
            probe.bind((LOOPBACK, port))
            return int(probe.getsockname()[1])
    raise OSError("No TCP port is free on loopback. End what holds them, then start again.")


def accepts(port: int) -> bool:
    """Somebody answers on this port of loopback."""
    try:
        with socket.create_connection((LOOPBACK, port), timeout=1):
            return True
    except OSError:
        return False


def find_mosquitto() -> str | None:
    """Path of the Mosquitto program; None where it is not installed."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path=_SYSTEM_PATHS)


def choose_broker(folder: Path, port: int, *, mosquitto: str | None) -> Broker:
    """Make a broker ready.

    Args:
        folder: Existing folder of its own, for configuration and store.
        port: Where it is to listen, on loopback only.
        mosquitto: The Mosquitto program, from `find_mosquitto`; None takes the embedded broker.

    Raises:
        NoBrokerError: There is none to take.
    """
    if mosquitto:
        configuration = folder / "mosquitto.conf"
        configuration.write_text(mosquitto_configuration(folder, port))
        return Broker((mosquitto, "-c", str(configuration)), "Mosquitto, with a configuration and store of its own")
    if importlib.util.find_spec("amqtt") is None:
        raise NoBrokerError
    return Broker(
        (sys.executable, "-m", "firmware.simulator.embedded_broker", str(port)),
        "the embedded one, which is slower than Mosquitto, keeps its messages in memory only and may drop some; the "
        "nodes send those again, so no reading is lost",
    )


def mosquitto_configuration(folder: Path, port: int) -> str:
    """A configuration that listens on loopback only and keeps its store in `folder`."""
    lines = [
        f"listener {port} {LOOPBACK}",
        "allow_anonymous true",
        "persistence true",
        f"persistence_location {folder}/",
        "max_queued_messages 1000000",  # the default of 1000 drops what was already confirmed
        "set_tcp_nodelay true",
        "log_dest stderr",
    ]
    if os.geteuid() == 0:
        lines.append("user root")  # else it changes to a user who cannot write to this folder
    return "\n".join(lines) + "\n"
