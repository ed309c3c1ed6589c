"""The demonstration, whole and on real parts: a page that answers, soaks that are judged, nothing left running."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from firmware.simulator.news import fetch

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(
        not all(importlib.util.find_spec(name) for name in ("collector.command", "dashboard.command")),
        reason="the collector and the dashboard are not there yet",
    ),
]

_PATIENCE_S = 90


class Demo:
    """`soakledger demo` in a folder of the test's own, and what it says line by line."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder, self.lines = folder, []
        command = [sys.executable, "-m", "soakledger", "demo", "--data", str(folder), *options]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        assert self.process.stdout is not None
        self._output = self.process.stdout

    def until(self, pattern: str) -> re.Match[str]:
        """Read on until a line matches."""
        for line in self._output:
            self.lines.append(line.rstrip("\n"))
            if found := re.search(pattern, line):
                return found
        pytest.fail(f"nothing said {pattern!r}:\n" + "\n".join(self.lines))

    def heard(self, pattern: str) -> re.Match[str]:
        """The same, of a line that may have been said already."""
        said = (re.search(pattern, line) for line in self.lines)
        return next(filter(None, said), None) or self.until(pattern)

    def ended(self) -> int:
        """Read what is left; its exit status."""
        self.lines += self._output.read().splitlines()
        return self.process.wait(_PATIENCE_S)

    def running(self) -> list[int]:
        """Processes that have to do with this demonstration's folder."""
        found = []
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit() and int(entry.name) != os.getpid():
                try:
                    words = (entry / "cmdline").read_bytes()
                except OSError:
                    continue
                if str(self.folder).encode() in words:
                    found.append(int(entry.name))
        return found

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(_PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self._output.close()


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Any]:
    started: list[Demo] = []

    def start(*options: str) -> Demo:
        started.append(Demo(tmp_path / "demo", *options))
        return started[-1]

    yield start
    for each in started:
        each.close()


def until(condition: Any, seconds: float = _PATIENCE_S) -> Any:
    """Poll; fail when it is not true in time."""
    deadline = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < deadline, "not in time"
        time.sleep(0.1)
    return found


def test_ends_by_itself(demo: Any) -> None:
    show = demo("--for", "1", "--history", "0")
    assert show.ended() == 0
    assert "1 seconds are over." in show.lines
    assert not show.running()


