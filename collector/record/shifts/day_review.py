"""What is unassigned or open at the end of a day: the questions of the daily log review."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

import msgspec

from collector.record.book import Book
from collector.record.deed import HANDS
from collector.record.rounds.rounds import basin_name, basins
from collector.record.rounds.soaks import soak_of
from collector.record.rounds.unassigned import Answer, may_concern, note_of, unassigned
from collector.record.things import Device, Fill, Load, LookBack, MecResult, MecTest, Person, Stage, Turn
from soak.quantity import in_words


class OpenSubject(msgspec.Struct, frozen=True):
    """One thing that the review asks about.

    Attributes:
        subject: Its name, e.g. "closure:5f0c…:12", "turn:T12", "fill:F3".
        text: What is open about it.
    """

    subject: str
    text: str


def day_bounds(book: Book, day: str) -> tuple[int, int]:
    """A day at the site: its first millisecond, and the first of the next."""
    until_ms = book.end_of_day_ms(day) + 1
    before = datetime.date.fromisoformat(day) - datetime.timedelta(days=1)
    return book.end_of_day_ms(before) + 1, until_ms


def day_review(book: Book, day: str) -> list[OpenSubject]:
    """What is open of a day: its closures and uses, and whatever was begun by its end and still needs somebody.

    Args:
        book: At the moment of looking.
        day: "2026-03-02".

    Raises:
        RefusedError: There is no such day.
    """
    since_ms, until_ms = day_bounds(book, day)
    return [
        *_closures(book, since_ms, until_ms),
        *_loads(book, until_ms),
        *_turns(book, since_ms, until_ms),
        *_fills(book, until_ms),
        *_tests(book, since_ms, until_ms),
        *_held(book, until_ms),
        *_people(book, day),
    ]


def _closures(book: Book, since_ms: int, until_ms: int) -> Iterator[OpenSubject]:
    for basin in basins(book):
        for found in unassigned(book, basin, since_ms, until_ms):
            watched = found.watched
            closed = in_words(watched.opened_ms - watched.closing_ms)
            text = f"{basin_name(book, basin)} was closed for {closed} from {book.local_text(watched.closing_ms)}: "
            if note_of(book, found).assignment == Answer.NOT_KNOWN:
                devices = ", ".join(dict.fromkeys(turn.device for turn in may_concern(book, found)))
                text += f"nobody knows what was in it. It may concern: {devices or 'no device with an open round'}."
            else:
                text += "nobody has said what was in it."
            yield OpenSubject(f"closure:{watched.key}", text)


def _loads(book: Book, until_ms: int) -> Iterator[OpenSubject]:
    for load in book.all(Load, only_open=True, until_ms=until_ms):
        devices = ", ".join(
            turn.device for turn in (book.get(Turn, each) for each in load.turns) if turn.out_ms is None
        )
        text = f"{devices} in {basin_name(book, load.basin)} since {book.local_text(load.began_ms)}, not taken out."
        yield OpenSubject(f"load:{load.id}", text)


def _turns(book: Book, since_ms: int, until_ms: int) -> Iterator[OpenSubject]:
    for turn in book.all(Turn, only_open=True, until_ms=until_ms):
        if turn.stage is Stage.PREPARING:
            text = f"{turn.device}: round begun {book.local_text(turn.began_ms)}, not soaked."
            yield OpenSubject(f"turn:{turn.id}", text)
        elif turn.stage is Stage.SOAKED:
            verdict = soak_of(book, turn).verdict
            soak = f"soak {verdict.value}" if verdict else "no closure that it lay in"
            text = f"{turn.device}: taken out {book.local_text(turn.out_ms or turn.began_ms)}, {soak}, not released."
            yield OpenSubject(f"turn:{turn.id}", text)
    for turn in book.all(Turn, until_ms=until_ms):
        if turn.used and since_ms <= turn.used.at_ms < until_ms and not turn.used.encounter:
            text = f"{turn.device}: used {book.local_text(turn.used.at_ms)} without a reference of the encounter."
            yield OpenSubject(f"turn:{turn.id}", text)


def _fills(book: Book, until_ms: int) -> Iterator[OpenSubject]:
    for fill in book.all(Fill, only_open=True, until_ms=until_ms):
        name = basin_name(book, fill.basin)
        if fill.failed_ms is not None:
            text = f"Fill {fill.id} in {name}: MEC test failed {book.local_text(fill.failed_ms)}, not discarded."
            yield OpenSubject(f"fill:{fill.id}", text)
        elif fill.use_by_ms < min(book.at_ms, until_ms):
            text = f"Fill {fill.id} in {name}: ran out {book.local_text(fill.use_by_ms)}, not discarded."
            yield OpenSubject(f"fill:{fill.id}", text)


def _tests(book: Book, since_ms: int, until_ms: int) -> Iterator[OpenSubject]:
    """Strips that wait, and the day's strips that were given up: one that was seen to fail is a fail."""
    for test in book.all(MecTest, since_ms=since_ms, until_ms=until_ms):
        if test.result is MecResult.NOT_READ:
            dipped, given_up = book.local_text(test.dipped_ms), book.local_text(test.read_ms or test.dipped_ms)
            text = f"MEC test {test.id} of fill {test.fill}: dipped {dipped}, recorded as not read {given_up}."
            yield OpenSubject(f"mec-test:{test.id}", text)
    for test in book.all(MecTest, only_open=True, until_ms=until_ms):
        text = f"MEC test {test.id} of fill {test.fill}: dipped {book.local_text(test.dipped_ms)}, not read."
        yield OpenSubject(f"mec-test:{test.id}", text)


def _held(book: Book, until_ms: int) -> Iterator[OpenSubject]:
    for look_back in book.all(LookBack, only_open=True, until_ms=until_ms):
        text = f"Look-back {look_back.id}, opened {book.local_text(look_back.opened_ms)}: {look_back.text}"
        yield OpenSubject(f"look-back:{look_back.id}", text)
    for device in book.all(Device, only_open=True):
        quarantine = device.quarantine
        if quarantine is not None and quarantine.at_ms < until_ms:
            text = f"{device.id}: in quarantine since {book.local_text(quarantine.at_ms)}: {quarantine.reason}"
            yield OpenSubject(f"device:{device.id}", text)
        elif device.hang_until_ms is not None and device.hang_until_ms < min(book.at_ms, until_ms):
            until = book.local_text(device.hang_until_ms)
            text = f"{device.id}: hang time in {device.stored_in} ended {until}, neither used nor reprocessed."
            yield OpenSubject(f"device:{device.id}", text)


def _people(book: Book, day: str) -> Iterator[OpenSubject]:
    for person in book.all(Person, only_open=True):
        if person.training_expires and person.training_expires < day and HANDS & set(person.roles):
            text = f"{person.name}: training on file held until {person.training_expires}."
            yield OpenSubject(f"person:{person.id}", text)
