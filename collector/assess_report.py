"""What `soakledger assess` prints: JSON for programs, a table for people. Each closure is written as it ends."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any, Protocol

import click

from collector.logclosures import Entry
from soak.closure import Verdict
from soak.quantity import celsius, in_words
from soak.requirement import Requirement, SensorTerms

AID = "A monitoring aid: the product's label and the device maker's instructions decide."
UNNUMBERED = "The file has no number column: a line cut out of it cannot be noticed."


class Report(Protocol):
    """Where closures go."""

    started: bool

    def add(self, entry: Entry) -> None:
        """Write one closure."""

    def finish(self) -> None:
        """The file is at its end."""


class JsonReport:
    """One JSON object on standard output, complete only after `finish`."""

    def __init__(self, requirement: Requirement, terms: SensorTerms) -> None:
        self.started = False
        self._head = {
            "min_temp_c": requirement.min_mc / 1000,
            "max_temp_c": _thousandth(requirement.max_mc),
            "contact_s": requirement.contact_ms / 1000,
            "max_gap_s": requirement.max_gap_ms / 1000,
            "uncertainty_c": terms.u_mc / 1000,
            "correction_c": terms.correction_mc / 1000,
        }

    def add(self, entry: Entry) -> None:
        closure = entry.closure
        fields = {
            "closed_at": entry.closed_at,
            "closing_seen": closure.closing_seen,
            "opened_at": entry.opened_at,
            "opening_seen": closure.opening_seen,
            "closed_s": closure.closed_ms / 1000,
            "credited_s": closure.credited_ms / 1000,
            "verdict": closure.verdict.value,
            "findings": [{"code": finding.code, "text": finding.text} for finding in closure.findings],
            "coldest_c": _thousandth(closure.coldest_mc),
            "allowance_c": _thousandth(closure.allowance_mc),
        }
        _write((",\n  " if self.started else self._opening() + "\n  ") + _json(fields))
        self.started = True

    def finish(self) -> None:
        _write("\n]}\n" if self.started else self._opening() + "]}\n")

    def _opening(self) -> str:
        return f'{{"requirement": {_json(self._head)},\n "closures": ['


class TableReport:
    """A table on standard output; on standard error what it means.

    Args:
        time_column: Name of the file's time column.
        numbered: The file has a number column.
    """

    def __init__(self, time_column: str, numbered: bool) -> None:
        self.started = False
        self._seconds = time_column == "time_s"
        self._width = 18 if self._seconds else 29
        self._numbered = numbered
        self._verdicts: Counter[Verdict] = Counter()

    def add(self, entry: Entry) -> None:
        closure = entry.closure
        if not self.started:
            self._row("closing", "closed for", "proven", "coldest", "verdict")
            self.started = True
        self._row(
            f"{entry.closed_at:.3f} s" if isinstance(entry.closed_at, float) else entry.closed_at,
            in_words(closure.closed_ms),
            in_words(closure.credited_ms),
            "unknown" if closure.coldest_mc is None else celsius(closure.coldest_mc),
            closure.verdict.value,
        )
        for finding in closure.findings:
            click.echo(f"    {finding.text}")
        self._verdicts[closure.verdict] += 1

    def finish(self) -> None:
        total = self._verdicts.total()
        if total:
            counts = ", ".join(f"{self._verdicts[verdict]} {verdict}" for verdict in Verdict if self._verdicts[verdict])
            click.echo(f"{total} closure{'s' if total > 1 else ''}: {counts}.", err=True)
        else:
            click.echo("No closure: the lid was never closed in this file.", err=True)
        if not self._numbered:
            click.echo(UNNUMBERED, err=True)
        click.echo(AID, err=True)

    def _row(self, closing: str, closed: str, proven: str, coldest: str, verdict: str) -> None:
        click.echo(f"{closing:<{self._width}}  {closed:<13}  {proven:<13}  {coldest:<9}  {verdict}")


def _thousandth(value: int | None) -> float | None:
    return None if value is None else value / 1000


def _json(fields: dict[str, Any]) -> str:
    return json.dumps(fields, ensure_ascii=False, allow_nan=False)


def _write(text: str) -> None:
    click.echo(text.encode(), nl=False)  # JSON is UTF-8 whatever the terminal is
