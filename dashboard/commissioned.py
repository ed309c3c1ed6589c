"""How nodes were commissioned, in words: when, by whom, what failed or was left out. What was found is in English."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from collector.ledger import Record
from collector.machine import NodeCommissioned
from dashboard.texts import N_, _, many
from dashboard.when import SiteTime
from soak.decoding import from_json
from soak.wire import CommissionCheck

_GOOD = ("good", "note")
_MARKS = {
    "good": N_("good"),
    "note": N_("note"),
    "wrong": N_("wrong"),
    "not seen": N_("not seen"),
    "skipped": N_("skipped"),
}
_CODES = {
    "answer": N_("a sensor’s answer"),
    "broker": N_("broker"),
    "bus": N_("1-Wire bus"),
    "button": N_("button"),
    "buzzer": N_("buzzer"),
    "certificate": N_("broker’s certificate"),
    "clock": N_("clock"),
    "disk": N_("disk"),
    "lid": N_("lid"),
    "light": N_("light"),
    "orders": N_("collector’s orders"),
    "pins": N_("pins"),
    "receipt": N_("collector’s receipt"),
    "sensor": N_("sensor"),
    "sensors": N_("sensors’ names"),
    "settings": N_("settings"),
}


class Check(NamedTuple):
    """One thing that was looked at: what, how it was found, what was found."""

    what: str
    mark: str
    said: str


class Commissioning(NamedTuple):
    """A node with its last commissioning.

    Attributes:
        node: Its name.
        text: When, by whom, how many checks; or that there was none.
        open: What failed, was not seen, or was left out.
        record: Number of its record; None where there was none.
    """

    node: str
    text: str
    open: list[Check]
    record: int | None = None


def commissionings(
    nodes: Iterable[str], last: Mapping[str, tuple[int, NodeCommissioned]], when: SiteTime
) -> list[Commissioning]:
    """One for each node, in their order."""
    found = []
    for node in nodes:
        number, said = last.get(node, (None, None))
        if said is None:
            text = _("Never commissioned. When no device is in its basins, run soakledger commission on it.")
            found.append(Commissioning(node, text, []))
        else:
            found.append(Commissioning(node, _text(said, when), _open(said), number))
    return found


def _text(said: NodeCommissioned, when: SiteTime) -> str:
    done = said.commissioned
    text = many(
        "Commissioned on {day} by {who} (as typed there), {n} check.",
        "Commissioned on {day} by {who} (as typed there), {n} checks.",
        len(done.checks),
    ).format(day=when.day(said.at_utc_ms), who=done.by, n=len(done.checks))
    if not done.synced:
        text += " " + _("Its clock was not synchronised: the date may be wrong.")
    return text


def _open(said: NodeCommissioned) -> list[Check]:
    return [_check(each) for each in said.commissioned.checks if each.mark not in _GOOD]


def _check(check: CommissionCheck) -> Check:
    what = _(_CODES[check.code]) if check.code in _CODES else check.code
    if check.basin is not None:
        what = _("{what} of basin {basin}").format(what=what, basin=check.basin)
    return Check(what, _(_MARKS[check.mark]) if check.mark in _MARKS else check.mark, check.said)


class Told(NamedTuple):
    """What a record of a commissioning says.

    Attributes:
        text: In one sentence or two.
        checks: Everything that was looked at.
        figures: What was measured, by its name.
    """

    text: str
    checks: list[Check]
    figures: Mapping[str, int]


def told(record: Record, when: SiteTime) -> Told | None:
    """What a record of a commissioning says, in words; None for any other record."""
    if record.kind != NodeCommissioned.KIND:
        return None
    said = from_json(record.body, NodeCommissioned)
    return Told(_text(said, when), [_check(each) for each in said.commissioned.checks], said.commissioned.figures)
