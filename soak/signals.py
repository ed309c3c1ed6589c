"""How a basin's light and its node's buzzer say things: colours, flash rates, pulses, each figure with its source.

This is no certified medical alarm system. Patterns follow IEC 60601-1-8 only as far as its figures could be had at
second hand: "published, secondary" below is a public text that cites the standard or a public manual of a device said
to follow it; "from memory" was not checked against anything.

Red, yellow and cyan are for alarms alone. Nothing here is green: a light is not a release, and green would read as one.
No light flashes faster than 2.8 times a second (WCAG 2.2, 2.3.1: three flashes in a second at most; published).
"""

from __future__ import annotations

import enum
from typing import Generic, NamedTuple, TypeVar

from soak.alarms import Priority

MOST_FLASH_HZ = 2.8
"""IEC 60073's normal flashing rate ends here (published, secondary), and WCAG's three flashes a second are above it."""

T = TypeVar("T")


class Colour(NamedTuple):
    """What a light of three colours is set to, each from 0 to 1."""

    red: float
    green: float
    blue: float


DARK, WHITE, BLUE, VIOLET = Colour(0, 0, 0), Colour(1, 1, 1), Colour(0, 0, 1), Colour(1, 0, 1)
RED, YELLOW, CYAN = Colour(1, 0, 0), Colour(1, 1, 0), Colour(0, 1, 1)


class Played(NamedTuple, Generic[T]):
    """What is played in time: values one after the other.

    Attributes:
        steps: Each value and how many milliseconds it lasts, more than 0.
        repeats: It begins again at its end; else the last value stays.
    """

    steps: tuple[tuple[int, T], ...]
    repeats: bool = True

    @property
    def period_ms(self) -> int:
        """How long one round takes."""
        return sum(ms for ms, _ in self.steps)

    def at(self, ms: int) -> tuple[T, int | None]:
        """What is played `ms` milliseconds after the beginning.

        Returns:
            The value, and in how many milliseconds the next one begins; None where nothing will change any more.
        """
        last = self.steps[-1][1]
        if len(self.steps) == 1 or (not self.repeats and ms >= self.period_ms):
            return last, None
        left_ms = max(0, ms) % self.period_ms
        for step_ms, value in self.steps:
            if left_ms < step_ms:
                return value, step_ms - left_ms
            left_ms -= step_ms
        raise AssertionError("a round is as long as its steps")


class Sign(enum.StrEnum):
    """What a basin's light says where no alarm does: our own choice, in colours that no alarm has."""

    IDLE = "idle"
    LOADED = "load in, lid open"
    ADDING = "open now to add a device"
    SOAKING = "soaking"
    MET = "met here, awaiting record"
    UNPROVEN = "load in, unproven: no orders to judge by"
    NO_ORDERS = "no orders to judge by"


SIGN_MS = 4_000
"""One round of every sign that is not steady. Our own choice: calm, and readable at a glance or two."""

TENTHS = 10

