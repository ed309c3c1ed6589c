"""The demo's past days in one process: readings as the nodes send them, declarations as the staff make them, alarms.

The same simulator, intake, pages, staff and alarms as in `soakledger demo`, without processes, broker and waiting. The
alarms look after every part that is declared, more often than any collector would come to it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path
from typing import Any, NamedTuple

from litestar.testing import TestClient

from collector import settings
from collector.alarms.engine import Alarms
from collector.alarms.routes import Routes
from collector.conditions import Conditions
from collector.intake import Arrived, Intake
from collector.reassess import Reassessment
from collector.store import Store
from dashboard.app import build_app
from dashboard.when import SiteTime
from firmware.simulator.clinic import node_names, write_settings
from firmware.simulator.history import History
from firmware.simulator.memory import Memory
from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_days import Day, Seen, day_items, review
from firmware.simulator.staff_past import history_of, past_days, special_days, start_ms
from firmware.simulator.staff_plan import Ward
from firmware.simulator.staff_rounds import Fates
from firmware.simulator.staff_screen import Screen
from firmware.simulator.staff_setup import PEOPLE_DEEDS, set_up
from firmware.simulator.staff_stock import date_text
from firmware.simulator.staff_talk import Answer, Ask, Teller, keep_pictures
from firmware.simulator.staff_watch import Watch
from soak.rehearsal import Rehearsal
from soak.wire import Topic, encode

END_MS = 1_789_776_000_000
"""A midnight in UTC, after a Friday."""

_AFTER_MS = 90_000
_MESSAGES = 20


class Played(NamedTuple):
    """What there is when the past days are over.

    Attributes:
        data: The collector's data folder.
        nodes: What each node remembers.
        teller: What was recorded and refused.
    """

    data: Path
    nodes: dict[str, Memory]
    teller: Teller


def _clock() -> int:
    """The collector started when the past days were over."""
    return END_MS


def remembered(days: int) -> dict[str, Memory]:
    """What each node remembers of so many past days."""
    return {name: Memory("1:2:1", END_MS + _AFTER_MS, days, END_MS, 0) for name in node_names()}


def take_in(folder: Path, nodes: Mapping[str, Memory], seed: int = 1) -> Path:
    """A collector's data folder with the readings of the past days, and nothing declared."""
    begin_ms = start_ms(nodes)
    write_settings(folder, 1, first_ms=begin_ms)
    data = folder / "collector"
    data.mkdir()
    store = Store(data, _clock)
    store.apply(settings.load(folder / "collector.toml"))
    intake = Intake(store, _clock)
    for name, memory in nodes.items():
        messages: list[Arrived] = []
        for message in _sent(name, history_of(name, memory, seed)):
            messages.append(message)
            if len(messages) == _MESSAGES:
                intake.take(messages)
                messages = []
        intake.take(messages)
    store.close()
    return data


def _sent(node: str, history: History) -> Iterator[Arrived]:
    """Everything that a node sends of its past."""
    for stream in history.past.values():
        number = 1
        while number <= stream.newest:
            batch = history.batch(stream.stream, number, 500)
            number += len(batch.readings)
            yield Arrived(Topic.READINGS.of(node), encode(batch))


class _Collector:
    """What a collector does beside the declarations: judges again, and looks at the alarms."""

    def __init__(self, data: Path) -> None:
        self._store = Store(data, _clock)
        self._reassessment = Reassessment(self._store, Intake(self._store, _clock))
        self._alarms = Alarms(
            data, _clock, Conditions(_clock), settings.Settings("Played"), Routes([], _clock), past_until_ms=_clock()
        )
        self.work()

    def work(self) -> None:
        """Until there is nothing left to do."""
        self._reassessment.look()
        while self._reassessment.step():
            pass
        while self._alarms.look():
            pass

    def close(self) -> None:
        """Give the database back."""
        self._alarms.close()
        self._store.close()


def play(folder: Path, days: int, seed: int = 1) -> Played:
    """Read, judge and declare so many past days.

    Args:
        folder: For the data.
        days: How many.
        seed: The clinic's.
    """
    nodes = remembered(days)
    with in_utc():
        data = take_in(folder, nodes, seed)
        collector = _Collector(data)
        with pages(data, collector.work) as ask:
            teller = _declared(ask, nodes, Ward(seed))
        collector.close()
    return Played(data, nodes, teller)


@contextmanager
def in_utc() -> Iterator[None]:
    """The plan is made in the machine's own time zone, and here that is this one."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "UTC"
    time.tzset()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        time.tzset()


@contextmanager
def pages(data: Path, after: Callable[[], None] = lambda: None) -> Iterator[Ask]:
    """Pages in this process, as the staff ask them; `after` is told of every part that is declared."""
    app = build_app(data, rehearsal=Rehearsal(0, END_MS, 1), when=SiteTime(UTC))
    with TestClient(app, base_url="http://127.0.0.1:8080") as browser:

        def ask(path: str, said: Any = None) -> Answer:
            if isinstance(said, bytes):
                answer = browser.post(f"/{path}", content=said)
            else:
                answer = browser.get(f"/{path}") if said is None else browser.post(f"/{path}", json=said)
            if path == "api/rehearsal/deeds":
                after()
            return Answer(answer.status_code, answer.json())

        yield ask


def _declared(ask: Ask, nodes: dict[str, Memory], ward: Ward) -> Teller:
    screen, teller = Screen(ask), Teller(ask, ward)
    watch = Watch(screen, teller, ward, 0)
    first = set_up(ward, start_ms(nodes))
    teller.play([item for item in first if item.deed in PEOPLE_DEEDS])
    keep_pictures(ask)
    teller.play([item for item in first if item.deed not in PEOPLE_DEEDS])
    days = past_days(nodes, ward.seed)
    special = special_days(days)
    for day in days:
        teller.play(day_items(ward, day, _shown(screen, day), Fates(), special))
        date = date_text(day.local_day * DAY_MS)
        teller.play(review(ward, day, screen.open_subjects(date), date))
        watch.day(day)
    return teller


def _shown(screen: Screen, day: Day) -> Seen:
    verdicts = screen.verdicts(day.midnight_ms, day.until_ms)
    return Seen(lambda occasion: bool(verdicts(occasion)), screen.look_backs(), screen.quarantined(), screen.released())
