"""The node's process under systemd: what it says, and that it ends by itself when its loop is stuck."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from node_kit import Tree

A = "28-00000000000a"

_STUCK = """
import sys, threading
import firmware.board, firmware.node, firmware.watch
from soakledger import main
firmware.node.MOST_STILL_S, firmware.node._GRACE_S, firmware.watch.LOOK_S = 0.3, 0.2, 0.05
asked = iter(range(1_000_000))
level = firmware.board.Board.closed
def closed(self, basin):
    if next(asked) > 3:
        threading.Event().wait()
    return level(self, basin)
firmware.board.Board.closed = closed
sys.argv = ["soakledger", "node", "--settings", sys.argv[1]]
main()
"""


@pytest.fixture
def file(tmp_path: Path, tree: Tree) -> Path:
    """Settings of a node without a broker."""
    tree.set(A, 320)
    file = tmp_path / "node.toml"
    file.write_text(f"""
node = "alone"
data_dir = "data"
w1_devices = "w1"
[broker]
host = "127.0.0.1"
port = 1
[[basin]]
name = "b1"
sensors = ["{A}"]
lid_pin = 17
""")
    return file


@pytest.fixture
def systemd(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.settimeout(20)
        yield ear


def environment(tmp_path: Path) -> dict[str, str]:
    return {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"}


def test_systemd_hears_that_it_is_ready_that_it_lives_and_that_it_stops(
    tmp_path: Path, file: Path, systemd: socket.socket
) -> None:
    command = [sys.executable, "-m", "soakledger", "node", "--settings", str(file)]
    with subprocess.Popen(command, env=environment(tmp_path), stderr=subprocess.PIPE, text=True) as process:
        heard = [systemd.recv(1_000) for _ in range(4)]
        process.terminate()
        _, said = process.communicate(timeout=20)
    assert process.returncode == 0, said
    assert heard == [b"READY=1\nSTATUS=Watching b1", b"WATCHDOG=1", b"WATCHDOG=1", b"WATCHDOG=1"]
    while (last := systemd.recv(1_000)) == b"WATCHDOG=1":
        pass
    assert last == b"STOPPING=1"


def test_a_loop_that_is_stuck_ends_the_process_with_a_clear_error(
    tmp_path: Path, file: Path, systemd: socket.socket
) -> None:
    command = [sys.executable, "-c", _STUCK, str(file)]
    done = subprocess.run(
        command, env=environment(tmp_path), capture_output=True, text=True, check=False, timeout=60, cwd=Path.cwd()
    )
    assert done.returncode == 7, done.stderr
    assert "Error: the node's loop has not moved for " in done.stderr
    systemd.setblocking(False)
    heard = b""
    while not heard.startswith(b"STATUS=the node's loop has not moved for "):
        heard = systemd.recv(1_000)
    with pytest.raises(BlockingIOError):  # and the watchdog is fed no more
        systemd.recv(1_000)
