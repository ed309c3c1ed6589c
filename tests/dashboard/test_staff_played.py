"""The demo's staff on real parts: a working day of five basins, declared to a real record."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from litestar.testing import TestClient

from collector import settings
from collector.intake import Arrived, Intake
from collector.store import Store
from collector.verify_command import command as verify
from dashboard.app import build_app
from dashboard.when import SiteTime
from firmware.simulator.clinic import node_names, write_settings
from firmware.simulator.history import History
from firmware.simulator.memory import Memory
from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_days import Seen, day_items, review
from firmware.simulator.staff_past import history_of, past_days, special_days, start_ms
from firmware.simulator.staff_plan import Ward
from firmware.simulator.staff_rounds import Fates
from firmware.simulator.staff_screen import Screen
from firmware.simulator.staff_setup import PEOPLE_DEEDS, set_up
from firmware.simulator.staff_stock import STAFF, date_text
from firmware.simulator.staff_talk import Answer, Teller, keep_pictures
from soak.rehearsal import Rehearsal
from soak.wire import Topic, encode

END_MS = 1_789_776_000_000  # a midnight in UTC, after a Friday
NODES = {name: Memory("1:2:1", END_MS + 90_000, 1, END_MS, 0) for name in node_names()}
_MESSAGES = 20


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A collector's data with the readings of one day, and nothing declared."""
    folder = tmp_path_factory.mktemp("staff")
    write_settings(folder, 1, first_ms=END_MS - DAY_MS)
    (folder / "collector").mkdir()
    store = Store(folder / "collector", lambda: END_MS)
    store.apply(settings.load(folder / "collector.toml"))
    intake = Intake(store, lambda: END_MS)
    for name, memory in NODES.items():
        messages = list(sent(name, history_of(name, memory, 1)))
        for first in range(0, len(messages), _MESSAGES):
            intake.take(messages[first : first + _MESSAGES])
    store.close()
    return folder / "collector"


def sent(node: str, history: History) -> Iterator[Arrived]:
    """Everything that a node sends of its past."""
    for stream in history.past.values():
        number = 1
        while number <= stream.newest:
            batch = history.batch(stream.stream, number, 500)
            number += len(batch.readings)
            yield Arrived(Topic.READINGS.of(node), encode(batch))


@pytest.fixture(autouse=True)
def here(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The machine's own time zone is that of the plan."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_a_day_is_declared_and_nothing_is_refused_that_the_play_does_not_foresee(day: Path) -> None:
    """Set up, fills, tests, loads, releases, reviews; the record holds, and what was not met was not released."""
    app = build_app(day, rehearsal=Rehearsal(0, END_MS, 1), when=SiteTime(UTC))
    with TestClient(app, base_url="http://127.0.0.1:8080") as browser:

        def ask(path: str, said: Any) -> Answer:
            if isinstance(said, bytes):
                answer = browser.post(f"/{path}", content=said)
            else:
                answer = browser.get(f"/{path}") if said is None else browser.post(f"/{path}", json=said)
            return Answer(answer.status_code, answer.json())

        ward, screen = Ward(1), Screen(ask)
        teller = Teller(ask, ward)
        first = set_up(ward, start_ms(NODES))
        teller.play([item for item in first if item.deed in PEOPLE_DEEDS])
        keep_pictures(ask)
        teller.play([item for item in first if item.deed not in PEOPLE_DEEDS])
        days = past_days(NODES, 1)
        [loads] = [day for day in days if day.occasions]
        for day_ in days:
            verdicts = screen.verdicts(day_.midnight_ms, day_.until_ms)
            seen = Seen(
                lambda occasion, verdicts=verdicts: bool(verdicts(occasion)),
                screen.open_ids("look-back"),
                screen.quarantined(),
                screen.released(),
            )
            teller.play(day_items(ward, day_, seen, Fates(), special_days(days)))
            date = date_text(day_.local_day * DAY_MS)
            teller.play(review(ward, day_, screen.open_subjects(date), date))
        assert teller.unexpected == []
        assert teller.recorded > 600
        turns = ask("api/things/turn?limit=1000", None).body["things"]
        stages = [turn["thing"].get("stage", "preparing") for turn in turns]
        assert stages.count("released") + stages.count("used") > 20
        shown = screen.verdicts(0, END_MS)
        met = [occasion for occasion in loads.occasions if shown(occasion)]
        assert len(met) > 20
        for turn in (turn["thing"] for turn in turns):
            if "released" in turn:
                assert any(
                    occasion.basin == turn["basin"] and occasion.in_ms <= turn["in_ms"] <= occasion.closed_ms + 1_000
                    for occasion in met
                )
        assert ask(
            "api/rehearsal/people", [{"person": each.id, "badge": each.badge, "pin": each.pin} for each in STAFF]
        )
        signed = ask("api/sign-in", {"badge": STAFF[1].badge, "pin": STAFF[1].pin}).body
        assert (signed["person"]["name"], signed["second_factor"]) == ("Jonas Beispielmann", True)
    checked = CliRunner().invoke(verify, ["--data", str(day)])
    assert checked.exit_code == 0, checked.output
