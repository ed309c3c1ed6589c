"""What is due, runs out or grows at the site: looked at now and then, for none of it is a matter of seconds."""

from __future__ import annotations

import datetime
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

from collector.alarms.held import Held, Key
from collector.conditions import Condition
from collector.page import DamagedPageError
from collector.read import NodeNow
from collector.record.basins.ready_clauses import checked
from collector.record.basins.ready_facts import facts
from collector.record.book import DAY_MS, Book
from collector.record.rounds.rounds import basin_name, basins
from collector.record.rounds.unassigned import unassigned
from collector.record.solutions.due import due_before_next_working_day
from collector.record.solutions.mec import mec_block
from collector.record.things import Fill, MecPolicy, MecTest, Profile, Review

DUE_EVERY_S = 30.0
MOST_S = 0.1
"""At a time."""

LEAST_FREE = 0.1
"""Share of the disk below which it is nearly full. Our own choice."""

_UNASSIGNED_DAYS = 7
_MEC_GRACE_MS = 15 * 60_000
"""After pouring or topping up a test may take so long to be made. Our own choice."""


class Due:
    """Asks for it again and again, a little at a time: of a thousand basins it takes many seconds."""

    def __init__(self) -> None:
        self._held: dict[Key, Held] = {}
        self._found: dict[Key, Held] = {}
        self._asking: Iterator[Held | None] | None = None
        self._asked_s = float("-inf")

    def look(self, ask: Callable[[], Iterator[Held | None]]) -> Mapping[Key, Held]:
        """What was so when it was last asked for to the end.

        Args:
            ask: `due_held`, with what it is to look at now.
        """
        if self._asking is None:
            if time.monotonic() - self._asked_s < DUE_EVERY_S:
                return self._held
            self._asking, self._found, self._asked_s = ask(), {}, time.monotonic()
        until_s = time.monotonic() + MOST_S
        try:
            for held in self._asking:
                if held is not None:
                    self._found[held.key] = held
                elif time.monotonic() > until_s:
                    return self._held
        except BaseException:
            self._asking = None
            raise
        self._held, self._asking = self._found, None
        return self._held


_CERTIFICATES = ("certificate-ended", "certificate-ending", "authority-ending")


def due_held(
    book: Book, nodes: Iterable[NodeNow], conditions: Iterable[Condition], data_dir: Path
) -> Iterator[Held | None]:
    """Everything of the kind. Of many basins it takes long: at each None whoever asks may do something else first.

    Args:
        book: At the present.
        nodes: As last heard of.
        conditions: What is wrong with the collector's own surroundings.
        data_dir: Its data folder.
    """
    for due in due_before_next_working_day(book):
        if due.kind == "fill" and (fill := book.find(Fill, due.id)):
            evidence = {"fill": fill.id}
            yield Held(Key("fill-runs-out", fill.id), f"{due.text} {due.next_step}", book.at_ms, fill.basin, evidence)
    yield from _tests(book)
    if book.policy.sensor_check_days is not None:
        yield from _checks(book)
    yield from _unassigned(book)
    for node in nodes:
        clock = node.state.clock
        if node.up and clock is not None and not clock.synced:
            text = f"The clock of node {node.node} is not synchronised."
            yield Held(Key("clock-unsynchronised", node.node), text, book.at_ms)
    conditions = list(conditions)
    if ending := [each for each in conditions if each.code in _CERTIFICATES]:
        text = " ".join(each.words.happened for each in ending)
        yield Held(Key("certificate-ends", "site"), text, min(each.since_ms for each in ending))
    for each in conditions:
        if each.code == "outbox-growing":
            yield Held(Key("outbox-growing", each.subject), each.words.happened, each.since_ms)
        elif each.code == "card-worn":
            yield Held(Key("card-worn", each.subject or "site"), each.words.happened, each.since_ms)
    disk = shutil.disk_usage(data_dir)
    if disk.free < LEAST_FREE * disk.total:
        text = f"{disk.free // 2**20:,} MiB of {disk.total // 2**20:,} MiB are free on the collector's disk."
        yield Held(Key("disk-nearly-full", "site"), text, book.at_ms)


def _tests(book: Book) -> Iterator[Held | None]:
    for fill in book.all(Fill, only_open=True):
        yield None
        profile = book.find(Profile, fill.profile)
        if profile is None or not profile.mec_monitored or fill.failed_ms is not None or fill.use_by_ms < book.at_ms:
            continue
        daily = book.policy.mec is MecPolicy.DAILY and profile.mec_daily_allowed
        new = not any(test.dipped_ms >= fill.tested_after_ms for test in book.all(MecTest, group=fill.id))
        since_ms = fill.tested_after_ms + _MEC_GRACE_MS
        if book.at_ms < since_ms or not (
            new
            or (
                daily
                and book.policy.works_on(book.local_date(book.at_ms))
                and mec_block(book, fill, profile, book.at_ms)
            )
        ):
            continue
        why = "since it was poured or topped up" if new else "today"
        text = f"{basin_name(book, fill.basin)}: fill {fill.id} has not been tested {why}."
        yield Held(Key("mec-test-due", fill.id), text, since_ms, fill.basin, {"fill": fill.id})


def _checks(book: Book) -> Iterator[Held | None]:
    for basin in basins(book):
        yield None
        try:
            known = facts(book, basin)
        except DamagedPageError:  # named by those who read it
            continue
        for block in checked(known):
            yield Held(Key("sensor-check-due", basin), block.text, book.at_ms, basin)
            break


def _unassigned(book: Book) -> Iterator[Held | None]:
    """Of days that are over and whose log nobody has signed; one alarm for all."""
    today = book.local_date(book.at_ms)
    began_ms = book.end_of_day_ms(today - datetime.timedelta(days=1)) + 1
    signed = {review.id for review in book.all(Review, since_ms=began_ms - (_UNASSIGNED_DAYS + 7) * DAY_MS)}
    count = 0
    for basin in basins(book):
        yield None
        found = unassigned(book, basin, began_ms - _UNASSIGNED_DAYS * DAY_MS, began_ms)
        count += sum(book.local_date(each.watched.closing_ms).isoformat() not in signed for each in found)
    if count:
        wait = "1 closure of an earlier day waits" if count == 1 else f"{count} closures of earlier days wait"
        text = f"{wait} to be assigned, and no review of the day is signed."
        yield Held(Key("unassigned-waiting", "site"), text, began_ms)
