"""Words for what the store keeps as codes and figures, each in one place. Pure."""

from __future__ import annotations

import re

from soak.closure import Closure, Edge, Verdict
from soak.quantity import celsius, in_words, tenths
from soak.requirement import Requirement, SensorTerms, most_mc, needs_mc

STANDING_MS = 60 * 60_000
"""Lid on for longer than this is a basin standing by, not a soak (the site limit's default, common practice)."""
PASSING_MS = 60_000
"""Lid on for less than this is a lid put down in passing."""

_FIGURE_AND_UNIT = re.compile(r"(\d) (ms|s|min|h|°C)\b")
_EDGES = {
    Edge.SEEN: "seen",
    Edge.START: "not seen: the watch began with the lid already closed",
    Edge.LOST: "not seen: readings are missing",
    Edge.GAP: "not seen: too long a pause between readings",
    Edge.STREAM_END: "not seen: the node started again",
    Edge.RUNNING: "not yet",
}


def edge_words(edge: Edge) -> str:
    """How a closure began or ended."""
    return _EDGES[edge]


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
