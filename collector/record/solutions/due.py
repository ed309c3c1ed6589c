"""What runs out before the site works again, and what to do about it today."""

from __future__ import annotations

import datetime

import msgspec

from collector.record.book import Book
from collector.record.solutions.bottles import bottles_to_pour
from collector.record.solutions.needs import basin_name
from collector.record.things import Bottle, Fill, Profile, StripBottle

_LONGEST_CLOSED_DAYS = 400


class Due(msgspec.Struct, frozen=True):
    """One thing that runs out.

    Attributes:
        kind: "fill", "bottle" or "strip-bottle".
        id: Which.
        use_by_ms: When.
        text: What it is, in words.
        next_step: What to order or prepare.
    """

    kind: str
    id: str
    use_by_ms: int
    text: str
    next_step: str


def next_working_day(book: Book) -> datetime.date:
    """The first day after today on which the site works; far ahead if it names none."""
    day = book.local_date(book.at_ms)
    for _ in range(_LONGEST_CLOSED_DAYS):
        day += datetime.timedelta(days=1)
        if book.policy.works_on(day):
            break
    return day


def due_before_next_working_day(book: Book) -> list[Due]:
    """Fills, bottles and strip bottles that run out before the next working day begins, or have; the first one first.

    Whoever comes then must find what they need.
    """
    until_ms = book.end_of_day_ms(next_working_day(book) - datetime.timedelta(days=1))
    found = [
        *(_fill(book, fill, until_ms) for fill in book.all(Fill, only_open=True) if fill.use_by_ms <= until_ms),
        *(_bottle(book, each, until_ms) for each in book.all(Bottle, only_open=True) if each.use_by_ms <= until_ms),
        *(
            _strips(book, each, until_ms)
            for each in book.all(StripBottle, only_open=True)
            if each.use_by_ms <= until_ms
        ),
    ]
    return sorted(found, key=lambda due: due.use_by_ms)


def _fill(book: Book, fill: Fill, until_ms: int) -> Due:
    kept = _kept(bottles_to_pour(book, fill.profile), until_ms)
    name = _name(book, fill.profile)
    if kept:
        first = kept[0]
        ready = f"Have {name} ready: {first.id} (lot {first.lot}, {first.left_ml} ml left) expires first."
    else:
        ready = f"Order {name}: no bottle is in date after that."
    text = f"Fill {fill.id} in {basin_name(book, fill.basin)} {_runs_out(book, fill.use_by_ms)} ({fill.use_by_why})."
    return Due("fill", fill.id, fill.use_by_ms, text, f"{ready} Discard {fill.id} and pour a new fill.")


def _bottle(book: Book, bottle: Bottle, until_ms: int) -> Due:
    name = _name(book, bottle.profile)
    others = _kept([each for each in bottles_to_pour(book, bottle.profile) if each.id != bottle.id], until_ms)
    left_ml = sum(each.left_ml for each in others)
    step = (
        f"{left_ml} ml in other bottles are in date after that." if others else f"Order {name}: nothing else is left."
    )
    what = f"Bottle {bottle.id} of {name} (lot {bottle.lot}, {bottle.left_ml} ml left)"
    text = f"{what} {_runs_out(book, bottle.use_by_ms)}."
    return Due("bottle", bottle.id, bottle.use_by_ms, text, step)


def _strips(book: Book, strips: StripBottle, until_ms: int) -> Due:
    name = _name(book, strips.profile)
    others = [
        each
        for each in book.all(StripBottle, group=strips.profile, only_open=True)
        if each.id != strips.id and each.use_by_ms > until_ms
    ]
    step = f"Order strips for {name}: no other bottle is in date after that."
    if others:
        todo = ": open it and test its controls" if others[0].opened_ms is None else ""
        step = f"{others[0].id} (lot {others[0].lot}) is in date after that{todo}."
    text = f"Strip bottle {strips.id} for {name} (lot {strips.lot}) {_runs_out(book, strips.use_by_ms)}."
    return Due("strip-bottle", strips.id, strips.use_by_ms, text, step)


def _kept(bottles: list[Bottle], until_ms: int) -> list[Bottle]:
    return [each for each in bottles if each.use_by_ms > until_ms]


def _runs_out(book: Book, use_by_ms: int) -> str:
    return f"{'ran' if use_by_ms < book.at_ms else 'runs'} out at {book.local_text(use_by_ms)}"


def _name(book: Book, profile_id: str) -> str:
    profile = book.find(Profile, profile_id)
    return profile.name if profile else profile_id