_SIGNS: dict[Sign, tuple[tuple[int, Colour], ...]] = {
    Sign.IDLE: ((SIGN_MS, DARK),),
    Sign.LOADED: ((SIGN_MS, WHITE),),
    Sign.ADDING: ((SIGN_MS // 2, WHITE), (SIGN_MS // 2, BLUE)),
    Sign.MET: ((SIGN_MS, BLUE),),
    Sign.UNPROVEN: ((SIGN_MS // 2, VIOLET), (SIGN_MS // 2, DARK)),
    Sign.NO_ORDERS: ((200, VIOLET), (SIGN_MS - 200, DARK)),
}

_FLASHES: dict[Priority, tuple[tuple[int, Colour], ...]] = {
    Priority.HIGH: ((250, RED), (250, DARK)),
    Priority.MEDIUM: ((1_000, YELLOW), (1_000, DARK)),
    Priority.LOW: ((SIGN_MS, CYAN),),
}
"""High: red (published, secondary), 2 Hz of 1.4 to 2.8 Hz, half the time lit of 20 to 60 % (both published, secondary).
Medium: yellow (published, secondary), 0.5 Hz of 0.4 to 0.8 Hz (the band is published, secondary, as IEC 60073's slow
rate; that it is the medium priority's is from memory), half the time lit of 20 to 60 % (from memory).
Low: cyan, steady (published, secondary)."""

LOW_SHARE_MS = 1_000
"""A low alarm leaves the light to what the soak says, but for a second in five: a network that is away must not hide
whether a soak is met. Our own choice, where the standard as we know it has the low colour steady."""


class Shown(NamedTuple):
    """What a light shows.

    Attributes:
        sign: What it says of the basin.
        tenths: Of a soak: how many tenths of the contact time are proven without a break, 0 to 9.
        alarm: Priority of the most urgent alarm that it shows.
    """

    sign: Sign
    tenths: int = 0
    alarm: Priority | None = None

    @classmethod
    def idle(cls) -> Shown:
        """Nothing to say."""
        return cls(Sign.IDLE)

    def in_words(self) -> str:
        """For tables and logs; without figures that change all the time."""
        if self.alarm in (None, Priority.LOW):
            return str(self.sign) if self.alarm is None else f"low alarm; {self.sign}"
        return f"{self.alarm} alarm"


def light(shown: Shown) -> Played[Colour]:
    """What a basin's light plays.

    A soak is blue for as much of every four seconds as is proven, dark for the time left; steady blue is met.
    """
    if shown.alarm in (Priority.HIGH, Priority.MEDIUM):
        return Played(_FLASHES[shown.alarm])
    if shown.sign is Sign.SOAKING:
        lit_ms = SIGN_MS * (2 * min(max(shown.tenths, 0), TENTHS - 1) + 1) // (2 * TENTHS)  # never all, never nothing
        steps: tuple[tuple[int, Colour], ...] = ((lit_ms, BLUE), (SIGN_MS - lit_ms, DARK))
    else:
        steps = _SIGNS[shown.sign]
    if shown.alarm is None:
        return Played(steps)
    low = _FLASHES[Priority.LOW]
    return Played(low if shown.sign is Sign.IDLE else ((LOW_SHARE_MS, CYAN), *steps))


class Burst(NamedTuple):
    """Pulses of the buzzer that belong together.

    Attributes:
        groups: Pulses in each group.
        pulse_ms: How long one lasts.
        gap_ms: Between two of one group.
        group_gap_ms: Between two groups.
        pause_ms: From the end of a burst to the next one; None: it comes once.
    """

    groups: tuple[int, ...]
    pulse_ms: int
    gap_ms: int
    group_gap_ms: int = 0
    pause_ms: int | None = None


BURSTS = {
    Priority.HIGH: Burst((5, 5), pulse_ms=150, gap_ms=120, group_gap_ms=500, pause_ms=5_000),
    Priority.MEDIUM: Burst((3,), pulse_ms=200, gap_ms=200, pause_ms=10_000),
    Priority.LOW: Burst((1,), pulse_ms=200, gap_ms=200),
}
"""High: ten pulses in two groups of five, again after 2.5 to 15 s (all published, secondary).
Medium: three pulses (published, secondary), again after 2.5 to 30 s (from memory).
Low: one pulse (published, secondary; that the standard allows one or two is from memory), again after 15 s at the
earliest (from memory) and here not at all.
How long pulses and gaps are is our own choice: one simple buzzer, no melody. A pause counts from a burst's end; counted
from its beginning it would lie within the same bounds."""


def sound(priority: Priority) -> Played[bool]:
    """What the buzzer plays for an alarm of this priority."""
    burst = BURSTS[priority]
    steps: list[tuple[int, bool]] = []
    for pulses in burst.groups:
        for _ in range(pulses):
            steps += [(burst.pulse_ms, True), (burst.gap_ms, False)]
        steps[-1] = (burst.group_gap_ms or burst.gap_ms, False)
    steps[-1] = (burst.pause_ms or burst.gap_ms, False)
    return Played(tuple(steps), repeats=burst.pause_ms is not None)


class Sounding(NamedTuple):
    """An alarm that asks for the buzzer.

    Attributes:
        priority: How urgent it is.
        since_ms: When it began, on the node's clock.
        code: Its kind: what several basins say of one cause, such as the network, is one alarm.
    """

    priority: Priority
    since_ms: int
    code: str


def loudest(sounding: list[Sounding]) -> Sounding | None:
    """What one buzzer plays for all basins: the most urgent, of these the newest; None where nothing sounds."""
    return min(sounding, key=lambda each: (each.priority.rank, -each.since_ms, each.code), default=None)
