"""How a look-back is opened: a cause in the words of people, the few fields it asks, and what it would concern."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import NamedTuple

from collector.lookback.causes import FOR_PEOPLE, Cause, reach_of
from collector.lookback.reach import Reach, unexplained
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.lookbacks import OpenLookBack
from collector.record.things import Fill, MecResult, MecTest, SensorCheck
from dashboard.form_reading import MistakesError, read
from dashboard.forms import Field, fields
from dashboard.lookbacks.listed import Group, groups_of

_INSIDE = "asked."
_SUGGESTIONS = 100
_NOT_YET = "not yet said"


class Preview(NamedTuple):
    """What a look-back would concern, before anybody opens it.

    Attributes:
        reach: As the record has it.
        groups: Its rounds in the groups in which people act.
        devices: How many devices.
        flips: How many soaks would not be met in the worst case.
        used: How many of the rounds were used.
        unexplained: How many closures in its range no load explains.
    """

    reach: Reach
    groups: list[Group]
    devices: int
    flips: int
    used: int
    unexplained: int


class Asking(NamedTuple):
    """The form as it stands.

    Attributes:
        cause: Which; None while none was chosen.
        fields: What it asks.
        typed: What was typed.
        mistakes: By field, what is wrong with it.
        refusal: What stands against looking.
        preview: What it would concern; None until it was looked.
    """

    cause: Cause | None
    fields: list[Field]
    typed: Mapping[str, list[str]]
    mistakes: Mapping[str, str]
    refusal: RefusedError | None
    preview: Preview | None


def cause_named(code: str | None) -> Cause | None:
    """A cause that people open, by its name."""
    return next((each for each in FOR_PEOPLE if each.code == code), None)


def fields_of(cause: Cause) -> list[Field]:
    """What a cause asks, in its order; what it needs must be filled in."""
    known = {field.name: field for field in fields(OpenLookBack)}
    asked = [known[f"{_INSIDE}{name}"] for name in (*cause.needs, *cause.may)]
    return [_named(each._replace(inside="", required=each.name.removeprefix(_INSIDE) in cause.needs)) for each in asked]


def asking(book: Book, cause: Cause, typed: Mapping[str, list[str]], *, looked: bool, zone: tzinfo) -> Asking:
    """The form for a cause with what was typed; once somebody looked, with what it would concern."""
    shown = fields_of(cause)
    if not looked:
        return Asking(cause, shown, typed, {}, None, None)
    asked = {field.name: field for field in shown}
    whole = {**typed, "cause": [cause.code], "how_found": [_NOT_YET]}
    try:
        said = read(OpenLookBack, [asked.get(each.name, each) for each in fields(OpenLookBack)], whole, zone)
        assert isinstance(said, OpenLookBack)  # noqa: S101 - read makes what it is asked for
        reach = reach_of(book, cause.code, said.asked)
    except MistakesError as wrong:
        return Asking(cause, shown, typed, {each.field: each.text for each in wrong.mistakes}, None, None)
    except RefusedError as refusal:
        return Asking(cause, shown, typed, {}, refusal, None)
    rows = reach.concerned.values()
    preview = Preview(
        reach,
        groups_of(book, None, reach.concerned),
        len({each.device for each in rows}),
        sum(each.flips for each in rows),
        sum(each.used_ms is not None for each in rows),
        unexplained(book, reach.spans),
    )
    return Asking(cause, shown, typed, {}, None, preview)


def suggestions(book: Book) -> dict[str, list[tuple[str, str]]]:
    """What the record has for fields that no list of current things would help with."""
    failed = [
        each
        for each in book.all(MecTest, newest_first=True, limit=2_000)
        if each.result in (MecResult.FAIL, MecResult.DOUBTFUL)
    ]
    checks = book.all(SensorCheck, newest_first=True, limit=2_000)
    lots = dict.fromkeys(poured.lot for fill in book.all(Fill, newest_first=True, limit=500) for poured in fill.poured)
    return {
        "mec-test": [(each.id, f"{each.fill}, {book.local_text(each.dipped_ms)}") for each in failed[:_SUGGESTIONS]],
        "sensor": list(dict.fromkeys((each.sensor, each.basin) for each in checks))[:_SUGGESTIONS],
        "reference": list(dict.fromkeys((each.reference, each.reference) for each in checks))[:_SUGGESTIONS],
        "lot": [(each, each) for each in list(lots)[:_SUGGESTIONS]],
    }


def _named(field: Field) -> Field:
    name = field.name.removeprefix(_INSIDE)
    return field._replace(of=name) if name in ("sensor", "reference", "lot") else field
