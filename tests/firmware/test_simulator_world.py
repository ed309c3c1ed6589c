"""The world behind a node: it moves real files and real mock pins, and goes on where it was after a power cut."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
from gpiozero import Button
from gpiozero.pins.mock import MockFactory, MockPWMPin

from firmware.lid import SETTLE_MS, LidSwitch
from firmware.scratchpad import judge
from firmware.settings import Basin as BasinSettings
from firmware.simulator.live import Scene
from firmware.simulator.memory import Memory, keep, recall
from firmware.simulator.pins import Hand
from firmware.simulator.scenario import PlayedBasin, Scenario, ScenarioError, load_scenario
from firmware.simulator.script import Act, Habits, Step, Trouble
from firmware.simulator.talk import Telling
from firmware.simulator.wire1 import Tree
from firmware.simulator.world import PlayedOut, World
from soak.reading import Fault

BEGAN_MS = 1_790_000_000_000
SENSORS = ("28-00000000000a", "28-00000000000b")


class FakeClock:
    """Moves on by a beat whenever it is read; waiting takes no time."""

    boot_id = "0"

    def __init__(self, now_ms: int, stop: threading.Event, until_ms: int) -> None:
        self.now_ms, self._stop, self._until_ms = now_ms, stop, until_ms

    def utc_ms(self) -> int:
        self.now_ms += 500
        if self.now_ms >= self._until_ms:
            self._stop.set()
        return self.now_ms

    boot_ms = utc_ms

    def synced(self) -> bool:
        return True

    def real_s(self, ms: int) -> float:
        return 0.05 if ms == SETTLE_MS else 0.0  # slow enough to bounce, but nothing takes any time


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    factory.close()


class Played:
    """A world of one basin, played from one time to another."""

    def __init__(self, folder: Path, factory: MockFactory, scene: Scene, from_ms: int, seconds: int) -> None:
        self.said: list[str] = []
        self.cuts = 0
        self.stop = threading.Event()
        settings = BasinSettings(name="b1", sensors=SENSORS, lid_pin=5, button_pin=6)
        played = PlayedBasin("b1", "One", Habits(720_000, sensors=2), offsets_mc=(100, -100), scene=scene)
        self.basin = PlayedOut(settings, played, "node/b1", seed=1, began_ms=BEGAN_MS, utc_offset_ms=0)
        self.tree = Tree(folder, SENSORS)
        self.clock = FakeClock(from_ms, self.stop, from_ms + seconds * 1000)
        self.world = World(
            [self.basin],
            tree=self.tree,
            hand=Hand(factory.pin, self.clock.real_s, Random(1)),
            clock=self.clock,
            tell=lambda _ms, words: self.said.append(words),
            cut_power=self._cut,
            shortest_beat_s=0.0,
        )

    def _cut(self) -> None:
        self.cuts += 1
        self.stop.set()

    def mc(self, sensor: str) -> int | Fault:
        return judge((self.tree.devices / sensor / "w1_slave").read_bytes())


def test_sets_up_before_anything_moves(tmp_path: Path, factory: MockFactory) -> None:
    """The lid stands as it does, temperatures are there, and nobody talks of what was before."""
    lid, button = Button(5, pin_factory=factory), Button(6, pin_factory=factory)
    edges: list[bool] = []
    played = Played(tmp_path, factory, Scene.SOAKING, BEGAN_MS, 60)
    lid.when_pressed = lambda: edges.append(True)
    played.world.set_up()
    assert lid.is_pressed  # closed to ground: the soak began before the play
    assert not button.is_pressed
    assert edges == [True]
    assert not played.said
    low, high = (played.mc(sensor) for sensor in SENSORS)
    assert isinstance(low, int)
    assert isinstance(high, int)
    assert 20_000 < low < 23_000
    lid.close()
    button.close()


def test_plays_a_met_soak_onto_pins_and_tells_it(tmp_path: Path, factory: MockFactory) -> None:
    lid, button = Button(5, pin_factory=factory), Button(6, pin_factory=factory)
    played = Played(tmp_path, factory, Scene.MET, BEGAN_MS, 18 * 60)
    played.world.set_up()
    assert lid.is_pressed
    lid.pin.clear_states()
    played.world.run(played.stop)
    levels = [state.state for state in lid.pin.states]
    assert len(levels) > 4 * 3  # each of the four movements bounced at least once
    assert lid.is_pressed
    told = [words.removeprefix("One: ").split(" after")[0].split(",")[0] for words in played.said]
    assert told == ["lid lifted", "a device goes in", "lid closed", "lid opened", "the device is taken out", "lid on"]
    lid.close()
    button.close()


def test_unplugged_means_empty_then_gone_then_back(tmp_path: Path, factory: MockFactory) -> None:
    """Empty reads for some 100 s, then the folder is gone; it comes back by itself."""
    played = Played(tmp_path, factory, Scene.UNPLUGGED, BEGAN_MS, 600)
    played.world.set_up()
    seen: list[tuple[int, str]] = []
    real_utc_ms = played.clock.utc_ms

    def watched() -> int:
        for sensor in SENSORS:
            path = played.tree.devices / sensor / "w1_slave"
            if not path.exists():
                seen.append((played.clock.now_ms, "gone"))
            elif not path.read_text():
                seen.append((played.clock.now_ms, "empty"))
        return real_utc_ms()

    played.clock.utc_ms = watched  # type: ignore[method-assign]
    played.world.run(played.stop)
    empty = [ms for ms, what in seen if what == "empty"]
    gone = [ms for ms, what in seen if what == "gone"]
    assert max(empty) < min(gone)
    assert 90_000 < max(empty) - min(empty) < 110_000
    assert all(isinstance(played.mc(sensor), int) for sensor in SENSORS)
    assert [words for words in played.said if "unplugged" in words]
    assert [words for words in played.said if "plugged in again" in words]


def test_a_power_cut_happens_once_and_the_play_goes_on_from_there(tmp_path: Path, factory: MockFactory) -> None:
    """Started again after the cut, the same play is in the middle of the same soak: lid on, no second cut."""
    lid = Button(5, pin_factory=factory)
    first = Played(tmp_path / "one", factory, Scene.POWER_CUT, BEGAN_MS, 3_600)
    first.world.set_up()
    first.world.run(first.stop)
    assert first.cuts == 1
    assert lid.is_pressed
    again = Played(tmp_path / "two", factory, Scene.POWER_CUT, first.clock.now_ms + 5_000, 3_600)
    again.world.set_up()
    assert not again.cuts
    assert lid.is_pressed
    assert again.basin.basin.load_mc is not None
    assert abs(again.basin.basin.lower_mc - first.basin.basin.lower_mc) < 200
    again.clock._until_ms = again.clock.now_ms + 20 * 60_000
    again.world.run(again.stop)
    assert [words for words in again.said if "lid opened after" in words]
    lid.close()


@pytest.mark.parametrize(("speed", "edges"), [(1, 3), (10, 3), (11, 1), (60, 1)])
def test_a_fast_rehearsal_does_not_bounce(factory: MockFactory, speed: int, edges: int) -> None:
    device = Button(5, pin_factory=factory)
    hand = Hand(factory.pin, lambda ms: ms / 1000 / speed, Random(1))
    hand.set(5, closed=False)
    device.pin.clear_states()
    hand.move(5, closed=True)
    moved = [state.state for state in device.pin.states][1:]
    assert len(moved) >= edges
    assert len(moved) == 1 or edges > 1
    assert device.is_pressed
    device.close()


@pytest.mark.parametrize("closed", [True, False])
def test_bounce_is_short_and_ends_where_it_should(factory: MockFactory, closed: bool) -> None:
    """What the hand does looks like one movement to the firmware's debouncing, and takes less than it waits for."""
    now_ms = [1_000]
    device = Button(5, pin_factory=factory)

    def passed(ms: int) -> float:
        """Time passes on the test's clock instead; what takes a settling time is only asked about."""
        if ms == SETTLE_MS:
            return 0.05
        now_ms[0] += ms
        return 0.0

    hand = Hand(factory.pin, passed, Random(3))
    hand.set(5, closed=not closed)
    switch = LidSwitch(0, closed=not closed)
    moved: list[Any] = switch.settle(900)
    edges = 0

    def changed(_ticks: int, state: bool) -> None:  # a name of its own: gpiozero holds it weakly
        nonlocal edges
        edges += 1
        moved.extend(switch.edge(now_ms[0], closed=not state))

    device.pin.when_changed = changed
    hand.move(5, closed=closed)
    assert now_ms[0] - 1_000 < 50
    moved.extend(switch.settle(now_ms[0] + 100))
    assert edges >= 3
    assert [each.closed for each in moved if each.ms >= 1_000] == [closed]
    device.close()


