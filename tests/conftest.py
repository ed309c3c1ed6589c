"""Shared by all tests: a safe environment for the hardware libraries, and real brokers on free loopback ports."""

from __future__ import annotations

import gc
import os

# Before anything imports them: w1thermsensor would run modprobe, gpiozero would look for real pins.
os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
os.environ["GPIOZERO_PIN_FACTORY"] = "mock"
os.environ["GPIOZERO_MOCK_PIN_CLASS"] = "mockpwmpin"

import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest

# A busy machine is no failure: tests never judge by the wall clock.
hypothesis.settings.register_profile("soakledger", deadline=None)
hypothesis.settings.load_profile("soakledger")


def pytest_collection_finish() -> None:
    """What was collected stays: the garbage collector need not look through it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)


@pytest.fixture(scope="session", autouse=True)
def lean_children() -> Iterator[None]:
    """Processes that tests start are without what only tests install: see `tests/lean/sitecustomize.py`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(Path(__file__).parent / "lean"), prepend=os.pathsep)
        yield


def wait_until(condition: Callable[[], object], seconds: float = 60) -> None:
    """Poll until `condition()` is true; fail when it is not in time."""
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            pytest.fail(f"still not true after {seconds} s: {condition}")
        time.sleep(0.01)


@pytest.fixture(name="wait_until")
def wait_until_fixture() -> Callable[..., None]:
    """`wait_until(condition, seconds=60)`."""
    return wait_until


class Broker:
    """A real Mosquitto on a free loopback port, with a configuration of its own and nothing kept on disk."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self.port = 0
        for _ in range(5):  # another process may take the port between the question and the start
            with socket.socket() as free:
                free.bind(("127.0.0.1", 0))
                self.port = free.getsockname()[1]
            if self.start():
                return
        pytest.fail((folder / "mosquitto.log").read_text())

    def start(self) -> bool:
        """Start it on its port; True once it answers."""
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous true",
            "persistence false",
            "max_queued_messages 1000000",
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # it would change to a user who cannot read this folder
        configuration = self._folder / "mosquitto.conf"
        configuration.write_text("\n".join(lines) + "\n")
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        with (self._folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen([program, "-c", str(configuration)], stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while self._process.poll() is None and time.monotonic() < deadline:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return True
        self.stop()
        return False

    def stop(self, *, kill: bool = False) -> None:
        """End it; with `kill` as a power cut would."""
        if self._process is not None:
            if kill:
                self._process.kill()
            else:
                self._process.terminate()
            self._process.wait(10)
            self._process = None

    def restart(self) -> None:
        """End it and start it again on the same port, with everything forgotten."""
        self.stop()
        assert self.start(), (self._folder / "mosquitto.log").read_text()


@pytest.fixture(scope="session")
def broker_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The port of a broker shared by all tests of this process: use node names of your own."""
    broker = Broker(tmp_path_factory.mktemp("broker"))
    yield broker.port
    broker.stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Callable[[], Broker]]:
    """Start brokers of this test's own: `one = broker()`, then `one.port`, `.stop()`, `.start()`, `.restart()`."""
    brokers: list[Broker] = []

    def start() -> Broker:
        brokers.append(Broker(tmp_path / f"broker-{len(brokers)}"))
        return brokers[-1]

    yield start
    for one in brokers:
        one.stop()
