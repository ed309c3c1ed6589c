"""Plays signs on the lights and the one buzzer, in a thread of its own: pins that hang or fail hold up nobody.

Flashes are of real time, whatever speed a rehearsal has: they must never be faster than is safe to look at.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

from firmware.watch import Pulse, Watch
from soak.signals import DARK, Colour, Played, Shown, Sounding, light, loudest, sound

log = logging.getLogger(__name__)

MOST_STILL_S = 30.0
_LONGEST_WAIT_S = 5.0
_JOIN_S = 2.0
_SILENT: Played[bool] = Played(((1, False),))


class Outputs(Protocol):
    """What it plays on: `firmware.board.Board`."""

    def light(self, basin: str, red: float, green: float, blue: float) -> None:
        """Set a basin's light; nothing where it has none."""

    def sound(self, *, on: bool) -> None:
        """Turn the buzzer on or off; nothing where there is none."""


class _Score(NamedTuple):
    """What is to be played, each with the real time at which it began."""

    lights: Mapping[str, tuple[Played[Colour], float]]
    sound: tuple[Played[bool], float]


class Signalling:
    """The thread around the pins.

    Args:
        outputs: The pins.
        basins: Whose lights there are.

    Attributes:
        trouble: Why lights and buzzer do not work now, empty while they do.
    """

    def __init__(self, outputs: Outputs, basins: Sequence[str]) -> None:
        self.trouble = ""
        self._outputs = outputs
        self._pulse = Pulse("the thread of lights and buzzer", MOST_STILL_S)
        self._changed = threading.Condition()
        dark = light(Shown.idle())
        self._score = _Score(dict.fromkeys(basins, (dark, 0.0)), (_SILENT, 0.0))
        self._began_s: dict[Sounding, float] = {}
        self._news = self._closing = False
        self._thread = self._new_thread()

    def start(self) -> None:
        """Begin to play."""
        self._pulse.of(self._thread)
        self._thread.start()

    def watch(self, watch: Watch) -> None:
        """Have the thread watched. Readings are worth something without it, so it never ends the process."""
        watch.add(self._pulse, self._mend, vital=False)

    def show(self, shown: Mapping[str, Shown], sounding: Sequence[Sounding]) -> None:
        """Play this from now on. Returns at once. What was played already goes on without a break.

        Args:
            shown: What each basin's light shows.
            sounding: What asks for the buzzer, of all basins.
        """
        now_s = time.monotonic()
        with self._changed:
            lights = {}
            for basin, each in shown.items():
                played, before = light(each), self._score.lights.get(basin)
                lights[basin] = before if before and before[0] == played else (played, now_s)
            self._began_s = {each: self._began_s.get(each, now_s) for each in sounding}
            first = loudest(list(sounding))
            heard = (sound(first.priority), self._began_s[first]) if first else (_SILENT, 0.0)
            if (lights, heard) != self._score:
                self._score, self._news = _Score(lights, heard), True
                self._changed.notify_all()

    def ailment(self) -> str:
        """What is wrong with lights and buzzer, in a few words; nothing while they work."""
        if self.trouble:
            return f"lights and buzzer cannot be set: {self.trouble}"
        return "lights and buzzer stand still" if self._pulse.ailment(MOST_STILL_S) else ""

    def close(self) -> None:
        """End it, with everything dark and silent."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(_JOIN_S)

    def _new_thread(self) -> threading.Thread:
        return threading.Thread(target=self._run, name="signalling", daemon=True)

    def _mend(self) -> None:
        self._thread = self._new_thread()
        self._pulse.of(self._thread)
        self._thread.start()

    def _mine(self) -> bool:
        return threading.current_thread() is self._thread

    def _run(self) -> None:
        set_to: dict[str, Colour | bool] = {}  # what the pins are known to be set to
        while self._mine():
            with self._changed:
                score, self._news, closing = self._score, False, self._closing
            if closing:
                score = _Score(dict.fromkeys(score.lights, (Played(((1, DARK),)), 0.0)), (_SILENT, 0.0))
            wait_s = self._play(score, set_to)
            self._pulse.moved()
            if closing:
                return
            with self._changed:
                self._changed.wait_for(lambda: self._news or self._closing, wait_s)

    def _play(self, score: _Score, set_to: dict[str, Colour | bool]) -> float:
        """Set what is not set so yet; seconds until something changes by itself."""
        now_s, wait_s, problem = time.monotonic(), _LONGEST_WAIT_S, ""
        on, left_ms = score.sound[0].at(_ms(now_s - score.sound[1]))
        wanted: dict[str, Colour | bool] = {"": on}  # no basin has an empty name
        lefts = [left_ms]
        for basin, (played, began_s) in score.lights.items():
            wanted[basin], left_ms = played.at(_ms(now_s - began_s))
            lefts.append(left_ms)
        for name, value in wanted.items():
            if set_to.get(name) == value or not self._mine():
                continue
            try:
                self._set(name, value)
                set_to[name] = value
            except Exception as error:  # whatever a library says: readings go on, and it is tried again
                set_to.pop(name, None)
                problem = str(error) or type(error).__name__
        if problem and not self.trouble:
            log.error("signalling failed problem=%r; it is tried again", problem)
        self.trouble = problem
        return min([wait_s] + [left_ms / 1_000 for left_ms in lefts if left_ms is not None])

    def _set(self, name: str, value: Colour | bool) -> None:
        if isinstance(value, Colour):
            self._outputs.light(name, *value)
        else:
            self._outputs.sound(on=value)


def _ms(seconds: float) -> int:
    return int(seconds * 1_000)