@pytest.mark.parametrize("broker", [(), ("--embedded",)], ids=["mosquitto", "embedded"])
def test_shows_a_clinic(demo: Any, broker: tuple[str, ...]) -> None:
    """The page answers, basins are live, a soak is judged; asked to, it ends with 0 and leaves no process."""
    if not broker and not (shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")):
        pytest.skip("Mosquitto is not installed: apt-get install mosquitto")
    show = demo("--history", "0", "--speed", "20", *broker)
    address = show.until(r"(http://127\.0\.0\.1:\d+/)")[1]
    assert fetch(f"{address}health") is not None

    def lids() -> bool:
        answer = fetch(f"{address}api/basins")
        return bool(answer) and sum(basin["lid"] is not None for basin in answer["basins"]) == 5

    until(lids)
    show.until(r"Transducers: soak NOT MET \(opened")
    left = show.heard(r"alarm (AL\d+), high: Transducers: Opened with")[1]
    show.heard(rf"{left} is left for you")
    show.process.send_signal(signal.SIGTERM)
    assert show.ended() == 0
    said = "\n".join(show.lines)
    for words in ("invented", "monitoring aid", "REHEARSAL", "20 times faster", "Ctrl-C", str(show.folder), "rm -r"):
        assert words in said
    assert ("embedded" in said) == bool(broker)
    assert "Traceback" not in said
    assert not show.running()
    for log in (show.folder / "logs").iterdir():
        if not (broker and log.name == "broker.log"):  # the embedded one writes down each client that it lost
            assert "Traceback" not in log.read_text(), log.name


def test_a_power_cut_is_a_new_boot_and_ctrl_c_ends_in_order(demo: Any) -> None:
    """The node that cut its own power comes back as another boot of the same node, in the middle of the same soak."""
    show = demo("--history", "0", "--speed", "60")
    show.until(r"Laryngoscope blades: power cut")
    show.until(r"Node treatment: power is back")
    log = show.folder / "logs" / "treatment.log"
    boots = until(lambda: len(found := set(re.findall(r"boot=([0-9a-f-]{36})", log.read_text()))) == 2 and found)
    assert len(boots) == 2
    show.process.send_signal(signal.SIGINT)
    assert show.ended() == 0
    assert "Stopping: staff, nodes, pages, collector, broker." in show.lines
    assert not show.running()


def test_past_days_come_in_once(demo: Any) -> None:
    """A day of five basins comes in through the same wire and is declared; started again, none of it is sent again."""
    show = demo("--history", "1", "--speed", "1")
    address = show.until(r"(http://127\.0\.0\.1:\d+/)")[1]
    expected = until(lambda: (site := fetch(f"{address}api/site")) and site["backlog"]["expected"] > 5 * 86_000)
    assert expected
    show.until(r"past days: 100 %")
    show.heard(r"Sign in as supervisor Jonas Beispielmann: badge DEMO-J-BEISPIELMANN, PIN \d{6}")

    def seen() -> list[Any]:
        answer = fetch(f"{address}api/things/alarm?until={int(time.time() * 1000) - 600_000}")
        return [each for each in answer["things"] if "seen" in each["thing"]] if answer else []

    until(seen)
    show.process.send_signal(signal.SIGTERM)
    assert show.ended() == 0
    again = demo("--history", "1", "--speed", "1")
    address = again.until(r"(http://127\.0\.0\.1:\d+/)")[1]

    def outboxes() -> list[int]:
        site = fetch(f"{address}api/site")
        return [node["outbox"] for node in site["nodes"] if node["up"]] if site else []

    until(lambda: len(outboxes()) == 3 and max(outboxes()) < 10_000, 60)
    again.until(r"Sign in as supervisor")
    assert fetch(f"{address}api/things/load")["total"] > 10
    again.process.send_signal(signal.SIGTERM)
    assert again.ended() == 0
    said = (show.folder / "logs" / "staff.log").read_text()
    assert "not expected" not in said
    assert said.count("unexpected=0") == 2


def test_a_part_that_dies_ends_everything_and_says_which(demo: Any) -> None:
    show = demo("--history", "0")
    show.until(r"3 nodes started")
    [collector] = [
        pid for pid in show.running() if b"\0collector\0--settings" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
    os.kill(collector, signal.SIGKILL)
    assert show.ended() == 1
    said = "\n".join(show.lines)
    assert "soakledger demo: The collector ended by itself with status -9. Everything is stopped." in said
    assert str(show.folder / "logs" / "collector.log") in said
    assert "Traceback" not in said
    assert not show.running()


def test_its_pages_show_what_the_site_wants_and_killed_it_leaves_nothing_running(demo: Any) -> None:
    show = demo("--history", "0", "--fahrenheit", "--clock", "12")
    show.until(r"3 nodes started")
    address = show.heard(r"Page: (http\S+)")[1]
    assert '<html lang="en" data-clock="12" data-fahrenheit>' in httpx.get(f"{address}about").text
    show.process.kill()
    show.process.wait()
    until(lambda: not show.running(), 20)


def run(*options: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "soakledger", "demo", *options], capture_output=True, text=True, timeout=60, check=False
    )
    return done.returncode, done.stdout + done.stderr


def test_a_port_in_use_is_one_clear_line(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        status, said = run("--port", str(port), "--data", str(tmp_path / "demo"))
    assert status == 2
    assert said == (
        f"soakledger demo: port {port} cannot be used (Address already in use). "
        "Name another with --port, or leave it out.\n"
    )


def test_a_folder_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    status, said = run("--data", str(tmp_path / "file"))
    assert status == 2
    assert said.splitlines() == [
        f"soakledger demo: data folder {tmp_path / 'file'} cannot be used (Not a directory). "
        "Name one that you can write with --data."
    ]


@pytest.mark.parametrize("option", [("--speed", "61"), ("--speed", "0"), ("--for", "0"), ("--history", "-1")])
def test_options_out_of_range_are_refused(option: tuple[str, str]) -> None:
    status, said = run(*option)
    assert status == 2
    assert f"Invalid value for '{option[0]}'" in said
