"""Everything on record about one soak, gathered for its paper: looks only, decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, TypeVar

import msgspec

from collector import ledger
from collector.evidence.around import Row, alarms_of, assessments, records_of, row_of
from collector.evidence.sound import newer, refuse_changed, refuse_unsound_tail
from collector.evidence.supporting import supporting
from collector.ledger import Record
from collector.machine import ClosureJudged
from collector.record.basins.grounds import grounds
from collector.record.book import Book, Watched
from collector.record.errors import RefusedError
from collector.record.rounds.soaks import lay_of, soak_of
from collector.record.rounds.turn_findings import turn_findings
from collector.record.rounds.unassigned import load_over
from collector.record.things import (
    Alarm,
    Bottle,
    Certificate,
    ClosureNote,
    Device,
    Fill,
    Load,
    LookBack,
    MecTest,
    Profile,
    Reference,
    SensorCheck,
    StripBottle,
    Thing,
    Turn,
)
from collector.required import required_of
from soak.closure import Closure, Finding, Verdict
from soak.decoding import from_json
from soak.requirement import SensorTerms

_Thing = TypeVar("_Thing", bound=Thing)


class Judged(NamedTuple):
    """One verdict given of the closure, and the record that holds it."""

    row: Row
    record: Record
    said: ClosureJudged

    @property
    def closure(self) -> Closure:
        """What the rule said."""
        return self.said.closure


class DeviceSoaked(NamedTuple):
    """A device that was in the load.

    Attributes:
        device: It, as it is on file now.
        turn: Its round.
        throughout: It lay in this closure from the closing to the opening.
        verdict: Of its round, over all closures that it lay in; None where it lay in none.
        here: That verdict rests on this closure.
        findings: Of its round.
    """

    device: Device
    turn: Turn
    throughout: bool
    verdict: Verdict | None
    here: bool
    findings: tuple[Finding, ...]


class Checks(NamedTuple):
    """The checks of a sensor on either side of a soak; None where there is none.

    Attributes:
        sensor: Its id.
        terms: Correction and U at the closing; None: it was not required.
        before: The last one that counts.
        after: The first one, whether it counts or not.
        ground: What correction and U rested on, in words.
        certificates: Of the references that these checks went by, by check.
    """

    sensor: str
    terms: SensorTerms | None
    before: SensorCheck | None
    after: SensorCheck | None
    ground: str
    certificates: dict[str, Certificate]


class Facts(NamedTuple):
    """What is known of a soak.

    Attributes:
        judged: The verdict that the paper is about.
        verdicts: Every verdict given of it, oldest first.
        load: The load that was in it; None: nobody has said that one was.
        answer: "empty" or "not known" where somebody said so.
        notes: What people wrote on the closure.
        devices: In the load.
        fill: What it lay in.
        profile: That fill's solution, as it is on file now.
        bottles: From which it was poured.
        test: The MEC test that cleared the load.
        strips: The strip bottle of that test.
        tests: All tests of that fill.
        checks: Of each sensor.
        alarms: About it.
        lookbacks: That it is part of.
        records: What people recorded about it, oldest first.
        site: The site's name.
        node_software: What the node said it runs when it was last heard of; empty if nothing.
    """

    judged: Judged
    verdicts: Sequence[Judged]
    load: Load | None
    answer: str
    notes: ClosureNote | None
    devices: Sequence[DeviceSoaked]
    fill: Fill | None
    profile: Profile | None
    bottles: Sequence[Bottle]
    test: MecTest | None
    strips: StripBottle | None
    tests: Sequence[MecTest]
    checks: Sequence[Checks]
    alarms: Sequence[Alarm]
    lookbacks: Sequence[LookBack]
    records: Sequence[Record]
    site: str
    node_software: str


def facts_of(book: Book, closure: str) -> Facts:
    """Gather it.

    Args:
        book: To look in.
        closure: "stream:first", of which the standing verdict is meant; or "row:number", a verdict by its row.

    Raises:
        RefusedError: There is no such closure, it is still running, or what is on record cannot be trusted or read.
    """
    refuse_unsound_tail(book.connection)
    try:
        return _gathered(book, closure)
    except (msgspec.ValidationError, msgspec.DecodeError) as error:
        raise newer(f"Something on record about this soak cannot be read ({error}).") from None


def found_row(book: Book, closure: str) -> Row:
    """A closure by what it is called in the deed.

    Raises:
        RefusedError: There is none, or it is still running.
    """
    stream, _, first = closure.rpartition(":")
    if not (first.isascii() and first.isdigit() and len(first) < 16):
        raise _unknown(closure)
    if stream == "row":
        row = row_of(book.connection, int(first))
    else:
        rows = assessments(book.connection, stream, int(first))
        exact = [each for each in rows if each.first == int(first)]
        row = exact[-1] if exact else None
    if row is None:
        raise _unknown(closure)
    return row


def _unknown(closure: str) -> RefusedError:
    return RefusedError(
        "unknown-closure",
        f"There is no ended closure {closure[:80]!r} on record.",
        "Open the soak in the list of closures and issue it from there; one that still runs has no record yet.",
    )


def _gathered(book: Book, closure: str) -> Facts:
    connection = book.connection
    row = found_row(book, closure)
    verdicts = [_judged(book, each) for each in assessments(connection, row.stream, row.first)]
    judged = next(each for each in verdicts if each.row.id == row.id)
    load = load_over(book, row.basin, row.closing_ms)
    turns = [turn for turn_id in (load.turns if load else ()) if (turn := book.find(Turn, turn_id))]
    note = book.find(ClosureNote, row.key)
    fill = book.find(Fill, load.fill) if load else None
    test = book.find(MecTest, load.mec_test) if load and load.mec_test else None
    about: list[Thing] = [*turns, *(each for each in (load, note, test) if each)]
    strips = book.find(StripBottle, test.strip_bottle) if test else None
    bottles = _each(book, Bottle, [each.bottle for each in fill.poured] if fill else [])
    checks = _checks(book, judged)
    rests_on = [("device", each.device) for each in turns] + [("sensor", each.sensor) for each in checks]
    near = [check for each in checks for check in (each.before, each.after) if check]
    rests_on += [("reference", found) for check in near if (found := check.reference_id)]
    rests_on += [("fill", fill.id), ("profile", fill.profile)] if fill else []
    rests_on += [("bottle", each.id) for each in bottles] + ([("strip-bottle", strips.id)] if strips else [])
    said, _ = records_of(connection, about, None)
    by_number = {each.number: each for each in (*said, *supporting(connection, rests_on))}
    records = [by_number[number] for number in sorted(by_number)]
    for record in records:
        refuse_changed(connection, record)
    turn_ids = {turn.id for turn in turns}
    lookbacks = [each for each in book.all(LookBack) if turn_ids & set(each.turns)]
    return Facts(
        judged=judged,
        verdicts=verdicts,
        load=load,
        answer=note.assignment if note and load is None else "",
        notes=note,
        devices=[_device(book, judged, turn) for turn in turns],
        fill=fill,
        profile=book.find(Profile, fill.profile) if fill else None,
        bottles=bottles,
        test=test,
        strips=strips,
        tests=book.all(MecTest, group=fill.id) if fill else [],
        checks=checks,
        alarms=alarms_of(connection, row, turn_ids),
        lookbacks=lookbacks,
        records=records,
        site=_site(book),
        node_software=_node_software(book, row.basin),
    )


def _judged(book: Book, row: Row) -> Judged:
    record = ledger.record(book.connection, row.number)
    if record is None:
        raise RefusedError(
            "chain-broken",
            f"Record {row.number}, which holds the verdict, is not in the ledger.",
            "Run `soakledger verify`, then restore the data from a backup.",
        )
    refuse_changed(book.connection, record)
    return Judged(row, record, from_json(record.body, ClosureJudged))


def watched_of(judged: Judged) -> Watched:
    """The closure as deeds see it."""
    row, closure = judged.row, judged.closure
    opened_ms = row.last_ms if closure.opening_ms is None else row.closing_ms + closure.opening_ms - closure.closing_ms
    return Watched(row.key, row.closing_ms, opened_ms, closure)


def _device(book: Book, judged: Judged, turn: Turn) -> DeviceSoaked:
    then = book if turn.out_ms is None else Book.looking(book.connection, min(turn.out_ms, book.at_ms))
    soak = soak_of(then, turn)
    return DeviceSoaked(
        device=book.get(Device, turn.device),
        turn=turn,
        throughout=lay_of(turn, watched_of(judged)).throughout(),
        verdict=soak.verdict,
        here=soak.best is not None and soak.best.key == judged.row.key,
        findings=turn_findings(then, turn),
    )


def _checks(book: Book, judged: Judged) -> list[Checks]:
    """Of the sensors that were required, or gave values, in it."""
    row = judged.row
    terms = terms_of(book, row)
    sensors = sorted(set(terms) | set(judged.closure.sensor_allowances_mc))
    rested = {each.sensor: each.text for each in grounds(book, row.basin_id, row.closing_ms)}
    found = []
    for sensor in sensors:
        checks = book.all(SensorCheck, group=sensor)
        before = next((each for each in reversed(checks) if each.at_ms <= row.closing_ms and each.counts), None)
        after = next((each for each in checks if each.at_ms > row.last_ms), None)
        certificates = {
            each.id: certificate
            for each in (before, after)
            if each is not None and (certificate := _certificate(book, each)) is not None
        }
        found.append(Checks(sensor, terms.get(sensor), before, after, rested.get(sensor, ""), certificates))
    return found


def _certificate(book: Book, check: SensorCheck) -> Certificate | None:
    reference = book.find(Reference, check.reference_id) if check.reference_id else None
    return reference.certificate_of(check.certificate) if reference and check.certificate else None


def terms_of(book: Book, row: Row) -> dict[str, SensorTerms]:
    """Correction and U of each required sensor at the closing."""
    in_force: dict[str, SensorTerms] = {}
    for each in required_of(book.connection, row.basin_id):
        if each.since_ms > row.closing_ms:
            break
        in_force = each.terms
    return in_force


def _each(book: Book, kind: type[_Thing], ids: Sequence[str]) -> list[_Thing]:
    return [thing for each in dict.fromkeys(ids) if (thing := book.find(kind, each))]


def _site(book: Book) -> str:
    row = book.connection.execute("SELECT content FROM site WHERE name = 'name'").fetchone()
    return str(row[0]) if row else ""


class _Said(msgspec.Struct):
    """The part of a node's last word that names its software."""

    version: str = ""


def _node_software(book: Book, basin: str) -> str:
    row = book.connection.execute("SELECT body FROM node WHERE node = ?", (basin.partition("/")[0],)).fetchone()
    return from_json(row[0], _Said).version if row else ""
