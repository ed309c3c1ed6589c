"""What can be wrong with a soak while it runs, from what is known of its basin now. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from collector.alarms.held import Held, Key
from collector.fault_words import fault_words
from collector.read import BasinNow
from collector.record.things import Fill, Load
from soak.closure import Closure, Verdict
from soak.quantity import celsius, in_words
from soak.reading import Lid
from soak.requirement import Judge


class Soaking(NamedTuple):
    """A basin with a load in it.

    Attributes:
        basin: "node/name".
        label: As people call it.
        load: The load.
        unmet: How many of its devices have no closure that met.
        now: Its newest reading; None where there is none.
        judge: What a reading must fulfil; None where nothing is required.
        silent: Why nothing is heard of it; empty while it is heard.
        fill: What it lies in.
        unusable: Why that must not be used, empty if it may.
        immersed_ms: For how long the load has been in the solution.
        longest_ms: For how long it may be.
        at_ms: Now, milliseconds since 1970.
    """

    basin: str
    label: str
    load: Load
    unmet: int
    now: BasinNow | None
    judge: Judge | None
    silent: str
    fill: Fill | None
    unusable: str
    immersed_ms: int
    longest_ms: int
    at_ms: int

    @property
    def running(self) -> Closure | None:
        """The closure in progress, as far as it is judged."""
        return self.now.closure if self.now else None

    @property
    def closed(self) -> bool:
        """The lid is on."""
        return self.now is not None and self.now.lid is Lid.CLOSED

    def held(self, code: str, text: str, *, cause_ms: int | None = None, about: str = "") -> Held:
        """One thing that is so."""
        evidence = {"load": self.load.id}
        if self.fill:
            evidence["fill"] = self.fill.id
        if self.now:
            evidence["reading"] = f"{self.now.stream}:{self.now.number}"
        cause_ms = self.at_ms if cause_ms is None else cause_ms
        return Held(Key(code, about or self.basin), f"{self.label}: {text}", cause_ms, self.basin, evidence)


def soaking_held(soak: Soaking) -> Iterator[Held]:
    """Everything that is so of a basin with a load in it."""
    if soak.unusable:
        yield soak.held("bad-fill", soak.unusable, about=soak.load.id)
    if soak.silent:
        yield soak.held("readings-missing", f"nothing is heard of this soak ({soak.silent}).")
    elif soak.closed:
        yield from _temperature(soak)
    if soak.immersed_ms > soak.longest_ms:
        yield soak.held(
            "over-immersed",
            f"in the solution for {in_words(soak.immersed_ms)}; the longest is {in_words(soak.longest_ms)}.",
            cause_ms=soak.at_ms - (soak.immersed_ms - soak.longest_ms),
            about=soak.load.id,
        )
    yield from _waiting(soak)


def _temperature(soak: Soaking) -> Iterator[Held]:
    """By the newest reading; only while something in it has still to meet."""
    now, judge = soak.now, soak.judge
    if now is None or judge is None or not soak.unmet or _met(soak):
        return
    judged = judge.of(now.mc)
    minimum = celsius(judge.requirement.min_mc, up=True)
    if judged is None:
        missing = [sensor for sensor in judge.sensors if now.mc.get(sensor) is None]
        why = {fault_words(now.fault[sensor].code) for sensor in missing if sensor in now.fault}
        yield soak.held("sensor-fault", f"no temperature ({', '.join(sorted(why)) or 'not read'}).")
    elif judged.lowest_mc < judge.requirement.min_mc:
        text = f"{celsius(judged.lowest_mc)}, below the minimum of {minimum}."
        yield soak.held("below-minimum", text)
    elif judged.margin_mc < 0:
        text = f"{celsius(judged.lowest_mc)}: with its uncertainty not proven to be at {minimum}."
        yield soak.held("guard-band", text)
    if judged is not None and judged.above and judge.requirement.max_mc is not None:
        maximum = celsius(judge.requirement.max_mc)
        text = f"{celsius(judged.highest_mc, up=True)}: not proven to be within the maximum of {maximum}."
        yield soak.held("above-maximum", text)


def _waiting(soak: Soaking) -> Iterator[Held]:
    closure, now = soak.running, soak.now
    if closure is None or now is None or closure.requirement is None:
        return
    closed_ms = now.at_utc_ms - now.ms + closure.closing_ms
    ready_ms = closed_ms + closure.requirement.contact_ms
    if _met(soak):
        yield soak.held(
            "soak-waits", "the soak has met; its devices wait to be taken out and rinsed.", cause_ms=ready_ms
        )
    elif soak.fill and soak.unmet and not soak.unusable and soak.fill.use_by_ms < ready_ms:
        text = f"fill {soak.fill.id} runs out ({soak.fill.use_by_why}) before this soak can be met."
        yield soak.held("fill-ends-in-soak", text)


def _met(soak: Soaking) -> bool:
    closure = soak.running
    return closure is not None and closure.verdict is Verdict.MET
