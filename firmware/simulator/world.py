"""The world behind a simulated node: plays scripts onto the 1-Wire tree and the pins, in the rehearsal's time."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator, Sequence
from random import Random

from firmware.clock import Clock
from firmware.settings import Basin as BasinSettings
from firmware.simulator.basin import NOISE_MC, Basin, sixteenths
from firmware.simulator.live import live_scripts
from firmware.simulator.pins import Hand
from firmware.simulator.scenario import PlayedBasin
from firmware.simulator.script import DAY_MS, Act, Step, Trouble
from firmware.simulator.talk import Telling
from firmware.simulator.wire1 import GONE_AFTER_MS, Tree
from soak.wire import BasinSide

_BEAT_MS = 200  # of the rehearsal: acts wait no longer than this
_CONVERSION_MS = 900
_LONGEST_STEP_MS = 5_000
_LEAD_MS = 15 * 60_000  # scenes may begin this long before the rehearsal


class PlayedOut:
    """One basin, played: its script, its physics and its sensors.

    Args:
        settings: Pins and sensors, as the node knows them.
        played: What stands behind them.
        key: Node and basin.
        seed: The clinic's.
        began_ms: When the play began, on the wall clock.
        utc_offset_ms: Local time less UTC.
    """

    def __init__(
        self, settings: BasinSettings, played: PlayedBasin, key: str, *, seed: int, began_ms: int, utc_offset_ms: int
    ) -> None:
        self.settings, self.played = settings, played
        self.basin = Basin(played.shape, played.solution_mc)
        self.telling = Telling(played.title, played.habits.contact_ms)
        self._utc_offset_ms = utc_offset_ms
        scripts = live_scripts(played.habits, seed, key, began_ms, played.scene)
        self._steps: Iterator[Step] = itertools.chain.from_iterable(script.steps for script in scripts)
        self._next = next(self._steps)
        self._now_ms = began_ms - _LEAD_MS
        self._dice = Random(f"{seed}/{key}/noise")  # noqa: S311 - a play, not a secret
        self._troubles: dict[int, tuple[Trouble, int, int]] = {}
        self._converted_ms = 0

    def advance(self, now_ms: int) -> Iterator[Step]:
        """Let time pass.

        Yields:
            Each act as it happens; the basin has already felt it.
        """
        while self._next.at_ms <= now_ms:
            step, self._next = self._next, next(self._steps)
            self._cool(step.at_ms)
            self.basin.act(step)
            if step.trouble:
                self._troubles[step.sensor] = (step.trouble, step.at_ms, step.at_ms + step.for_ms)
            yield step
        self._cool(now_ms)

    def _cool(self, to_ms: int) -> None:
        while self._now_ms < to_ms:
            next_ms = min(to_ms, self._now_ms + _LONGEST_STEP_MS)
            ms_of_day = (next_ms + self._utc_offset_ms) % DAY_MS
            room_mc = self.played.room.at_mc(ms_of_day, cold_before=False, cold_after=False)
            self.basin.step((next_ms - self._now_ms) / 1000, room_mc)
            self._now_ms = next_ms

    def convert(self, tree: Tree, now_ms: int) -> Iterator[str]:
        """Each sensor ends a conversion, if the last one is long enough ago.

        Yields:
            Words for people about a trouble that is over.
        """
        if now_ms - self._converted_ms < _CONVERSION_MS:
            return
        self._converted_ms = now_ms
        for index, sensor in enumerate(self.settings.sensors):
            true_mc = self.basin.upper_mc if index % 2 else self.basin.lower_mc
            offset_mc = self.played.offsets_mc[index % len(self.played.offsets_mc)]
            code = sixteenths(true_mc, offset_mc, self._dice.gauss(0, NOISE_MC))
            trouble, began_ms, ends_ms = self._troubles.get(index, (None, 0, 0))
            if trouble is None:
                tree.indicate(sensor, code)
            elif now_ms >= ends_ms:
                del self._troubles[index]
                tree.plug_in(sensor)
                tree.indicate(sensor, code)
                yield self.telling.over(trouble, sensor)
            elif trouble is Trouble.UNPLUGGED and now_ms - began_ms > GONE_AFTER_MS:
                tree.remove(sensor)
            else:
                tree.fail(sensor, trouble, code)


class World:
    """Everything behind one node.

    Args:
        basins: Its basins.
        tree: Where the sensors are.
        hand: Moves the switches.
        clock: The rehearsal's.
        tell: Told what happens: time on the wall clock and words for people.
        cut_power: Ends the node as a power cut does; not expected to return.
        sides: What the node signals at its basins now.
        shortest_beat_s: Real seconds between two looks at the scripts, at least.
    """

    def __init__(
        self,
        basins: Sequence[PlayedOut],
        *,
        tree: Tree,
        hand: Hand,
        clock: Clock,
        tell: Callable[[int, str], None],
        cut_power: Callable[[], None],
        sides: Callable[[], Sequence[BasinSide]] = list,
        shortest_beat_s: float = 0.02,
    ) -> None:
        self._basins, self._tree, self._hand, self._clock = basins, tree, hand, clock
        self._tell, self._cut_power, self._shortest_beat_s = tell, cut_power, shortest_beat_s
        self._sides, self._signalled = sides, dict[str, str]()

    def set_up(self) -> None:
        """Bring everything to how it stands now, unseen: the switches do not bounce and nobody talks.

        After a power cut this is where the time without power went by.
        """
        now_ms = self._clock.utc_ms()
        for basin in self._basins:
            for step in basin.advance(now_ms):
                basin.telling.of(step)
            list(basin.convert(self._tree, now_ms))
            self._hand.set(basin.settings.lid_pin, closed=not basin.basin.lid_open)
            if basin.settings.button_pin is not None:
                self._hand.set(basin.settings.button_pin, closed=False)

    def run(self, stop: threading.Event) -> None:
        """Play until `stop` is set."""
        while not stop.wait(max(self._clock.real_s(_BEAT_MS), self._shortest_beat_s)):
            now_ms = self._clock.utc_ms()
            for basin in self._basins:
                for step in basin.advance(now_ms):
                    self._act(basin, step)
                for words in basin.convert(self._tree, now_ms):
                    self._tell(now_ms, words)
            self._tell_signals(now_ms)

    def _tell_signals(self, now_ms: int) -> None:
        """Nobody sees lights and hears buzzers of mock pins: say when an alarm begins."""
        alarms = {side.basin: side.alarm for side in self._sides()}
        for basin in self._basins:
            code = alarms.get(basin.settings.name, "")
            if code != self._signalled.get(basin.settings.name, "") and (words := basin.telling.signalled(code)):
                self._tell(now_ms, words)
        self._signalled = alarms

    def _act(self, basin: PlayedOut, step: Step) -> None:
        words = basin.telling.of(step, basin.settings.sensors[step.sensor])
        if words:
            self._tell(step.at_ms, words)
        match step.act:
            case Act.OPEN | Act.CLOSE:
                self._hand.move(basin.settings.lid_pin, closed=step.act is Act.CLOSE)
            case Act.BUTTON if basin.settings.button_pin is not None:
                self._hand.press(basin.settings.button_pin)
            case Act.POWER_CUT:
                self._cut_power()
            case _:
                pass
