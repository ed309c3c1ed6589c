"""Tries lid, button, light and buzzer with the person who stands before them."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable

from firmware.board import Board, Edge, Switch
from firmware.clock import Clock
from firmware.commissioning.console import Console, yes
from firmware.commissioning.results import Results
from firmware.commissioning.switching import Judged, judge_button, judge_buzzer, judge_lid, judge_light
from firmware.lid import SETTLE_MS
from firmware.settings import Basin, Settings

LOOK_S = 0.05
PATIENCE_MS = 60_000
"""For so long a movement is waited for. Our own choice."""

COLOURS = (("red", (1.0, 0.0, 0.0)), ("green", (0.0, 1.0, 0.0)), ("blue", (0.0, 0.0, 1.0)))
_BEEP_S, _BEEPS = 0.4, 3


class Trying:
    """The parts at the basins.

    Args:
        console: The person.
        board: The pins.
        edges: What the board's switches say.
        clock: The node's.
        results: Where it goes.
    """

    def __init__(
        self, console: Console, board: Board, edges: queue.Queue[Edge], clock: Clock, results: Results
    ) -> None:
        self._console, self._board, self._edges = console, board, edges
        self._clock, self._results = clock, results
        self._pressed: dict[str, bool] = {}

    def all(self, settings: Settings) -> None:
        """Everything, basin by basin; the one buzzer at the end."""
        for basin in settings.basins:
            self._console.say(f"\nBasin {basin.name}")
            self.lid(basin.name)
            if basin.button_pin is not None:
                self.button(basin.name)
            if basin.light:
                self.light(basin)
        if settings.buzzer_pin is not None:
            self.buzzer()

    def lid(self, basin: str) -> None:
        """Open, shut, open again."""

        def level() -> bool:
            return self._board.closed(basin)

        if self._console.ask(f"Open the lid of basin {basin}, then press Enter. [s = skip]").lower().startswith("s"):
            self._results.skip("lid", basin)
            return
        first = level()
        shut = self._moved("Now put the lid on, over the thickest cable that will ever hang out of it.", level, first)
        again = first if shut is None else self._moved("Now open it again.", level, shut)
        if shut is None or again is None:
            self._results.skip("lid", basin)
            return
        self._keep("lid", basin, judge_lid(first, shut, again))

    def button(self, basin: str) -> None:
        """Pressed and let go."""

        def level() -> bool:
            self._take_edges()
            return self._pressed.get(basin, False)

        first = level()
        pressed = self._moved(f"Press the button of basin {basin} and hold it.", level, first)
        after = first if pressed is None else self._moved("Now let go of it.", level, pressed)
        if pressed is None or after is None:
            self._results.skip("button", basin)
            return
        self._keep("button", basin, judge_button(first, pressed, after))

    def light(self, basin: Basin) -> None:
        """Each colour, and whether it was seen."""
        missed: list[str] = []
        skipped = False
        for name, colour in COLOURS:
            self._board.light(basin.name, *colour)
            seen = yes(self._console, f"Does the light of basin {basin.name} show {name}?")
            skipped = skipped or seen is None
            if seen is False:
                missed.append(name)
        self._board.light(basin.name, 0.0, 0.0, 0.0)
        if skipped and not missed:
            self._results.skip("light", basin.name)
        else:
            self._keep("light", basin.name, judge_light(missed))

    def buzzer(self) -> None:
        """Three times, and whether it was heard."""
        self._console.say("\nBuzzer")
        while True:
            self._beep()
            answer = self._console.ask("Did you hear the buzzer three times? [y, n, s = skip, Enter = again]").lower()
            if answer.startswith(("y", "n")):
                self._keep("buzzer", None, judge_buzzer(heard=answer.startswith("y")))
            elif answer.startswith("s"):
                self._results.skip("buzzer")
            else:
                continue
            return

    def _beep(self) -> None:
        for _ in range(_BEEPS):
            self._board.sound(on=True)
            time.sleep(self._clock.real_s(round(_BEEP_S * 1000)))
            self._board.sound(on=False)
            time.sleep(self._clock.real_s(round(_BEEP_S * 1000)))

    def _moved(self, asked: str, level: Callable[[], bool], before: bool) -> bool | None:
        """The level after somebody was asked to change it; None where it is skipped.

        It is read as soon as it is still at another level, or at Enter, or when nobody moved it in time.
        """
        self._console.say(f"{asked} [Enter = done, s = skip]")
        began_ms = changed_ms = self._clock.boot_ms()
        last = before
        while self._clock.boot_ms() - began_ms < PATIENCE_MS:
            typed = self._console.typed(LOOK_S)
            if typed is not None and typed.lower().startswith("s"):
                return None
            now_ms, now = self._clock.boot_ms(), level()
            if now != last:
                last, changed_ms = now, now_ms
            if typed is not None or (now != before and now_ms - changed_ms >= SETTLE_MS):
                return now
        return level()

    def _take_edges(self) -> None:
        while not self._edges.empty():
            edge = self._edges.get()
            if edge.switch is Switch.BUTTON:
                self._pressed[edge.basin] = edge.active

    def _keep(self, code: str, basin: str | None, judged: Judged) -> None:
        self._results.add(code, judged.mark, judged.said, judged.todo, basin)