def test_scenarios_are_read_strictly(tmp_path: Path) -> None:
    file = tmp_path / "scenario.toml"
    file.write_text('[[basin]]\nname = "b1"\ntitle = "One"\nhabits = { contact_ms = 720000 }\nscene = "met"\n')
    scenario = load_scenario(file)
    assert scenario.basin("b1").scene is Scene.MET
    with pytest.raises(ScenarioError, match=r"basin 'b9'; the scenario has b1"):
        scenario.basin("b9")
    for text, wrong in (
        ("[[basin", "TOML|Invalid|Expected"),
        ('[[basin]]\nname = "b1"\n', "missing required field `title`"),
        ('[[basin]]\nname = "b1"\ntitle = "One"\nhabits = { contact_ms = 1 }\nscen = "met"\n', "unknown field `scen`"),
    ):
        file.write_text(text)
        with pytest.raises(ScenarioError, match=wrong):
            load_scenario(file)
    with pytest.raises(ScenarioError, match="cannot be read"):
        load_scenario(tmp_path / "none.toml")
    assert Scenario(()).basins == ()


def test_memory_survives_and_a_damaged_one_is_none(tmp_path: Path) -> None:
    file = tmp_path / "rehearsal.json"
    assert recall(file) is None
    memory = Memory("1:2:3", 4, 5, 6, 7, ["a"])
    keep(file, memory)
    assert recall(file) == memory
    assert [path.name for path in tmp_path.iterdir()] == [file.name]
    file.write_bytes(b"{")
    assert recall(file) is None


