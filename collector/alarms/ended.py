"""What alarms follow from records: soaks that have ended, devices that were used. Pure but for what the book looks up.

A soak's readings may come late, after an outage or a restart. Whatever its closure says that nobody was alarmed about
while it ran is raised then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from collector.alarms.held import Happened, Held, Key
from collector.ledger import record
from collector.machine import ClosureJudged
from collector.record.book import Book, Watched
from collector.record.rounds.rounds import basin_name
from collector.record.rounds.soaks import lay_of, soak_of
from collector.record.rounds.unassigned import load_over
from collector.record.things import Alarm, Load, Stage, Turn
from soak.closure import Finding, Verdict
from soak.decoding import from_json
from soak.quantity import in_words
from soak.wire import State

LATE = ("below-minimum", "above-maximum", "guard-band", "sensor-fault", "readings-missing")
"""Findings that would have been alarms while the soak ran."""

CLOCK_WRONG_MS = 5 * 60_000
"""A node's wall clock that is further from the collector's is not believed. Our own choice."""

_DAY_MS = 24 * 3_600_000
_AFTER_MS = 60_000
"""An alarm raised so soon after a soak's end was about it."""


Known = Callable[[Held], bool]


def happened(
    book: Book,
    kind: str,
    number: int,
    content: dict[str, Any],
    known: Known,
    *,
    past_until_ms: int | None = None,
) -> Iterator[Happened]:
    """What one record of the ledger gives reason for, and nobody was alarmed about.

    Args:
        book: At the present.
        kind: The record's.
        number: The record's.
        content: Its body, decoded.
        known: Whether there is an alarm of this.
        past_until_ms: In a rehearsal, loads from before this are played with their closures there already: what was
            said of them is complete only once they are taken out. None in earnest.
    """
    if kind == ClosureJudged.KIND and not _had_met(book, content.get("supersedes", ())):
        yield from _of_closure(book, content["stream"], content["closure"]["first"], known, past_until_ms)
    changes = content.get("changes", {})
    for load_id in changes.get(Load.KIND, {}):
        load = book.find(Load, load_id)
        if load is not None and not _half_played(load, past_until_ms):
            until_ms = book.at_ms if load.ended_ms is None else load.ended_ms
            for watched in book.closures(load.basin, load.began_ms, until_ms + 1):
                yield from of_soak(book, load, watched, known)
    for turn_id, patch in changes.get(Turn.KIND, {}).items():
        if isinstance(patch, dict) and patch.get("used"):
            yield from (used for used in _used(book, turn_id, number) if not known(used.held))


def _had_met(book: Book, superseded: Iterable[int]) -> bool:
    """By what was required when it was opened: what a corrected label makes of it is for the look-back to tell.

    A high alarm for each soak of the past weeks that a correction concerns would say "opened early" of lids that were
    opened in good time, and "close the lid now" long after.
    """
    before = (record(book.connection, number) for number in superseded)
    return any(each is not None and each.content()["closure"]["verdict"] == Verdict.MET for each in before)


def _half_played(load: Load, past_until_ms: int | None) -> bool:
    return past_until_ms is not None and load.ended_ms is None and load.began_ms < past_until_ms


def _of_closure(book: Book, stream: str, first: int, known: Known, past_until_ms: int | None) -> Iterator[Happened]:
    row = book.connection.execute(
        """SELECT b.node || '/' || b.name, c.closing_utc_ms, c.last_utc_ms, c.clock_synced, s.boot, n.heard_ms, n.body
           FROM closure c JOIN basin b ON b.id = c.basin_id JOIN stream s ON s.id = c.stream_id
           LEFT JOIN node n ON n.node = b.node
           WHERE s.stream = ? AND c.first = ? AND c.superseded_by IS NULL""",
        (stream, first),
    ).fetchone()
    if row is None:
        return
    basin, closing_ms, last_ms, synced, boot, heard_ms, said = row
    for watched in book.closures(basin, last_ms, closing_ms + 1):
        if watched.key == f"{stream}:{first}":
            booted_ms = _booted_ms(boot, heard_ms, said)
            when = watched if booted_ms is None else _dated(watched, booted_ms, believed=bool(synced))
            load = load_over(book, basin, when.closing_ms)
            if load is not None and not _half_played(load, past_until_ms):
                yield from of_soak(book, load, when, known)


def _booted_ms(boot: str, heard_ms: int | None, said: str | None) -> int | None:
    """When a node was started by the collector's clock; None where it has not spoken since that start."""
    state = from_json(said, State) if said else None
    if state is None or heard_ms is None or state.boot != boot or state.clock is None:
        return None
    return heard_ms - state.clock.ms


