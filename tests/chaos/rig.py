"""A whole clinic of real processes: broker, collector, dashboard and nodes, and a proxy between nodes and broker."""

from __future__ import annotations

import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import msgspec

from collector.schema import FILE_NAME
from firmware.simulator import broker as brokers
from soak.rehearsal import Rehearsal
from soak.wire import State
from tests.chaos import tap
from tests.chaos.clinic import Clinic, mosquitto_configuration
from tests.chaos.disk import Run, held_on_disk
from tests.chaos.processes import Part, end_all
from tests.chaos.proxy import Proxy
from tests.chaos.truth import Truth, tell
from tests.chaos.weather import Climate, Phase, phases

BEAT_S = 0.05
_UP_S = 60.0
_SETTLED_S = 1.0


class RigError(RuntimeError):
    """The clinic did not come up, or did not come to rest."""


class Rig:
    """The clinic's processes in a folder.

    Args:
        folder: Exists and is empty.
        seed: Of everything that is left to chance here.
        nodes: How many.
        basins: How many in all.
        speed: Of the rehearsal.
        climate: Of the line between nodes and broker; None for one that is always plain.
        broker: "bare", "kept" (Mosquitto, see `mosquitto_configuration`) or "embedded".

    Attributes:
        on_disk: What outboxes held when their node was killed.
        ended: Parts that ended though nobody killed them.
    """

    def __init__(
        self, folder: Path, seed: int, *, nodes: int, basins: int, speed: int, climate: Climate | None, broker: str
    ) -> None:
        real_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
        self.rehearsal = Rehearsal(real_ms, time.time_ns() // 1_000_000, speed)
        self.clinic = Clinic(folder, nodes, basins, self.rehearsal)
        self.on_disk: set[Run] = set()
        self.ended: list[str] = []
        self._folder, self._seed, self._kind = folder, seed, broker
        self.broker_port, self.page_port = brokers.free_port(), brokers.free_port()
        self.proxy = Proxy(self.broker_port, lambda number: _weather(seed, number, climate))
        (folder / "logs").mkdir()
        (folder / "broker").mkdir()
        self.broker = Part("broker", self._broker_command(), self._log("broker"))
        data = ("--data", self.clinic.data_dir, "--rehearsal", self.rehearsal.text())
        self.collector = self._soakledger("collector", "--settings", folder / "collector.toml", *data)
        self.dashboard = self._soakledger("dashboard", "--host", brokers.LOOPBACK, "--port", self.page_port, *data)
        self.nodes = [self._node(node) for node in self.clinic.nodes]

    @property
    def parts(self) -> list[Part]:
        """Every process."""
        return [self.broker, self.collector, self.dashboard, *self.nodes]

    @property
    def address(self) -> str:
        """Of the dashboard, with a slash at the end."""
        return f"http://{brokers.LOOPBACK}:{self.page_port}/"

    def start(self) -> None:
        """Start everything."""
        self.proxy.start()
        self.clinic.write(self.broker_port, self.proxy.port)
        self.broker.start()
        self.wait("the broker answers", lambda: brokers.accepts(self.broker_port))
        for part in self.parts[1:]:
            part.start()
        self.wait_for_nodes()

    def wait_for_nodes(self) -> None:
        """Until each of them takes readings in the life it lives now."""
        self.wait(
            "all nodes take readings",
            lambda: all(any(isinstance(each, tap.Taken) for each in life) for life in self._lives()),
        )

    def _lives(self) -> list[list[tap.Record]]:
        return [tap.life_of(self.clinic.taps(node.name), node.pid) for node in self.nodes]

    def wait_for_dashboard(self) -> None:
        """Until it answers in the life it lives now: it may have been the last to be killed."""
        self.wait("the dashboard answers", lambda: brokers.accepts(self.page_port))

    def change_broker(self, kind: str) -> None:
        """From its next start on the broker is of another kind."""
        self._kind = kind
        self.broker.command = [str(word) for word in self._broker_command()]

    def kill(self, part: Part) -> None:
        """`kill -9`; of a node, then look at what its outbox holds."""
        part.kill()
        if part in self.nodes:
            self.on_disk.update(held_on_disk(self.clinic.node_dir(part.name)))

    def look_after(self) -> None:
        """A part that ended though nobody killed it is noted and started again."""
        for part in self.parts:
            if part.status is not None:
                said = "\n".join(part.last_words())
                self.ended.append(f"the {part.name} ended by itself with status {part.status}:\n{said}")
                part.wait(0)
                part.start()

    def drain(self, within_s: float) -> Truth:
        """Let the weather calm down and the nodes take no more readings; wait until the ledger has everything.

        Raises:
            RigError: It has not in time.
        """
        self.proxy.calm()
        self.wait_for_nodes()
        self.clinic.silence.touch()
        time.sleep(_SETTLED_S)  # a node may just have looked whether it is there
        self.wait("the nodes have committed what they took", lambda: all(map(tap.at_rest, self._lives())))
        truth = tell(self.clinic, self.on_disk)
        self.wait("everything has drained", lambda: not list(self.still_to_come(truth)), within_s)
        return truth

    def stored(self) -> int:
        """How many readings the ledger has."""
        return sum(count for _, count, _ in self._look("SELECT stream, stored, over FROM stream"))

    def still_to_come(self, truth: Truth) -> Iterator[str]:
        """What the ledger, or a node, still waits for."""
        stored = {stream: each for stream, *each in self._look("SELECT stream, stored, over FROM stream")}
        states = dict(self._look("SELECT node, body FROM node"))
        for spot in self.clinic.spots:
            *older, current = truth.of(spot) or [None]
            for stream in [*older, current] if current else []:
                count, over = stored.get(stream.begun.stream, (0, 0))
                if count < stream.kept.count():
                    yield f"{stream}: {count} of {stream.kept.count()} readings have come"
                elif stream is not current and not over:
                    yield f"{stream}: it is not known that a newer one has taken its place"
        for node in self.clinic.nodes:
            state = msgspec.json.decode(states[node], type=State) if node in states else None
            if state is None or not state.up or state.outbox:
                yield f"node {node}: {state.outbox if state else 'all'} readings wait for a receipt"

    def _look(self, sql: str) -> list[Any]:
        """What the ledger says; nothing while there is none yet."""
        file = self.clinic.data_dir / FILE_NAME
        if not file.exists():
            return []
        with closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True, timeout=10)) as database:
            if not database.execute("SELECT 1 FROM sqlite_master WHERE name = 'node'").fetchone():
                return []
            return database.execute(sql).fetchall()

    def wait(self, what: str, condition: Callable[[], object], within_s: float = _UP_S) -> None:
        """Poll until the condition holds, and look after the parts meanwhile.

        Raises:
            RigError: It does not hold in time.
        """
        deadline_s = time.monotonic() + within_s
        while not condition():
            if time.monotonic() > deadline_s:
                raise RigError(f"after {within_s:.0f} s it was still not so that {what}")
            self.look_after()
            time.sleep(4 * BEAT_S)

    def stop(self) -> list[str]:
        """End every part in order; what was not in order about it."""
        bad = []
        for part in [*self.nodes, self.dashboard, self.collector, self.broker]:
            status = part.end()
            if status not in (0, -15):
                said = "\n".join(part.stacks or part.last_words())
                bad.append(f"the {part.name} ended with status {status} when asked to:\n{said}")
        return bad

    def close(self) -> None:
        """End whatever still runs."""
        end_all([self.nodes, [self.dashboard, self.collector], [self.broker]])
        self.proxy.close()

    def _soakledger(self, name: str, *options: object) -> Part:
        return Part(name, (sys.executable, "-m", "soakledger", name, *options), self._log(name))

    def _node(self, node: str) -> Part:
        here, clinic = self.clinic.node_dir(node), self.clinic
        command = (sys.executable, "-m", "tests.chaos.tapped", here / "node.toml", here / "scenario.json")
        return Part(
            node, (*command, self.rehearsal.text(), self._seed, clinic.taps(node), clinic.silence), self._log(node)
        )

    def _log(self, name: str) -> Path:
        return self._folder / "logs" / f"{name}.log"

    def _broker_command(self) -> tuple[object, ...]:
        if self._kind == "embedded":
            return (sys.executable, "-m", "firmware.simulator.embedded_broker", self.broker_port)
        folder = self._folder / "broker"
        configuration = folder / "mosquitto.conf"
        configuration.write_text(mosquitto_configuration(folder, self.broker_port, kept=self._kind == "kept"))
        mosquitto = brokers.find_mosquitto()
        if mosquitto is None:
            raise RigError("Mosquitto is not installed: apt-get install mosquitto")
        return (mosquitto, "-c", configuration)


def _weather(seed: int, number: int, climate: Climate | None) -> Iterator[Phase]:
    return iter(()) if climate is None else phases(Random(f"{seed}/{number}/weather"), climate)
