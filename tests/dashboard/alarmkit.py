"""Alarms in every state over the clinic of `pagekit`, put on record past their rules, step by step."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import recorded
from doorkit import PINS, SAM, TINA, House
from msgspec.structs import replace
from pagekit import NOW_MS, XSS

from collector import credentials
from collector.credentials import Kind
from collector.ledger import Ledger
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.patch import difference
from collector.record.things import Alarm, Seen, Thing
from collector.schema import FILE_NAME, connect
from soak.alarms import KINDS, Priority

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


class Engine:
    """Puts alarms on record, each step at its own moment."""

    def __init__(self, data: Path) -> None:
        self.at_ms = NOW_MS
        self.desk = Desk(data, lambda: self.at_ms)

    def put(self, thing: Thing, at_ms: int, kind: str = "alarm-changed", **content: str) -> None:
        """One record with what it changes, and what else it says."""
        self.at_ms = at_ms
        with self.desk.transaction():
            before = shelf.body_of(self.desk.connection, thing.KIND, thing.id)
            patch = difference(before, msgspec.json.decode(msgspec.json.encode(thing)))
            body = {"changes": {thing.KIND: {thing.id: patch}}, "about": f"{thing.KIND}/{thing.id}", **content}
            record = Ledger(self.desk.connection, lambda: at_ms).append(kind, body)
            shelf.write(self.desk.connection, record.number, body["changes"])  # type: ignore[arg-type]

    def raised(self, number: int, code: str, ago_ms: int, text: str, **more: Any) -> Alarm:
        """An alarm that was raised so long before 13:18."""
        at_ms = NOW_MS - ago_ms
        given: dict[str, Any] = {
            "basin": "n1/b1",
            "priority": KINDS[code].priority if code in KINDS else None,
            "cause_ms": at_ms - 10_000,
            **more,
        }
        given.setdefault("about", given["basin"] or "site")
        alarm = Alarm(id=f"W{number}", code=code, text=text, raised_ms=at_ms, **given)
        self.put(alarm, at_ms, "alarm-raised")
        return alarm

    def later(self, alarm: Alarm, after_ms: int, **changes: Any) -> Alarm:
        """It changes, so long after its raising."""
        alarm = replace(alarm, **changes)
        self.put(alarm, alarm.raised_ms + after_ms)
        return alarm

    def told(self, alarm: Alarm, after_ms: int, person: str) -> Alarm:
        """Somebody of the list is told, so long after its raising."""
        at_ms = alarm.raised_ms + after_ms
        alarm = replace(alarm, told=alarm.told + 1, told_ms=at_ms)
        self.put(alarm, at_ms, "alarm-told", person=person)
        return alarm


def alarmed(data: Path) -> None:
    """Nine alarms: seven stand (two high, two medium, three low), two are over; one of each state."""
    engine = Engine(data)
    early = engine.raised(
        1,
        "opened-early",
        4 * MINUTE_MS,
        "The lid of basin 1 was opened after 9 min 11 s of 12 min.",
        evidence={"closure": _closure(engine), "load": "L2", "fill": "F1", "turn": "T3", "record": "5", "note": "n"},
    )
    early = engine.told(early, 0, SAM)
    engine.told(early, 2 * MINUTE_MS, TINA)
    cold = engine.raised(2, "below-minimum", 10 * MINUTE_MS, "19.4 °C, needs 20.6 °C.", basin="n1/b2")
    rose_ms = cold.raised_ms + 3 * MINUTE_MS
    cold = engine.later(cold, 3 * MINUTE_MS, priority=Priority.HIGH, risen_ms=rose_ms)
    seen = Seen(TINA, rose_ms + MINUTE_MS, f"Bath heater on {XSS}")
    engine.later(cold, 4 * MINUTE_MS, told=2, told_ms=rose_ms, seen=seen)
    engine.raised(3, "sensor-fault", MINUTE_MS, f"No temperature since 13:16 {XSS}.", basin="n2/b2")
    silenced = engine.raised(4, "lid-left-open", 12 * MINUTE_MS, "The lid has been open for 22 min.")
    engine.later(silenced, 11 * MINUTE_MS, silenced_until_ms=NOW_MS + MINUTE_MS)
    engine.raised(5, "mec-test-due", 26 * HOUR_MS, "Fill F1 was last tested yesterday.", evidence={"fill": "F1"})
    engine.raised(6, "disk-nearly-full", HOUR_MS, "4 % of the collector's disk is free.", basin="")
    engine.raised(7, "from-a-newer-version", HOUR_MS, "Something else.", priority=Priority.LOW)  # no such kind here
    gone = engine.raised(8, "guard-band", 5 * HOUR_MS, "20.4 °C, 20.6 °C would be proven.")
    gone = engine.later(gone, MINUTE_MS, cleared_ms=gone.raised_ms + MINUTE_MS)
    engine.later(gone, MINUTE_MS, ended_ms=gone.raised_ms + MINUTE_MS)
    late = engine.raised(
        9, "over-immersed", 2 * HOUR_MS, "63 min in solution.", late=True, cause_ms=NOW_MS - 6 * HOUR_MS
    )
    late = engine.later(late, 0, cleared_ms=late.raised_ms)
    engine.later(
        late, 3 * MINUTE_MS, seen=Seen(SAM, late.raised_ms + 3 * MINUTE_MS, ""), ended_ms=late.raised_ms + 3 * MINUTE_MS
    )
    engine.desk.close()


def _closure(engine: Engine) -> str:
    stream, first = engine.desk.connection.execute(
        "SELECT s.stream, c.first FROM closure c JOIN stream s ON s.id = c.stream_id ORDER BY c.id LIMIT 1"
    ).fetchone()
    return f"{stream}:{first}"


def furnish(data: Path) -> House:
    """The morning of `recorded` with alarms, and badges for everybody, in a copy of the clinic."""
    recorded.record(data)
    alarmed(data)
    db = connect(data / FILE_NAME)
    badges = {person: credentials.new_badge(db.conn, person) for person in (TINA, SAM)}
    for person in badges:
        credentials.set_secret(db.conn, person, Kind.PIN, PINS[person])
    db.close()
    return House(data, badges)
