"""How the invented staff see to alarms on the pages: those of a past day after it, those of now as they come."""

from __future__ import annotations

import time

from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_alarms import Duty, seen_in_the_past
from firmware.simulator.staff_days import Day
from firmware.simulator.staff_live import Play
from firmware.simulator.staff_plan import Ward
from firmware.simulator.staff_screen import Screen
from firmware.simulator.staff_talk import Teller

_EVERY_S = 2.0
_LATELY_MS = 3 * DAY_MS


class Watch:
    """Looks for alarms.

    Args:
        screen: To ask the pages.
        teller: To say what was seen.
        ward: What the staff know.
        utc_offset_ms: Local time less UTC.
    """

    def __init__(self, screen: Screen, teller: Teller, ward: Ward, utc_offset_ms: int) -> None:
        self._screen, self._teller, self._ward, self._utc_offset_ms = screen, teller, ward, utc_offset_ms
        self._duty, self._from_ms, self._looked_s = Duty(ward, 0, utc_offset_ms), 0, float("-inf")

    def day(self, day: Day) -> None:
        """Say of alarms of a past day when they were seen; raised they are only by now.

        Those of earlier days are among them: not all are seen on their day.

        Raises:
            AwayError: The pages do not answer.
        """
        self._past(0, day.until_ms)

    def _past(self, since_ms: int, until_ms: int) -> None:
        alarms = self._screen.alarms(since_ms)
        self._teller.play(seen_in_the_past(self._ward, alarms, until_ms, self._utc_offset_ms))

    def begin(self, from_ms: int) -> None:
        """What is raised from then on is for whoever is on duty now."""
        self._duty, self._from_ms = Duty(self._ward, from_ms, self._utc_offset_ms), from_ms

    def now(self, play: Play, now_ms: int) -> list[str]:
        """Look, if it is time to; what will be said of new alarms is put into the play.

        Returns:
            Lines for whoever watches.

        Raises:
            AwayError: The pages do not answer.
        """
        if time.monotonic() - self._looked_s < _EVERY_S:
            return []
        self._looked_s = time.monotonic()
        self._past(self._from_ms - _LATELY_MS, self._from_ms)  # those of the last past day come in only now
        lines, items = self._duty.look(self._screen.alarms(self._from_ms), now_ms)
        play.add(items)
        return lines
