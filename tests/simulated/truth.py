"""What really happens in a basin: its lid and its solution, drawn from the seed before anything watches."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable

from soak.reading import Fault

WARM_MC, JUST_WARM_MC, JUST_COLD_MC, COLD_MC = 21_000, 20_500, 20_499, 18_000
"""With U = 500 m°C and 20 °C asked for: in range, just in range, just out of it, far out."""

CRC_FAULT = Fault("crc", "4b017f")
_FIRST_MOVE_MS = (500, 4_000)
_CLOSED_MS = (
    (1_000, 5_000),  # too short
    (6_000, 9_000),  # about the contact time
    (6_000, 9_000),
    (9_000, 25_000),
    (62_000, 75_000),  # long enough for a page of its own
)
_OPEN_MS = ((40, 900), (1_000, 5_000), (3_000, 9_000))


class Course:
    """Something that changes at certain times and stays as it is between them.

    Args:
        first: How it begins.
    """

    def __init__(self, first: int | Fault) -> None:
        self._from_ms = [0]
        self._content: list[int | Fault] = [first]

    def change(self, ms: int, content: int | Fault) -> None:
        """From `ms` on it is like this; times only rise."""
        self._from_ms.append(ms)
        self._content.append(content)

    def at(self, ms: int) -> int | Fault:
        """How it is at `ms`."""
        return self._content[bisect_right(self._from_ms, ms) - 1]


class Basin:
    """One basin as it really is. Times in milliseconds of true time.

    Args:
        name: Its name on its node.
        sensors: Its sensors.
        rng: Where its story comes from.
    """

    def __init__(self, name: str, sensors: tuple[str, ...], rng: random.Random) -> None:
        self.name, self.sensors = name, sensors
        self._rng = rng
        self._moves_ms: list[int] = []  # lid movements: the first closes it, the second opens it, and so on
        self._courses = {sensor: Course(WARM_MC) for sensor in sensors}
        self._told_to_ms = rng.randrange(*_FIRST_MOVE_MS)

    def closed(self, ms: int) -> bool:
        """Whether the lid's contact is closed."""
        self._tell(ms)
        return bisect_right(self._moves_ms, ms) % 2 == 1

    def moves(self, after_ms: int, to_ms: int) -> list[tuple[int, bool]]:
        """The contact's changes after one time and up to another, each with whether it is closed then."""
        self._tell(to_ms)
        left, right = bisect_right(self._moves_ms, after_ms), bisect_right(self._moves_ms, to_ms)
        return [(self._moves_ms[index], index % 2 == 0) for index in range(left, right)]

    def indicated(self, sensor: str, ms: int) -> int | Fault:
        """What a sensor gives: millidegrees Celsius, or why there are none."""
        self._tell(ms)
        return self._courses[sensor].at(ms)

    def _tell(self, ms: int) -> None:
        """Go on with the story until after `ms`."""
        while self._told_to_ms <= ms:
            rng, closing_ms = self._rng, self._told_to_ms
            opening_ms = closing_ms + rng.randrange(*rng.choice(_CLOSED_MS))
            if rng.random() < 0.2:  # the contact bounces: open again for a few milliseconds
                bounce_ms = closing_ms + rng.randrange(1, 12)
                self._moves_ms += [closing_ms, bounce_ms, bounce_ms + rng.randrange(1, 12)]
            else:
                self._moves_ms.append(closing_ms)
            self._moves_ms.append(opening_ms)
            for course in self._courses.values():
                rng.choice(_SOLUTIONS)(rng, course, closing_ms, opening_ms)
            self._told_to_ms = opening_ms + rng.randrange(*rng.choice(_OPEN_MS))


def _warm(rng: random.Random, course: Course, closing_ms: int, _opening_ms: int) -> None:
    course.change(closing_ms, WARM_MC + rng.randrange(-30, 31))


def _just_warm(_rng: random.Random, course: Course, closing_ms: int, _opening_ms: int) -> None:
    course.change(closing_ms, JUST_WARM_MC)


def _cold(_rng: random.Random, course: Course, closing_ms: int, _opening_ms: int) -> None:
    course.change(closing_ms, COLD_MC)


def _cold_at_first(rng: random.Random, course: Course, closing_ms: int, opening_ms: int) -> None:
    course.change(closing_ms, JUST_COLD_MC)
    course.change(rng.randrange(closing_ms + 1, opening_ms + 1), WARM_MC)


def _dip(rng: random.Random, course: Course, closing_ms: int, opening_ms: int) -> None:
    """Out of range for a second or so in the middle."""
    dip_ms = rng.randrange(closing_ms + 1, opening_ms + 1)
    course.change(closing_ms, WARM_MC)
    course.change(dip_ms, JUST_COLD_MC)
    course.change(dip_ms + 1_200, JUST_WARM_MC)


def _failing(rng: random.Random, course: Course, closing_ms: int, opening_ms: int) -> None:
    """No value for a while; sometimes longer than the longest gap."""
    failing_ms = rng.randrange(closing_ms + 1, opening_ms + 1)
    course.change(closing_ms, WARM_MC)
    course.change(failing_ms, CRC_FAULT)
    course.change(failing_ms + rng.choice((1_100, 3_000, 9_000)), WARM_MC)


_SOLUTIONS: tuple[Callable[[random.Random, Course, int, int], None], ...] = (
    _warm,
    _warm,
    _warm,
    _just_warm,
    _cold,
    _cold_at_first,
    _dip,
    _failing,
)