def _dated(watched: Watched, booted_ms: int, *, believed: bool) -> Watched:
    """Dated by the collector's clock where its node's is wrong beyond doubt: else its load would not be found.

    What is dated ahead of now cannot be. What is dated back may have come late, by the broker's queue: a clock that
    says it is synchronised is believed then, unless it is more than a day behind.
    """
    behind_ms = booted_ms - (watched.closing_ms - watched.closure.closing_ms)
    if -CLOCK_WRONG_MS <= behind_ms <= (_DAY_MS if believed else CLOCK_WRONG_MS):
        return watched
    return watched._replace(closing_ms=watched.closing_ms + behind_ms, opened_ms=watched.opened_ms + behind_ms)


def of_soak(book: Book, load: Load, watched: Watched, known: Known) -> Iterator[Happened]:
    """What a closure says that a load was in, if any of its devices still had to meet.

    That is asked last: it takes the longer, the more closures the load has had, and a switch that chatters makes many.
    """
    if watched.closure.verdict is Verdict.MET or load.not_known:
        return
    new = [one for one in _said_by(book, load, watched) if not known(one.held)]
    if new and _unmet(book, load, watched):
        yield from new


def _said_by(book: Book, load: Load, watched: Watched) -> Iterator[Happened]:
    said = any(watched.closing_ms < each <= watched.opened_ms for each in load.openings_ms)
    found = {finding.code: finding for finding in watched.closure.findings}
    early = found.get("opened-early")
    if watched.closure.opening_seen and not said:
        text = early.text if early else _unproven(watched)
        yield Happened(_held(book, Key("opened-early", watched.key), load, text, watched.opened_ms))
    for code in LATE:
        if (finding := found.get(code)) and _lasted(book, code, watched) and not _alarmed(book, code, load, watched):
            cause_ms = watched.closing_ms if finding.at_ms is None else _utc_ms(watched, finding)
            yield Happened(_held(book, Key(code, watched.key), load, finding.text, cause_ms), watched.opened_ms)


def _unproven(watched: Watched) -> str:
    """It was closed for long enough, but what was measured does not prove it."""
    closure = watched.closure
    if closure.requirement is None:
        return "Opened with nothing required of it: the soak is not proven."
    proven, asked = in_words(closure.credited_ms), in_words(closure.requirement.contact_ms)
    return f"Opened with {proven} of {asked} proven without a break, though it was closed for long enough."


def _unmet(book: Book, load: Load, watched: Watched) -> bool:
    then = Book.looking(book.connection, watched.opened_ms)
    turns = [turn for each in load.turns if (turn := book.find(Turn, each))]
    return any(lay_of(turn, watched).throughout() and not soak_of(then, turn).met for turn in turns)


def _lasted(book: Book, code: str, watched: Watched) -> bool:
    """Long enough to have been an alarm."""
    closure = watched.closure
    if code in ("below-minimum", "above-maximum"):
        return closure.out_ms >= book.policy.alarm_on_ms
    if code == "sensor-fault":
        return closure.unknown_ms >= book.policy.alarm_on_ms
    return True


def _alarmed(book: Book, code: str, load: Load, watched: Watched) -> bool:
    """Somebody was alarmed about it while it ran."""
    alarms = book.all(Alarm, group=load.basin, until_ms=watched.opened_ms + _AFTER_MS)
    return any(
        alarm.code == code and (alarm.cleared_ms is None or alarm.cleared_ms >= watched.closing_ms) for alarm in alarms
    )


def _held(book: Book, key: Key, load: Load, text: str, cause_ms: int) -> Held:
    evidence = {"load": load.id, "closure": key.about, **({"fill": load.fill} if load.fill else {})}
    return Held(key, f"{basin_name(book, load.basin)}: {text}", cause_ms, load.basin, evidence)


def _utc_ms(watched: Watched, finding: Finding) -> int:
    return watched.closing_ms + (finding.at_ms or 0) - watched.closure.closing_ms


def _used(book: Book, turn_id: str, number: int) -> Iterator[Happened]:
    turn = book.find(Turn, turn_id)
    if turn is None or turn.used is None or turn.used.released or turn.stage is not Stage.USED:
        return
    text = f"{turn.device} was used at {book.local_text(turn.used.at_ms)} without release."
    evidence = {"turn": turn.id, "device": turn.device, "record": str(number)}
    yield Happened(Held(Key("used-unreleased", turn.id), text, turn.used.at_ms, turn.basin, evidence))
