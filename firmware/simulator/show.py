"""The demonstration as a whole: every part as a process of its own, told about in plain words, ended in order."""

from __future__ import annotations

import datetime
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from firmware.simulator import broker as brokers
from firmware.simulator.cards import begin_counts
from firmware.simulator.clinic import CLINIC, SITE, node_names, write_settings
from firmware.simulator.memory import MEMORY_FILE
from firmware.simulator.news import Loads, News, fetch
from firmware.simulator.parts import Ears, Part, stop_in_order
from firmware.simulator.phones import Phones
from firmware.simulator.rehearsed import POWER_CUT
from soak.rehearsal import Rehearsal

_BROKER_TRIES = 3
_BROKER_S = 15.0
_PAGE_S = 90.0
_BEAT_S = 0.1
_NEWS_EVERY_S = 2.0
_NEWEST = 20  # closures; a page that was away for a minute has no more of them to tell
_DARK_S = 2.0


class PartFailedError(RuntimeError):
    """A part ended by itself, or did not come up."""

    def __init__(self, part: Part, happened: str) -> None:
        lines = "".join(f"\n    {line}" for line in part.last_lines()) or " (nothing)"
        super().__init__(
            f"{part.name} {happened}. Everything is stopped. The last it wrote:{lines}\nAll of it is in {part.log}"
        )


class Plan(msgspec.Struct, frozen=True):
    """What was asked for.

    Attributes:
        folder: The data folder; exists and can be written.
        port: Of the pages, on loopback.
        rehearsal: The clock that all parts share.
        first_ms: Earliest reading that may come, on that clock.
        seed: The clinic's.
        history_days: Past days.
        for_s: Stop this long after the page answers; None goes on until Ctrl-C.
        embedded: Take the embedded broker even where Mosquitto is installed.
        pages: Options of the pages: how they show things.
    """

    folder: Path
    port: int
    rehearsal: Rehearsal
    first_ms: int
    seed: int
    history_days: int
    for_s: float | None
    embedded: bool = False
    pages: tuple[str, ...] = ()


