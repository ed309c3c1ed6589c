"""Names each sensor by warming it in the hand: which one hangs in which basin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from firmware.clock import Clock
from firmware.commissioning.console import Console
from firmware.commissioning.results import Results
from firmware.commissioning.warming import Held, NotHeld, Outcome, Together, Warming, steady_ms
from firmware.sampler import STARTING
from firmware.sensors import Sensors
from firmware.settings import Basin
from host.doctor import Mark
from soak.reading import Fault, SensorId

LOOK_S = 0.2


class Named(NamedTuple):
    """What came of one basin.

    Attributes:
        basin: Its name.
        sensors: The sensors that were warmed, in that order; empty where it was skipped or did not work.
    """

    basin: str
    sensors: Sequence[SensorId]


def temperatures(sensors: Sensors, every: Sequence[SensorId]) -> dict[SensorId, int | Fault]:
    """What each sensor gave last; however old, for a bus with many of them takes seconds for a round."""
    news = sensors.newest()
    return {sensor: news[sensor].result if sensor in news else STARTING for sensor in every}


class Naming:
    """Asks for one sensor after the other.

    Args:
        console: The person.
        sensors: All that are on the bus, being read.
        every: Their ids.
        clock: The node's.
        results: Where it goes.
    """

    def __init__(
        self, console: Console, sensors: Sensors, every: Sequence[SensorId], clock: Clock, results: Results
    ) -> None:
        self._console, self._sensors, self._every = console, sensors, every
        self._clock, self._results = clock, results
        self._taken: dict[SensorId, str] = {}

    def name(self, basin: Basin, *, write: bool) -> Named:
        """Have each sensor of a basin warmed.

        Args:
            basin: As the settings have it.
            write: What is warmed will be written into the settings; else it must be what they say.
        """
        found: list[SensorId] = []
        for number in range(1, len(basin.sensors) + 1):
            which = f"the sensor of basin {basin.name}"
            if len(basin.sensors) > 1:
                which = f"sensor {number} of {len(basin.sensors)} of basin {basin.name}"
            held = self._warmed(which, basin.name)
            if held is None:
                return Named(basin.name, [])
            found.append(held.sensor)
            self._taken[held.sensor] = basin.name
            self._results.add("sensor", *judge_held(held, basin, found, write=write), basin=basin.name)
        return Named(basin.name, found)

    def _warmed(self, which: str, basin: str) -> Held | None:
        while True:
            self._console.say(
                f"\nTake {which} out of the solution, rinse and dry it, and hold its tip in your closed hand. Wear "
                "gloves: the solution harms the skin. Leave the others alone."
            )
            before = self._now()
            if self._console.ask("Hold it, then press Enter. [s = skip]").lower().startswith("s"):
                self._results.skip("sensor", basin)
                return None
            outcome = self._follow(before)
            if outcome is None:
                self._results.skip("sensor", basin)
                return None
            problem = self._problem(outcome)
            if not problem:
                assert isinstance(outcome, Held)  # noqa: S101 - else there is a problem
                return outcome
            self._console.say(problem)
            if self._console.ask("Enter: try again. [n = leave it]").lower().startswith("n"):
                self._results.add("sensor", Mark.WRONG, problem, basin=basin)
                return None

    def _problem(self, outcome: Outcome) -> str:
        if isinstance(outcome, Held):
            if outcome.sensor not in self._taken:
                return ""
            return f"{outcome.sensor} was warmed before, for basin {self._taken[outcome.sensor]}: it cannot be both."
        return told(outcome)

    def _now(self) -> dict[SensorId, int | None]:
        results = temperatures(self._sensors, self._every)
        return {sensor: result if isinstance(result, int) else None for sensor, result in results.items()}

    def _follow(self, before: Mapping[SensorId, int | None]) -> Outcome | None:
        """Watch all sensors until one thing is certain; None where somebody skips it."""
        console, clock = self._console, self._clock
        known = {sensor: mc for sensor, mc in before.items() if mc is not None}
        warming = Warming(known, clock.boot_ms(), steady_ms(len(self._every)))
        outcome: Outcome | None = None
        while outcome is None:
            typed = console.typed(LOOK_S)
            if typed is not None and typed.lower().startswith("s"):
                return None
            outcome = warming.take(clock.boot_ms(), self._now())
            console.show(rising(warming.rises_mc))
        console.show("")
        return outcome


def rising(rises_mc: Mapping[SensorId, int]) -> str:
    """The three that rose most, on one line."""
    ranked = sorted(((rise_mc, sensor) for sensor, rise_mc in rises_mc.items()), reverse=True)[:3]
    return "   ".join(f"{sensor} {rise_mc / 1000:+.1f}" for rise_mc, sensor in ranked) or "no sensor answers"


def told(outcome: Together | NotHeld) -> str:
    """Why nobody can say which sensor was held."""
    if isinstance(outcome, Together):
        return f"{' and '.join(outcome.sensors)} rose together: hold one alone, and let the other cool."
    if not outcome.sensor:
        return "No sensor gave a temperature: check the bus first."
    rise = f"{outcome.sensor} rose most, by {max(0, outcome.rise_mc) / 1000:.1f} °C"
    return (
        f"None rose clearly ({rise}). Let it cool first; in a warm room dip its tip into a cup of warm water instead."
    )


def judge_held(held: Held, basin: Basin, found: Sequence[SensorId], *, write: bool) -> tuple[Mark, str, str]:
    """Whether it is the sensor that the settings have for that basin: a mark, what it means, what to do."""
    rise = f"{held.sensor} was warmed by hand and rose by {held.rise_mc / 1000:.1f} °C"
    rise += f", every other by at most {max(0, held.others_mc) / 1000:.1f} °C" if held.others_mc else ""
    if write or held.sensor in basin.sensors:
        return Mark.GOOD, f"{rise}.", ""
    wanted = [sensor for sensor in basin.sensors if sensor not in found]
    said = f"{rise}; the settings have {', '.join(wanted)} in basin {basin.name}."
    return Mark.WRONG, said, "Run `soakledger commission --write`, or correct `sensors` of that basin by hand."
