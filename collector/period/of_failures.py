"""Soaks that failed: why, what became of each device, what people wrote. Nobody is named."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import msgspec

from collector.counting import failures, stored
from collector.counting.failures import Became, became_of
from collector.counting.soaks import Round, Sorted, Watched
from collector.period.looking import Looking, utc
from collector.period.parts import Part, Section, Shown, Table, plural
from collector.record.things import Stage, Turn
from soak.closure import Closure
from soak.decoding import from_json
from soak.quantity import in_words

_MOST_CAUSES = 3
"""Findings that stand on the paper, as the rule gives them: the disinfection record has all."""


class _Full(msgspec.Struct, frozen=True):
    closure: Closure


class Failure(NamedTuple):
    """A soak that failed.

    Attributes:
        soak: It.
        why: In words, from its findings.
        devices: What became of each device.
        texts: What people wrote of it, without names.
        withheld: How many texts name somebody.
        settled: The record says what was done.
    """

    soak: Sorted
    why: str
    devices: list[str]
    texts: list[str]
    withheld: int
    settled: bool


def failures_of(look: Looking) -> list[Failure]:
    """Of the range, oldest first."""
    said = stored.said(look.book, [each.closure.key for each in look.failed], look.found.alarms)
    names = failures.words_of_names(stored.people(look.book)) if look.failed else frozenset()
    found = []
    for each in look.failed:
        written = said[each.closure.key]
        action = failures.action(each, look.found.rounds, look.outcome.met_in, written, names)
        devices = [_device(look, look.found.rounds[turn], look.outcome.met_in) for turn in each.rounds]
        found.append(
            Failure(each, _why(look, each.closure.id), devices, action.texts, action.withheld, action.on_record)
        )
    return found


def of_failures(look: Looking, found: Sequence[Failure]) -> Part:
    """The section of failures."""
    without = sum(not each.settled for each in found)
    says = []
    if not found:
        says.append("No soak failed." if look.soaks else "Nothing was soaked, so nothing can have failed.")
    else:
        says.append(
            f"{plural(len(found), 'soak')} failed. "
            + (
                f"Of {without} of them the record does not say what was done."
                if without
                else "Each has an action on record."
            )
        )
    rows = tuple(
        (
            f"{look.minute(each.soak.closure.closing_ms)}\n{look.label(each.soak.closure.basin)}\n"
            f"{look.soak(each.soak.closure)}",
            f"{each.soak.closure.verdict.value}: {each.why}",
            "\n".join(each.devices) or "no device on record",
            "\n".join(_written(each)) or "nothing written",
        )
        for each in found
    )
    head = ("Closed, basin, soak", "Verdict, and why", "Devices, and what became of them", "What was written")
    shown = Shown("", head, rows, widths=(0, 5, 5, 4))
    section = Section(
        title="Failures and corrective action",
        source="reckoned; actions declared",
        says=tuple(says),
        tables=(shown,) if rows else (),
        notes=(
            "Not met or unproven: a device that was in it is not proven disinfected and is processed again. Texts that "
            "name somebody are left out here; they stand in the soak's disinfection record. To have that record: "
            "soakledger disinfection-record --closure with the row as written here, or the page of the closure.",
        )
        if found
        else (),
    )
    return Part(section, [_table(look, found)])


def _table(look: Looking, found: Sequence[Failure]) -> Table:
    head = ("row", "record", "closure", "basin", "closed_utc", "verdict", "why", "proven_ms", "contact_ms", "load")
    more = ("devices", "written", "texts_that_name_somebody", "action_on_record")
    rows = (
        (
            each.soak.closure.id,
            look.numbers.get(each.soak.closure.id),
            each.soak.closure.key,
            each.soak.closure.basin,
            utc(each.soak.closure.closing_ms),
            each.soak.closure.verdict.value,
            each.why,
            each.soak.closure.credited_ms,
            each.soak.closure.contact_ms,
            each.soak.load,
            "; ".join(each.devices),
            " / ".join(each.texts),
            each.withheld,
            "yes" if each.settled else "no",
        )
        for each in found
    )
    return Table("failures.csv", "Soaks that failed, and what was done", (*head, *more), rows)


def _written(failure: Failure) -> Iterator[str]:
    yield from failure.texts
    if failure.withheld:
        yield f"({plural(failure.withheld, 'text')} naming somebody left out)"


def _why(look: Looking, row_id: int) -> str:
    (body,) = look.book.connection.execute(
        "SELECT l.body FROM closure c JOIN ledger l ON l.number = c.number WHERE c.id = ?", (row_id,)
    ).fetchone()
    closure = from_json(body, _Full).closure
    told = [each.text for each in closure.findings][:_MOST_CAUSES]
    return " ".join(told) or f"{in_words(closure.credited_ms)} proven without a break."


def _device(look: Looking, each: Round, met_in: Mapping[str, Watched]) -> str:
    """What became of one device: of this round, and of the one that it began next."""
    became = became_of(each, met_in)
    text = f"{each.device}: {became.value}"
    if became is Became.MET_LATER:
        return text
    after = _next_round(look, each)
    if after is None:
        return text
    if after.used is not None:
        then = f"used {look.minute(after.used.at_ms)}" + ("" if after.used.released else " without release")
    elif after.released is not None:
        then = f"released {look.minute(after.released.at_ms)}"
    elif after.quarantine is not None:
        then = "in quarantine again"
    else:
        then = "begun again once more" if after.stage is Stage.ENDED else f"now {after.stage.value}"
    return f"{text}; processed again from {look.minute(after.began_ms)} ({after.id}): {then}"


def _next_round(look: Looking, each: Round) -> Turn | None:
    before = look.book.find(Turn, each.id)
    if before is None:
        return None
    later = look.book.all(Turn, group=each.device, since_ms=before.began_ms + 1, limit=1)
    return later[0] if later else None
