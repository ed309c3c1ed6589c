"""The guided check's form: its steps, what has been typed so far, and what is wrong with it. Pure.

Everything typed stands in the page's address until the last step records it. So a reload, the browser's Back, a lost
connection or a change of who is signed in lose nothing. Each step is sent in a body and becomes an address only after a
look: a scanner types into any field, and a badge must not land in an address.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol
from urllib.parse import urlencode

from collector.record.basins.guided import CheckSensor, Read
from collector.scan_label import is_badge
from dashboard.form_reading import CannotError, thousandths
from dashboard.texts import N_, _, many
from soak.sensor_check import LEAST_PAIRS

MOST_ROWS = 12
_LONGEST = 40
_LONGEST_ID = 100
_NAMES = ("sensor", "basin", "reference", "settled", "step")


class Step(enum.StrEnum):
    """A step of the form, in their order."""

    WHAT = "what"
    ICE = "ice"
    WORKING = "working"
    LEFT = "left"
    LOOK = "look"

    @property
    def heading(self) -> str:
        """What it is about."""
        return _(_TITLES[self])


_TITLES = {
    Step.WHAT: N_("Sensor and reference"),
    Step.ICE: N_("Ice point"),
    Step.WORKING: N_("Working temperature"),
    Step.LEFT: N_("Second series"),
    Step.LOOK: N_("Look through and record"),
}
STEPS = tuple(Step)
SERIES = (Step.ICE, Step.WORKING, Step.LEFT)
FIELDS = (*_NAMES, *(f"{series}_{side}" for series in SERIES for side in ("reference", "indicated")))


class Asked(Protocol):
    """What an address or a form gives: each name with its values."""

    def getall(self, key: str, default: list[str], /) -> list[str]:
        """All values of a name."""


class Typed(NamedTuple):
    """What has been typed so far.

    Attributes:
        sensor: Its id.
        basin: "node/name".
        reference: Id of the reference thermometer.
        settled: It is ticked.
        series: By step, rows of what the reference showed and the sensor indicated.
    """

    sensor: str
    basin: str
    reference: str
    settled: bool
    series: Mapping[Step, Sequence[tuple[str, str]]]

    def rows(self, step: Step) -> list[tuple[str, str]]:
        """The rows of a series to show: what there is, and an empty one to go on with."""
        known = list(self.series[step])
        empty = max(1 if len(known) < MOST_ROWS else 0, LEAST_PAIRS - len(known))
        return [*known, *([("", "")] * empty)]

    def pairs(self) -> list[tuple[str, str]]:
        """Everything as names and values, for hidden fields and addresses."""
        found = [("sensor", self.sensor), ("basin", self.basin), ("reference", self.reference)]
        found += [("settled", "yes")] if self.settled else []
        for step in SERIES:
            for shown, indicated in self.series[step]:
                found += [(f"{step}_reference", shown), (f"{step}_indicated", indicated)]
        return found

    def address(self, step: Step) -> str:
        """The form's address at a step."""
        return f"/sensors/check?{urlencode([*self.pairs(), ('step', step.value)])}"

    def with_taken(self, step: Step, row: int, indicated: str) -> Typed:
        """With what the sensor indicates in a row of a series."""
        rows = [*self.series[step], *([("", "")] * max(0, row + 1 - len(self.series[step])))]
        rows[row] = (rows[row][0], indicated)
        return self._replace(series={**self.series, step: rows})


def typed_of(asked: Asked) -> Typed:
    """What an address or a form holds. A value too long to be anything is cut, so that its mistake is told."""
    series = {}
    for step in SERIES:
        shown, indicated = (_all(asked, f"{step}_{side}") for side in ("reference", "indicated"))
        rows = [
            (shown[row] if row < len(shown) else "", indicated[row] if row < len(indicated) else "")
            for row in range(min(MOST_ROWS, max(len(shown), len(indicated))))
        ]
        while rows and not any(rows[-1]):
            rows.pop()
        series[step] = rows
    sensor, basin, reference = (_one(asked, name) for name in ("sensor", "basin", "reference"))
    return Typed(sensor, basin, reference, bool(_one(asked, "settled")), series)


def step_of(text: str) -> Step:
    """The step that is asked for; the first for anything else."""
    return Step(text) if text in STEPS else Step.WHAT


def taken_row(text: str) -> int | None:
    """The row whose button asks for the sensor's reading; None: none does."""
    return int(text) if text.isdecimal() and text.isascii() and int(text) < MOST_ROWS else None


def mistakes(typed: Typed, until: Step) -> dict[Step, list[str]]:
    """What is wrong with the steps before one, by step."""
    found: dict[Step, list[str]] = {}
    for step in STEPS[: STEPS.index(until)]:
        wrong = _wrong_choice(typed) if step is Step.WHAT else _wrong_rows(typed, step)
        if wrong:
            found[step] = wrong
    return found


def _wrong_choice(typed: Typed) -> list[str]:
    found = [] if typed.sensor and typed.basin else [_("Choose the sensor.")]
    return found if typed.reference else [*found, _("Choose the reference thermometer.")]


def _wrong_rows(typed: Typed, step: Step) -> list[str]:
    found = []
    rows = typed.series[step]
    for number, row in enumerate(rows, 1):
        for name, text in zip((_("Reference shows"), _("Sensor indicates")), row, strict=True):
            if not text:
                said = _("This must be filled in.")
            else:
                try:
                    thousandths(text)
                    continue
                except CannotError as error:
                    said = str(error)
            found.append(_("Pair {number}, “{name}”: {said}").format(number=number, name=name, said=said))
    if len(rows) < LEAST_PAIRS and not (step is Step.LEFT and not rows):
        text = many("There is {n} pair; it takes {least}.", "There are {n} pairs; it takes {least}.", len(rows))
        found.append(text.format(n=len(rows), least=LEAST_PAIRS))
    if step is Step.WORKING and not typed.settled:
        found.append(_("Say that both had settled before each pair."))
    return found


def deed_of(typed: Typed) -> CheckSensor:
    """The deed that it says, once `mistakes` finds none.

    Raises:
        CannotError: A row is no temperature.
        msgspec.ValidationError: Something is beyond what can be.
    """
    ice, working, left = (
        tuple(Read(thousandths(shown), thousandths(indicated)) for shown, indicated in typed.series[step])
        for step in SERIES
    )
    return CheckSensor(
        basin=typed.basin,
        sensor=typed.sensor,
        reference=typed.reference,
        ice=ice,
        working=working,
        as_left=left,
        settled=typed.settled,
    )


def _all(asked: Asked, name: str) -> list[str]:
    return [_harmless(text)[:_LONGEST] for text in asked.getall(name, [])]


def _one(asked: Asked, name: str) -> str:
    return next((_harmless(text)[:_LONGEST_ID] for text in asked.getall(name, [])), "")


def _harmless(text: object) -> str:
    """What was typed, without spaces around it; nothing where a badge is in it, or a file."""
    if not isinstance(text, str) or any(is_badge(part) for part in re.split(r"[^A-Za-z]+", text)):
        return ""
    return text.strip()
