"""Words for what the store keeps as codes and figures, each in one place. Pure."""

from __future__ import annotations

import re

from soak.closure import Closure, Edge, Verdict
from soak.quantity import celsius, in_words
from soak.requirement import Requirement, SensorTerms

STANDING_MS = 60 * 60_000
"""Lid on for longer than this is a basin standing by, not a soak (the site limit's default, common practice)."""
PASSING_MS = 60_000
"""Lid on for less than this is a lid put down in passing."""

_FIGURE_AND_UNIT = re.compile(r"(\d) (ms|s|min|h|°C)\b")
_FAULTS = {
    "no-answer": "does not answer; push its plug home",
    "crc": "garbled answer; check its cable and plug",
    "shorted": "data line shorted; check its cable",
    "absent": "not there; push its plug home",
    "unplugged": "unplugged; push its plug home",
    "power-on": "lost power and has measured nothing since; check its plug",
    "too-little-power": "too little power to measure; check its supply wire",
    "resolution": "set to a coarser resolution; have it set to 12 bits",
    "out-of-range": "says something it cannot measure; replace it",
    "garbled": "garbled answer; check its cable and plug",
    "starting": "has not measured yet",
    "stale": "no new value for more than 2 s; check its cable and plug",
}
NOT_READ = "not read by its node; compare the sensor ids in both settings files"
_EDGES = {
    Edge.SEEN: "seen",
    Edge.START: "not seen: the watch began with the lid already closed",
    Edge.LOST: "not seen: readings are missing",
    Edge.GAP: "not seen: too long a pause between readings",
    Edge.STREAM_END: "not seen: the node started again",
    Edge.RUNNING: "not yet",
}


def fault_words(code: str) -> str:
    """What is wrong with a sensor and what to do; an unknown code stands for itself."""
    return _FAULTS.get(code, f"fault “{code}”")


def edge_words(edge: Edge) -> str:
    """How a closure began or ended."""
    return _EDGES[edge]


def tenths(mc: int, *, up: bool = False) -> str:
    """A temperature as a display shows it, in whole tenths: 21312 is "21.3"; rounded down, or up on request."""
    tenth = -(-mc // 100) if up else mc // 100
    return f"{'-' if tenth < 0 else ''}{abs(tenth) // 10}.{abs(tenth) % 10}"


def needs_mc(requirement: Requirement, terms: SensorTerms) -> int:
    """What a sensor must indicate at least, so that its corrected value less its U reaches the minimum."""
    return requirement.min_mc + terms.u_mc - terms.correction_mc


def most_mc(requirement: Requirement, terms: SensorTerms) -> int | None:
    """What a sensor may indicate at most; None where the label prints no maximum."""
    return None if requirement.max_mc is None else requirement.max_mc - terms.u_mc - terms.correction_mc


def needs_words(requirement: Requirement, terms: SensorTerms) -> str:
    """What the display must show: "needs 20.6 or more", with the most it may show where there is a maximum."""
    most = most_mc(requirement, terms)
    least = tenths(needs_mc(requirement, terms), up=True)
    return f"needs {least} or more" if most is None else f"needs {least} to {tenths(most)}"


def requirement_words(requirement: Requirement | None) -> str:
    """What the label asks: "12 min at 20 °C or more"."""
    if requirement is None:
        return "none set"
    text = f"{in_words(requirement.contact_ms)} at {celsius(requirement.min_mc)} or more"
    return text if requirement.max_mc is None else f"{text}, at most {celsius(requirement.max_mc)}"


def short_reason(closure: Closure) -> str:
    """Why a closure is not met, the nearest cause in a word or two; empty for one that is met or running."""
    if closure.verdict not in (Verdict.NOT_MET, Verdict.UNPROVEN):
        return ""
    codes = {finding.code for finding in closure.findings}
    causes = {
        "no-requirement": "no requirement",
        "below-minimum": "too cold",
        "above-maximum": "too warm",
        "guard-band": "too close to the limit",
        "sensor-fault": "no temperature",
        "readings-missing": "readings missing",
        "closing-not-seen": "closing not seen",
        "opened-early": f"opened at {in_words(closure.credited_ms)}",
    }
    return next((words for code, words in causes.items() if code in codes), "")


def proven_words(credited_ms: int, contact_ms: int | None) -> str:
    """Time proven beside the time it must reach: "9 min 10 s of 12 min"; nothing is proven without a requirement."""
    return "nothing" if contact_ms is None else f"{in_words(credited_ms)} of {in_words(contact_ms)}"


def quiet(closed_ms: int) -> bool:
    """A closure that people need not look at first: the lid put down in passing, or a basin standing by."""
    return closed_ms < PASSING_MS or closed_ms > STANDING_MS


def together(text: str) -> str:
    """The text with figures and their units kept on one line."""
    return _FIGURE_AND_UNIT.sub("\\1\u00a0\\2", text)


def counter(ms: int) -> str:
    """Time left as a clock shows it: "4:36"; a started second counts whole."""
    seconds = -(-ms // 1000)
    return f"{seconds // 60}:{seconds % 60:02d}"