class Show:
    """Runs a plan.

    Args:
        plan: What was asked for.
        say: Told each line for people.
        stop: Set to end it, from a signal handler for instance.
    """

    def __init__(self, plan: Plan, say: Callable[[str], None], stop: threading.Event) -> None:
        self._plan, self._say, self._stop = plan, say, stop
        self._ears = Ears()
        self._phones = Phones()
        self._broker: Part | None = None
        self._collector = self._part("collector", "collector", "--settings", plan.folder / "collector.toml", "--data")
        self._dashboard = self._part(
            "dashboard", "dashboard", *plan.pages, "--host", brokers.LOOPBACK, "--port", plan.port, "--data"
        )
        self._nodes = [self._node(name) for name in node_names()]
        self._staff = self._people()
        self._dark: dict[str, float] = {}  # nodes whose power was cut: when it comes back
        self._cut: set[str] = set()

    def _part(self, name: str, *words: object) -> Part:
        data = self._plan.folder / "collector"
        command = (*words, data, "--rehearsal", self._plan.rehearsal.text())
        return Part(f"The {name}", self._soakledger(*command), self._log(name))

    def _node(self, name: str) -> Part:
        plan, here = self._plan, self._plan.folder / name
        command = (
            *("rehearse", "--settings", here / "node.toml", "--scenario", here / "scenario.toml"),
            *("--rehearsal", plan.rehearsal.text(), "--history", plan.history_days, "--seed", plan.seed),
        )
        return Part(f"Node {name}", self._soakledger(*command), self._log(name), heard=True)

    def _people(self) -> Part:
        plan = self._plan
        command = (
            *(sys.executable, "-m", "firmware.simulator.staff", "--folder", plan.folder, "--address", self._address),
            *("--rehearsal", plan.rehearsal.text(), "--seed", plan.seed),
        )
        return Part("The staff", list(map(str, command)), self._log("staff"), heard=True)

    @staticmethod
    def _soakledger(*words: object) -> list[str]:
        return [sys.executable, "-m", "soakledger", *map(str, words)]

    def _log(self, name: str) -> Path:
        return self._plan.folder / "logs" / f"{name}.log"

    def run(self) -> None:
        """Run until the time is over or it is to stop, then end every part in order.

        Raises:
            PartFailedError: A part ended by itself or did not come up; the others are ended.
            NoBrokerError: There is no broker to start.
        """
        try:
            self._start_broker()
            self._start_pages()
            self._start_nodes()
            self._watch()
        finally:
            self._say("Stopping: staff, nodes, pages, collector, broker.")
            broker = [self._broker] if self._broker else []
            stop_in_order(([self._staff], self._nodes, [self._dashboard], [self._collector], broker))
            self._ears.close()
            self._phones.close()

    def _start_broker(self) -> None:
        folder = self._plan.folder / "broker"
        folder.mkdir(exist_ok=True)
        for attempt in range(_BROKER_TRIES):
            port = brokers.free_port()
            mosquitto = None if self._plan.embedded else brokers.find_mosquitto()
            chosen = brokers.choose_broker(folder, port, mosquitto=mosquitto)
            part = self._broker = Part("The broker", chosen.command, self._log("broker"))
            part.start()
            if self._wait_for(part, lambda: brokers.accepts(port), _BROKER_S):  # noqa: B023 - called at once
                speed = self._plan.rehearsal.speed
                write_settings(
                    self._plan.folder,
                    port,
                    first_ms=self._plan.first_ms,
                    speed=speed,
                    notify=self._phones.settings(self._plan.folder),
                    drill_at=self._drill_at(),
                )
                parts = (*node_names(), "collector")
                begin_counts(self._plan.folder / name for name in parts)
                self._say(f"Broker: {chosen.said}. On this machine only, port {port}.")
                return
            if self._stop.is_set():
                return
            if attempt == _BROKER_TRIES - 1:
                raise PartFailedError(part, "did not start")
            part.ask_to_stop()  # somebody else may have taken the port: try another
            part.end()

    def _drill_at(self) -> str:
        """Soon after the start, for whoever watches."""
        now_ms = self._plan.rehearsal.utc_ms(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000)
        at = datetime.datetime.fromtimestamp(now_ms / 1000).astimezone() + datetime.timedelta(minutes=2)
        return at.strftime("%H:%M")

    def _wait_for(self, part: Part, condition: Callable[[], object], seconds: float) -> bool:
        """Poll until the condition holds; False if the part ends, time runs out or everything is to stop."""
        deadline_s = time.monotonic() + seconds
        while part.running and not self._stop.is_set() and time.monotonic() < deadline_s:
            if condition():
                return True
            self._refuse_ended()
            time.sleep(_BEAT_S)
        return False

    def _start_pages(self) -> None:
        if self._stop.is_set():
            return
        self._collector.start()
        self._dashboard.start()
        self._say("Collector and pages: starting.")
        if not self._wait_for(self._dashboard, lambda: fetch(f"{self._address}health") is not None, _PAGE_S):
            if not self._stop.is_set():
                raise PartFailedError(self._dashboard, "did not answer")
            return
        self._say(f"Page: {self._address}")

    @property
    def _address(self) -> str:
        return f"http://{brokers.LOOPBACK}:{self._plan.port}/"

    def _start_nodes(self) -> None:
        if self._stop.is_set():
            return
        for node in self._nodes:
            node.start()
            self._ears.listen(node)
        self._staff.start()
        self._ears.listen(self._staff)
        self._say(f"{SITE}: {len(self._nodes)} nodes started, with five basins between them.")
        if self._plan.history_days:
            self._say(
                "Past days stream in behind the live readings, through the same wire: see how far on the page. "
                "What the staff declared on them follows."
            )

    def _loads(self) -> dict[tuple[str, str], Loads]:
        plan = self._plan
        return {
            (basin.node, basin.name): Loads(
                basin, plan.seed, plan.rehearsal.text(), plan.folder / basin.node / MEMORY_FILE
            )
            for basin in CLINIC
        }

    def _watch(self) -> None:
        started_s = time.monotonic()
        news = News(self._loads())
        next_news_s = started_s + _NEWS_EVERY_S
        while not self._stop.is_set():
            now_s = time.monotonic()
            if self._plan.for_s is not None and now_s - started_s >= self._plan.for_s:
                self._say(f"{self._plan.for_s:g} seconds are over.")
                return
            for part, line in self._ears.hear(_BEAT_S):
                if line == POWER_CUT:
                    self._cut.add(part.name)
                else:
                    self._say(line)
            while not self._phones.lines.empty():
                self._say(f"    {self._phones.lines.get()}")
            self._look_after_parts(now_s)
            if now_s >= next_news_s:
                next_news_s = now_s + _NEWS_EVERY_S
                self._tell_news(news)

    def _refuse_ended(self) -> None:
        for part in (self._collector, self._dashboard, self._staff):
            if part.status is not None:
                raise PartFailedError(part, f"ended by itself with status {part.status}")

    def _look_after_parts(self, now_s: float) -> None:
        self._refuse_ended()
        if self._broker and self._broker.status is not None:
            raise PartFailedError(self._broker, f"ended by itself with status {self._broker.status}")
        for node in self._nodes:
            if node.name in self._dark:
                if now_s >= self._dark[node.name]:
                    del self._dark[node.name]
                    self._say(f"{node.name}: power is back, it boots again and sends what it had kept.")
                    node.start()
                    self._ears.listen(node)
            elif node.status is not None:
                if node.status != -signal.SIGKILL or node.name not in self._cut:
                    raise PartFailedError(node, f"ended by itself with status {node.status}")
                self._cut.discard(node.name)
                self._ears.forget(node)
                node.end()
                self._dark[node.name] = now_s + _DARK_S

    def _tell_news(self, news: News) -> None:
        site, basins = fetch(f"{self._address}api/site"), fetch(f"{self._address}api/basins")
        lines: list[str] = []
        if self._plan.history_days and site and sum(node["up"] for node in site["nodes"]) == len(self._nodes):
            lines += news.of_backlog(site["backlog"]["expected"] - site["backlog"]["arrived"])
        if basins:
            lines += news.of_basins(basins["basins"])
        if ended := fetch(f"{self._address}api/closures?limit={_NEWEST}"):
            lines += news.of_closures(ended["closures"])
        for line in lines:
            self._say(f"    {line}")
