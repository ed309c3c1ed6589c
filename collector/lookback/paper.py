"""What stands in a look-back's list for infection prevention: facts and plain cautions, no word on anybody's risk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import msgspec
from msgspec.structs import replace

from collector.evidence.typeset import typesetter
from collector.lookback.causes import said
from collector.lookback.described import described
from collector.lookback.people import people_of
from collector.record.book import Book
from collector.record.rounds.rounds import basin_name
from collector.record.things import Concerned, Device, DeviceType, LookBack, Turn
from soak.quantity import exact_celsius, in_words

CAUTIONS = (
    "This list states what the record holds. It does not assess any risk to a patient: that is for infection "
    "prevention and the treating physicians.",
    "Margins are as the soaks were judged when the rounds were found. “Could be lowered by” is how far the measured "
    "temperature could have been lower with the soak still met.",
    "Times, steps and uses that people declared are on record as they declared them; what the sensors and the lid "
    "switch saw was measured.",
    "An encounter that nobody recorded is not in this list.",
)


TEMPLATE: Final = "lookback-list-1"
"""A template that lists were issued with is never changed: the next one gets the next number."""


class Row(msgspec.Struct, frozen=True):
    """One round in the list, in words."""

    device: str
    type: str
    serial: str
    round: str
    load: str
    basin: str
    fill: str
    soaked: str
    verdict: str
    credited: str
    allowance: str
    worst_case: str
    stood: str
    used: str
    encounter: str
    came_from: str
    outcome: str
    why: str


class Content(msgspec.Struct, frozen=True):
    """All that stands in the list, in words; the paper and the CSV are made of nothing else.

    `template`, `typesetter` and `columns` say what the paper was set with and which figures the table has: another
    typesetter may set the same words in other bytes.
    """

    template: str
    typesetter: str
    title: str
    columns: list[str]
    id: str
    look_back: str
    site: str
    issued: str
    issued_by: str
    cause: str
    text: str
    how_found: str
    opened: str
    range: str
    state: str
    unexplained: str
    told: list[str]
    rows: list[Row]
    people: list[str]
    cautions: list[str]


def content_of(book: Book, look_back: LookBack, issued: str) -> Content:
    """The list as it stands at the book's moment.

    Args:
        book: Of the deed that issues it.
        look_back: Of which look-back.
        issued: The list's own id.
    """
    site = book.connection.execute("SELECT content FROM site WHERE name = 'name'").fetchone()
    return Content(
        template=TEMPLATE,
        typesetter=typesetter(),
        title=f"Look-back {look_back.id}, list {issued}",
        columns=list(Row.__struct_fields__),
        id=issued,
        look_back=look_back.id,
        site=str(site[0]) if site else "",
        issued=book.local_text(book.at_ms),
        issued_by=book.name_of(book.who),
        cause=said(look_back.cause),
        text=look_back.text,
        how_found=look_back.how_found or "It opened by itself when the record showed it.",
        opened=f"{book.local_text(look_back.opened_ms)} by {_by(book, look_back)}",
        range=_range(book, look_back),
        state=_state(book, look_back),
        unexplained=_unexplained(look_back),
        told=[_told(book, look_back, number) for number in range(len(look_back.told))],
        rows=list(_rows(book, look_back)),
        people=people_of(book, look_back),
        cautions=list(CAUTIONS),
    )


def rows_of(book: Book, look_back: LookBack) -> dict[str, Concerned]:
    """What it concerns as it was found, in its order; of one from an earlier version, as the record has it now."""
    if look_back.concerned:
        return {turn: look_back.concerned[turn] for turn in look_back.turns if turn in look_back.concerned}
    return described(book, book.many(Turn, look_back.turns))


def _rows(book: Book, look_back: LookBack) -> Iterator[Row]:
    rows = rows_of(book, look_back)
    devices = {each.id: each for each in book.many(Device, look_back.devices)}
    types = {each.id: each.name for each in book.all(DeviceType)}
    turns = {each.id: each for each in book.many(Turn, rows)}
    for turn_id, row in rows.items():
        device = devices.get(row.device)
        named = _row(book, look_back, turn_id, row, turns.get(turn_id))
        if device is not None:
            named = replace(named, type=types.get(device.type, device.type), serial=device.serial)
        yield named


def _row(book: Book, look_back: LookBack, turn_id: str, row: Concerned, turn: Turn | None) -> Row:
    used = turn.used if turn else None
    used_ms = used.at_ms if used else row.used_ms
    encounter = used.encounter if used else row.encounter
    resolved = look_back.resolved.get(row.device)
    outcome = "" if resolved is None else f"{resolved.outcome.value}, {book.local_text(resolved.at_ms)}"
    note = f": {resolved.note}" if resolved and resolved.note else ""
    return Row(
        device=row.device,
        type="",
        serial="",
        round=turn_id,
        load=row.load,
        basin=_basin(book, row.basin),
        fill=row.fill,
        soaked="" if row.in_ms is None else _span(book, row.in_ms, row.out_ms),
        verdict=row.verdict or "none on record",
        credited=f"{in_words(row.credited_ms)} of {in_words(row.contact_ms)}" if row.verdict else "",
        allowance="" if row.allowance_mc is None else exact_celsius(row.allowance_mc),
        worst_case=_worst(row),
        stood=f"{row.stood.value}{f': {row.place}' if row.place else ''}",
        used="" if used_ms is None else book.local_text(used_ms),
        encounter=encounter or ("none recorded" if used_ms is not None else ""),
        came_from=row.came_from,
        outcome=f"{outcome}{note}" or "not resolved",
        why=row.why,
    )


def _worst(row: Concerned) -> str:
    if row.flips_drifting:
        return "not met, suddenly or gradually wrong"
    return "not met if suddenly wrong" if row.flips else ""


def _basin(book: Book, basin: str) -> str:
    return basin_name(book, basin) if basin else ""


def _span(book: Book, in_ms: int, out_ms: int | None) -> str:
    return f"{book.local_text(in_ms)} to {'now' if out_ms is None else book.local_text(out_ms)}"


def _by(book: Book, look_back: LookBack) -> str:
    return "the collector" if look_back.by == "collector" else book.name_of(look_back.by)


def _range(book: Book, look_back: LookBack) -> str:
    begin = book.local_text(look_back.from_ms) if look_back.from_ms else "the first record (the beginning is not known)"
    return f"{begin} to {book.local_text(look_back.until_ms)}"


def _state(book: Book, look_back: LookBack) -> str:
    if look_back.closed is None:
        left = len(look_back.unresolved())
        return f"open; {left} of {len(look_back.devices)} devices not resolved"
    although = f" Closed although {look_back.closed_although}" if look_back.closed_although else ""
    return (
        f"closed {book.local_text(look_back.closed.at_ms)} by {book.name_of(look_back.closed.by)}: "
        f"{look_back.closed.note}{although}"
    )


def _unexplained(look_back: LookBack) -> str:
    count = look_back.unexplained
    if not count:
        return ""
    return f"{count} {'closure' if count == 1 else 'closures'} in the range, of which nobody has said what was in them."


def _told(book: Book, look_back: LookBack, number: int) -> str:
    told = look_back.told[number]
    note = f": {told.note}" if told.note else ""
    return f"{book.local_text(told.at_ms)}, {told.whom}, {told.how}, by {book.name_of(told.by)}{note}"
