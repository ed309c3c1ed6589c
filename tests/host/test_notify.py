"""What systemd hears, on a real datagram socket (sd_notify(3))."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from host.notify import Notifier


@pytest.fixture(params=["file", "abstract"])
def systemd(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """NOTIFY_SOCKET and the other end of it."""
    name = str(tmp_path / "notify") if request.param == "file" else f"@soakledger-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind("\0" + name[1:] if name.startswith("@") else name)
        ear.settimeout(10)
        yield name, ear


def test_every_line_arrives_in_one_datagram(systemd: tuple[str, socket.socket]) -> None:
    name, ear = systemd
    Notifier({"NOTIFY_SOCKET": name}).say("READY=1", "STATUS=Watching b1")
    assert ear.recv(1_000) == b"READY=1\nSTATUS=Watching b1"


def test_the_watchdog_is_fed_at_half_of_its_time(systemd: tuple[str, socket.socket]) -> None:
    name, ear = systemd
    now = [100.0]
    notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "30000000"}, lambda: now[0])
    for now_s in (100, 101, 114.9, 115, 116, 129.9, 130):
        now[0] = now_s
        notifier.feed()
    notifier.say("STOPPING=1")
    assert [ear.recv(1_000) for _ in range(4)] == [b"WATCHDOG=1", b"WATCHDOG=1", b"WATCHDOG=1", b"STOPPING=1"]


def test_a_watchdog_meant_for_another_process_is_not_fed(systemd: tuple[str, socket.socket]) -> None:
    name, ear = systemd
    for extra in ({"WATCHDOG_USEC": "1000", "WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": ""}, {}):
        Notifier({"NOTIFY_SOCKET": name, **extra}).feed()
    notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "1000", "WATCHDOG_PID": str(os.getpid())})
    notifier.feed()
    notifier.say("STOPPING=1")
    assert [ear.recv(1_000) for _ in range(2)] == [b"WATCHDOG=1", b"STOPPING=1"]


def test_without_systemd_or_while_it_restarts_nothing_happens(tmp_path: Path) -> None:
    Notifier({}).say("READY=1")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody"), "WATCHDOG_USEC": "1000"}).feed()
