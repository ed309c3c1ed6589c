"""Words for what the store keeps as codes and figures, each in one place. Pure."""

from __future__ import annotations

import re

from collector.counting.soaks import PASSING_MS
from dashboard.degrees import fahrenheit_shown, shown, shown_tenths
from dashboard.texts import N_, _
from soak.closure import Closure, Edge, Verdict
from soak.quantity import in_words, tenths
from soak.requirement import Requirement, SensorTerms, most_mc, needs_mc

STANDING_MS = 60 * 60_000
"""Lid on for longer than this is a basin standing by, not a soak (the site limit's default, common practice)."""

_FIGURE_AND_UNIT = re.compile(r"(\d) (ms|s|min|h|°C)\b")
_EDGES = {
    Edge.SEEN: N_("seen"),
    Edge.START: N_("not seen: the watch began with the lid already closed"),
    Edge.LOST: N_("not seen: readings are missing"),
    Edge.GAP: N_("not seen: too long a pause between readings"),
    Edge.STREAM_END: N_("not seen: the node started again"),
    Edge.RUNNING: N_("not yet"),
}


OPENED_EARLY = "opened-early"
_CAUSES = {
    "no-requirement": N_("no requirement"),
    "below-minimum": N_("too cold"),
    "above-maximum": N_("too warm"),
    "guard-band": N_("too close to the limit"),
    "sensor-fault": N_("no temperature"),
    "readings-missing": N_("readings missing"),
    "closing-not-seen": N_("closing not seen"),
    OPENED_EARLY: N_("opened at {time}"),
}
"""Why a closure is not met, by the code of its finding, the nearest cause first."""


def edge_words(edge: Edge) -> str:
    """How a closure began or ended."""
    return _(_EDGES[edge])


def needs_words(requirement: Requirement, terms: SensorTerms) -> str:
    """What the display must show: "needs 20.6 or more", with the most it may show where there is a maximum."""
    most = most_mc(requirement, terms)
    least = bare_tenths(needs_mc(requirement, terms), up=True)
    if most is None:
        return _("needs {least} or more").format(least=least)
    return _("needs {least} to {most}").format(least=least, most=bare_tenths(most))


def bare_tenths(mc: int, *, up: bool = False) -> str:
    """A temperature without its unit, beside one that has it: "20.6"; with degrees Fahrenheit: "20.6 °C (69.1 °F)"."""
    return shown_tenths(mc, up=up) if fahrenheit_shown() else tenths(mc, up=up)


def requirement_words(requirement: Requirement | None) -> str:
    """What the label asks: "12 min at 20 °C or more"."""
    if requirement is None:
        return _("none set")
    contact, least = in_words(requirement.contact_ms), shown(requirement.min_mc)
    if requirement.max_mc is None:
        return _("{contact} at {least} or more").format(contact=contact, least=least)
    return _("{contact} at {least} or more, at most {most}").format(
        contact=contact, least=least, most=shown(requirement.max_mc)
    )


def short_reason(closure: Closure) -> str:
    """Why a closure is not met, the nearest cause in a word or two; empty for one that is met or running."""
    cause = nearest_cause(closure)
    return _(_CAUSES[cause]).format(time=in_words(closure.credited_ms)) if cause else ""


def nearest_cause(closure: Closure) -> str:
    """The code of the finding that says best why a closure is not met; empty for one that is met or running."""
    if closure.verdict not in (Verdict.NOT_MET, Verdict.UNPROVEN):
        return ""
    codes = {finding.code for finding in closure.findings}
    return next((code for code in _CAUSES if code in codes), "")


def proven_words(credited_ms: int, contact_ms: int | None) -> str:
    """Time proven beside the time it must reach: "9 min 10 s of 12 min"; nothing is proven without a requirement."""
    if contact_ms is None:
        return _("nothing")
    return _("{proven} of {contact}").format(proven=in_words(credited_ms), contact=in_words(contact_ms))


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