def test_what_happens_is_told_in_plain_words() -> None:
    telling = Telling("Scopes 1", 720_000)
    steps = [
        Step(0, Act.OPEN),
        Step(1_000, Act.LOAD_IN, load_mc=12_500),
        Step(2_000, Act.BUTTON),
        Step(9_000, Act.CLOSE),
        Step(20_000, Act.TROUBLE, trouble=Trouble.UNPLUGGED),
        Step(129_000, Act.OPEN),
        Step(130_000, Act.LOAD_OUT),
        Step(140_000, Act.CLOSE),
    ]
    assert [telling.of(step, "28-0") for step in steps] == [
        "Scopes 1: lid lifted",
        "Scopes 1: a device goes in, straight from cold water (12.5 °C)",
        None,
        "Scopes 1: lid closed, a soak of 12 min begins",
        "Scopes 1: sensor 28-0 is unplugged",
        "Scopes 1: lid opened after 2 min, before the 12 min were over",
        "Scopes 1: the device is taken out",
        "Scopes 1: lid on, the basin is empty",
    ]
    assert telling.over(Trouble.UNPLUGGED, "28-0") == "Scopes 1: sensor 28-0 is plugged in again"
    every = [telling.of(Step(0, Act.TROUBLE, trouble=trouble), "28-0") for trouble in Trouble]
    assert all(every)
    assert len(list(itertools.filterfalse(None, every))) == 0
