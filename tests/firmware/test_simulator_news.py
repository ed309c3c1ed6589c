"""News: verdicts on loads, each told once; empty basins and past days are none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from firmware.simulator.clinic import CLINIC, ClinicBasin
from firmware.simulator.live import live_scripts
from firmware.simulator.memory import Memory, keep
from firmware.simulator.news import Loads, News, fetch
from firmware.simulator.script import Planned

BEGAN_MS = 1_790_000_000_000
BASIN = CLINIC[0]


def first_load(basin: ClinicBasin = BASIN) -> Planned:
    played = basin.played()
    return next(live_scripts(played.habits, 1, f"{basin.node}/{basin.name}", BEGAN_MS, played.scene)).loads[0]


@pytest.fixture
def loads(tmp_path: Path) -> Loads:
    file = tmp_path / "rehearsal.json"
    keep(file, Memory("1:2:3", BEGAN_MS, 0, 0, 0))
    return Loads(BASIN, 1, "1:2:3", file)


def test_loads_are_told_from_empty_basins(loads: Loads) -> None:
    load = first_load()
    assert loads.hold(load.closed_ms + 15)  # after the bounce
    assert loads.hold(load.opened_ms - 60_000)  # seen again after a power cut
    assert not loads.hold(load.opened_ms + 20_000)  # lid on, nothing in it
    assert not loads.hold(BEGAN_MS - 86_400_000)
    assert loads.hold(load.closed_ms)  # asked for an earlier one again


def test_without_a_memory_nothing_is_known(tmp_path: Path) -> None:
    file = tmp_path / "rehearsal.json"
    assert not Loads(BASIN, 1, "1:2:3", file).hold(first_load().closed_ms)
    keep(file, Memory("9:9:9", BEGAN_MS, 0, 0, 0))  # of an earlier run
    assert not Loads(BASIN, 1, "1:2:3", file).hold(first_load().closed_ms)


def closure(verdict: str, closed_ms: int, lasted_ms: int = 61_000) -> dict[str, Any]:
    return {
        "node": BASIN.node,
        "basin": BASIN.name,
        "label": BASIN.label,
        "verdict": verdict,
        "closed_at_ms": closed_ms,
        "closed_ms": lasted_ms,
        "reason": "too cold",
        "credited_ms": 61_000,
    }


def test_each_verdict_on_a_load_is_told_once(loads: Loads) -> None:
    news, load = News({(BASIN.node, BASIN.name): loads}), first_load()

    def running(one: dict[str, Any] | None) -> list[str]:
        return list(news.of_basins([{"running": one}]))

    def ended(*some: dict[str, Any]) -> list[str]:
        return list(news.of_closures(list(some)))

    assert not running(None)
    assert not running(closure("running", load.closed_ms))
    assert not ended(closure("not met", load.closed_ms, lasted_ms=4_000))  # a bounce that was held up
    assert running(closure("met", load.closed_ms)) == [f"{BASIN.label}: soak MET, rinse next"]
    assert not ended(closure("met", load.closed_ms))
    assert not ended(closure("not met", load.opened_ms + 20_000))
    assert ended(closure("not met", load.closed_ms)) == [
        f"{BASIN.label}: soak NOT MET (too cold), 1 min 1 s proven without a break: reprocess",
    ]


def test_a_load_that_another_closure_has_followed_before_the_look_is_told(loads: Loads) -> None:
    news, load = News({(BASIN.node, BASIN.name): loads}), first_load()
    empty, again = closure("not met", load.opened_ms + 20_000), closure("unproven", load.closed_ms + 300)
    assert list(news.of_closures([empty, again, closure("met", load.closed_ms)])) == [
        f"{BASIN.label}: soak MET, rinse next",
        f"{BASIN.label}: soak UNPROVEN (too cold), 1 min 1 s proven without a break: reprocess",
    ]


def test_past_days_are_told_in_tenths() -> None:
    """Whole streams vanish from the list as they are done, so what waits is told, against the most that ever waited."""
    news = News({})
    assert not list(news.of_backlog(400_000))  # the first node is there, the others not yet
    told = [line for waiting in range(1_000_000, 4_000, -7_000) for line in news.of_backlog(waiting)]
    assert [int(line.split()[2]) for line in told] == [1, 10, 20, 30, 40, 50, 60, 70, 80, 90]
    assert list(news.of_backlog(80)) == ["past days: 100 % taken in and judged"]
    assert not list(news.of_backlog(4_000))


def test_without_past_days_there_is_no_news_of_them() -> None:
    news = News({})
    assert not [line for waiting in (0, 50, 4_000, 0) for line in news.of_backlog(waiting)]


def test_a_page_that_does_not_answer_is_none() -> None:
    assert fetch("http://127.0.0.1:9/health") is None
