"""The checks of the chaos run find nothing wrong with a sound ledger, and every kind of damage in one that is not."""

from __future__ import annotations

import shutil
import sqlite3
from collections import defaultdict
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import msgspec
import pytest

from collector.alarms.engine import Alarms
from collector.alarms.keeper import RAISED, Keeper
from collector.alarms.routes import Routes
from collector.conditions import Conditions
from collector.intake import Arrived, Intake
from collector.page import seal, unseal
from collector.readings import Rows
from collector.record.desk import Desk
from collector.record.things import Alarm, Load, Turn
from collector.schema import FILE_NAME
from collector.store import Store
from soak import wire
from soak.closure import Verdict
from soak.quantity import utc_text
from soak.ranges import Ranges
from soak.reading import Lid, Reading, Why
from soak.rehearsal import Rehearsal
from tests.chaos import tap
from tests.chaos.checks import check_ledger
from tests.chaos.clinic import Clinic, Spot
from tests.chaos.observer import promised_too_much
from tests.chaos.program import CONTACT_MS
from tests.chaos.staff import WHO, furniture, put
from tests.chaos.truth import LidClosed, TrueStream, Truth, closed

NOW_MS = 1_772_438_400_000
BASINS = 5
"""The last of them is a cold one."""
ANNOUNCED = 2

Asked = sqlite3.Connection


def readings_of(spot: Spot, lids: list[tuple[int, int]]) -> list[Reading]:
    """A reading a second, with the lid closed from one second to another, several times."""
    end_s = lids[-1][1] + 5
    return [
        Reading(
            second * 1000,
            Why.TICK,
            Lid.CLOSED if any(first <= second < last for first, last in lids) else Lid.OPEN,
            {spot.sensor: (16_000 if spot.cold else 23_000) + second % 7},
        )
        for second in range(1, end_s)
    ]


def truth_of(clinic: Clinic) -> Truth:
    """Two streams to a basin; in each a soak that is too short, one that is long enough, and a long one."""
    contact_s, truth = CONTACT_MS // 1000, Truth()
    lids = [(10, 10 + contact_s // 2), (100, 100 + contact_s + 20), (250, 250 + 2 * contact_s)]
    moved = [LidClosed((NOW_MS + 1000 * a,) * 2, (NOW_MS + 1000 * b,) * 2) for a, b in lids]
    for serial in range(2):
        for index, spot in enumerate(clinic.spots):
            begun = tap.Begun(f"{2 * index + serial + 1:02x}".ljust(32, "0"), spot.basin, _boot(serial), NOW_MS)
            taken = dict(enumerate(readings_of(spot, lids), 1))
            truth.streams[begun.stream] = TrueStream(begun, spot, taken, Ranges([(1, len(taken))]), moved)
    return truth


def load_all(clinic: Clinic) -> None:
    """A load of one device in every basin, before the first closing; somebody announced the first opening of one."""
    basins = [f"{spot.node}/{spot.basin}" for spot in clinic.spots]
    with Desk(clinic.data_dir, lambda: NOW_MS) as desk:
        put(desk, furniture(basins, NOW_MS))
        for number, basin in enumerate(basins, 1):
            announced = (NOW_MS + 20_000,) if number == ANNOUNCED else ()
            turn = Turn(
                id=f"T{number}", device=f"A{number}", began_ms=NOW_MS, load=f"L{number}", basin=basin, in_ms=NOW_MS
            )
            load = Load(
                id=f"L{number}",
                basin=basin,
                fill=f"F{number}",
                began_ms=NOW_MS,
                by=WHO,
                turns=(turn.id,),
                openings_ms=announced,
            )
            put(desk, [turn, load])


def raise_alarms(clinic: Clinic) -> None:
    """As an engine that comes late."""

    def clock() -> int:
        return NOW_MS + 3_600_000

    alarms = Alarms(clinic.data_dir, clock, Conditions(clock), clinic.settings(), Routes([], clock))
    alarms._looked = 0  # it was there before the first reading
    while alarms.follow():
        pass
    alarms.close()


def store(clinic: Clinic, truth: Truth) -> None:
    """Make the ledger that it must be: in tens, as after a short outage."""
    database = Store(clinic.data_dir, lambda: NOW_MS)
    try:
        database.apply(clinic.settings())
        load_all(clinic)
        intake, held = Intake(database, lambda: NOW_MS), []
        for stream in truth.streams.values():
            everything, begun = list(stream.taken.values()), stream.begun
            batches = [
                wire.Batch(begun.stream, begun.basin, begun.boot, first + 1, _clock(part[-1].ms), part)
                for first in range(0, len(everything), 10)
                if (part := everything[first : first + 10])
            ]
            for batch in batches[::10], batches:  # some come early, and then again
                intake.take([_arrived(wire.Topic.READINGS, each) for each in batch])
            held.append(wire.HeldStream(begun.stream, begun.basin, len(everything) + 1, len(everything)))
        intake.take([_arrived(wire.Topic.STATE, wire.State(True, "", _boot(1), _clock(1_000_000), held))])
    finally:
        database.close()
    raise_alarms(clinic)


class Sound:
    """A clinic whose ledger is what it must be, and the truth about it."""

    def __init__(self, folder: Path) -> None:
        self.clinic = Clinic(folder, 1, BASINS, Rehearsal(0, NOW_MS, 1))
        self.truth = truth_of(self.clinic)

    def failing(self) -> set[str]:
        """Names of the checks that fail."""
        return {outcome.name for outcome in check_ledger(self.clinic, self.truth) if outcome.problems}

    def database(self) -> sqlite3.Connection:
        """To do harm with."""
        return sqlite3.connect(self.clinic.data_dir / FILE_NAME)


def _boot(serial: int) -> str:
    return f"9f6c0000-0000-4000-8000-{serial:012x}"


def _clock(ms: int) -> wire.Clock:
    return wire.Clock(ms, utc_text(NOW_MS + ms), synced=True)


def _arrived(topic: wire.Topic, message: wire.Message) -> Arrived:
    return Arrived(topic.of("n1"), wire.encode(message))


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clinic's folder, to be copied."""
    folder = tmp_path_factory.mktemp("clinic")
    one = Sound(folder)
    one.clinic.write(1, 1)
    store(one.clinic, one.truth)
    return folder


@pytest.fixture
def sound(tmp_path: Path, pattern: Path) -> Sound:
    shutil.copytree(pattern, tmp_path / "clinic")
    return Sound(tmp_path / "clinic")


def test_a_sound_ledger_passes_every_check(sound: Sound) -> None:
    outcomes = check_ledger(sound.clinic, sound.truth)
    assert [outcome.line() for outcome in outcomes if outcome.problems] == []
    assert len(outcomes) >= 12
    with closing(sound.database()) as database:
        verdicts: dict[str, int] = defaultdict(
            int, database.execute("SELECT verdict, count(*) FROM closure GROUP BY 1")
        )
        assert all(verdicts[each] for each in ("met", "not met"))
        assert database.execute("SELECT count(*) FROM page").fetchone()[0]
        assert database.execute("SELECT count(*) FROM batch").fetchone()[0]
        # The too short soak of each basin but the announced one, and all three of the cold one; a basin's two streams
        # are of the same time, so that one alarm goes for both.
        sql = "SELECT body ->> '$.code', count(*), sum(body ->> '$.late') FROM thing WHERE kind = 'alarm' GROUP BY 1"
        assert ("opened-early", 6, 6) in database.execute(sql).fetchall()


def _a_row(database: Asked) -> tuple[int, int, int, Rows]:
    """Of those that no page holds: stream, first and last number and content of the last one of a stream."""
    sql = "SELECT stream_id, first, last, body FROM batch ORDER BY stream_id, first DESC LIMIT 1"
    stream, first, last, body = database.execute(sql).fetchone()
    return stream, first, last, msgspec.msgpack.decode(body, type=Rows)


def _row(rows: Rows, readings: list[Reading]) -> bytes:
    return msgspec.msgpack.encode(msgspec.structs.replace(rows, readings=readings))


def _a_page(database: Asked) -> tuple[int, int, int, str, bytes]:
    sql = "SELECT stream_id, first, last, sha256, body FROM page ORDER BY stream_id, first LIMIT 1"
    return database.execute(sql).fetchone()  # type: ignore[no-any-return]


def a_row_deleted(database: Asked) -> None:
    stream, first, *_ = _a_row(database)
    database.execute("DELETE FROM batch WHERE stream_id = ? AND first = ?", (stream, first))


def a_page_deleted(database: Asked) -> None:
    stream, first, *_ = _a_page(database)
    database.execute("DELETE FROM page WHERE stream_id = ? AND first = ?", (stream, first))


def a_reading_deleted(database: Asked) -> None:
    """And everything counted as if it had never been there."""
    stream, first, last, rows = _a_row(database)
    body = _row(rows, rows.readings[:-1])
    sql = "UPDATE batch SET last = ?, body = ? WHERE stream_id = ? AND first = ?"
    database.execute(sql, (last - 1, body, stream, first))
    database.execute("UPDATE stream SET stored = stored - 1 WHERE id = ?", (stream,))


def a_reading_twice(database: Asked) -> None:
    stream, _, last, rows = _a_row(database)
    database.execute(
        "INSERT INTO batch (stream_id, first, last, body) VALUES (?, ?, ?, ?)",
        (stream, last, last, _row(rows, rows.readings[-1:])),
    )


def a_reading_counted_twice(database: Asked) -> None:
    database.execute("UPDATE stream SET stored = stored + 1 WHERE id = 1")


def a_page_twice(database: Asked) -> None:
    stream, _, last, sha256, body = _a_page(database)
    (name,) = database.execute("SELECT stream FROM stream WHERE id = ?", (stream,)).fetchone()
    _, readings, anchors = unseal(body, sha256)
    sha256, body = seal(name, last, readings[-1:], anchors[:1])
    sql = "INSERT INTO page (stream_id, first, last, sha256, body) VALUES (?, ?, ?, ?, ?)"
    database.execute(sql, (stream, last, last, sha256, body))


def a_reading_that_never_was(database: Asked) -> None:
    stream, _, last, rows = _a_row(database)
    later = msgspec.structs.replace(rows.readings[-1], ms=rows.readings[-1].ms + 1000)
    database.execute(
        "INSERT INTO batch (stream_id, first, last, body) VALUES (?, ?, ?, ?)",
        (stream, last + 1, last + 1, _row(rows, [later])),
    )
    database.execute("UPDATE stream SET stored = stored + 1 WHERE id = ?", (stream,))


def a_temperature_altered(database: Asked) -> None:
    stream, first, _, rows = _a_row(database)
    (sensor,) = rows.readings[-1].mc
    rows.readings[-1] = msgspec.structs.replace(rows.readings[-1], mc={sensor: 30_000})
    body = _row(rows, rows.readings)
    database.execute("UPDATE batch SET body = ? WHERE stream_id = ? AND first = ?", (body, stream, first))


def a_page_sealed_over_something_else(database: Asked) -> None:
    """With a digest that goes with it."""
    stream, first, _, sha256, body = _a_page(database)
    (name,) = database.execute("SELECT stream FROM stream WHERE id = ?", (stream,)).fetchone()
    _, readings, anchors = unseal(body, sha256)
    readings[0] = msgspec.structs.replace(readings[0], lid=Lid.CLOSED)
    database.execute(
        "UPDATE page SET sha256 = ?, body = ? WHERE stream_id = ? AND first = ?",
        (*seal(name, first, readings, anchors), stream, first),
    )


def a_record_altered(database: Asked) -> None:
    database.execute("UPDATE ledger SET at_ms = at_ms + 1 WHERE number = 2")


def a_digest_altered(database: Asked) -> None:
    stream, first, *_ = _a_page(database)
    database.execute("UPDATE page SET sha256 = ? WHERE stream_id = ? AND first = ?", ("0" * 64, stream, first))


def _alter_a_closure(database: Asked, frm: Verdict, to: Verdict, which: str) -> None:
    """In its record, and in the table that follows from it."""
    sql = f"SELECT number FROM closure WHERE verdict = ? ORDER BY id {which} LIMIT 1"
    (number,) = database.execute(sql, (frm.value,)).fetchone()
    sql = "UPDATE ledger SET body = json_set(body, '$.closure.verdict', ?) WHERE number = ?"
    database.execute(sql, (to.value, number))
    database.execute("UPDATE closure SET verdict = ? WHERE number = ?", (to.value, number))


def not_met_made_met(database: Asked) -> None:
    _alter_a_closure(database, Verdict.NOT_MET, Verdict.MET, "ASC")


def not_met_made_met_in_a_cold_basin(database: Asked) -> None:
    _alter_a_closure(database, Verdict.NOT_MET, Verdict.MET, "DESC")


def met_made_not_met(database: Asked) -> None:
    _alter_a_closure(database, Verdict.MET, Verdict.NOT_MET, "ASC")


def a_verdict_deleted(database: Asked) -> None:
    database.execute("DELETE FROM closure WHERE id = (SELECT max(id) FROM closure)")


def a_verdict_twice(database: Asked) -> None:
    times = "closing_utc_ms, last_utc_ms, assessed_ms, clock_synced"
    columns = f"basin_id, stream_id, first, last, {times}, verdict, number"
    database.execute(f"INSERT INTO closure ({columns}) SELECT {columns} FROM closure WHERE id = 1")


def something_recorded_lost(database: Asked) -> None:
    database.execute("INSERT INTO lost VALUES (1, 5, 6, 0, NULL)")


def something_set_aside(database: Asked) -> None:
    database.execute("INSERT INTO parked VALUES (1, '', 'a/topic', 'contradicts', '', 1, x'00', 1, 0, 0)")


def an_older_reading_shown(database: Asked) -> None:
    database.execute("UPDATE now SET body = json_set(body, '$.number', 1)")


def a_row_of_no_stream(database: Asked) -> None:
    database.execute("INSERT INTO lost VALUES (999, 5, 6, 0, 1)")


def _alarms_about(database: Asked, verdict: Verdict, which: str) -> str:
    """Key of a closure with this verdict."""
    sql = f"""SELECT s.stream || ':' || c.first FROM closure c JOIN stream s ON s.id = c.stream_id
              WHERE c.verdict = ? ORDER BY c.id {which} LIMIT 1"""
    return str(database.execute(sql, (verdict.value,)).fetchone()[0])


def _another_alarm(database: Asked, about: str) -> None:
    """On record as the engine would put it."""
    (body,) = database.execute("SELECT body FROM thing WHERE kind = 'alarm' ORDER BY id LIMIT 1").fetchone()
    alarm = msgspec.structs.replace(msgspec.json.decode(body, type=Alarm), id="AL999", about=about)
    keeper = Keeper(database, lambda: NOW_MS)
    with keeper.transaction():
        keeper.noted(RAISED, "alarm/W999", {}, NOW_MS, alarm)


def an_alarm_deleted(database: Asked) -> None:
    database.execute("DELETE FROM thing WHERE kind = 'alarm' AND id = 'AL1'")


def an_alarm_twice(database: Asked) -> None:
    _another_alarm(database, _alarms_about(database, Verdict.NOT_MET, "ASC"))


def an_alarm_of_a_soak_that_met(database: Asked) -> None:
    _another_alarm(database, _alarms_about(database, Verdict.MET, "ASC"))


def an_alarm_of_an_announced_opening(database: Asked) -> None:
    sql = """SELECT s.stream || ':' || c.first FROM closure c JOIN stream s ON s.id = c.stream_id
             WHERE c.basin_id = ? AND c.verdict = 'not met' ORDER BY c.id LIMIT 1"""
    _another_alarm(database, str(database.execute(sql, (ANNOUNCED,)).fetchone()[0]))


def an_alarm_of_no_closure(database: Asked) -> None:
    _another_alarm(database, f"{'a' * 32}:7")


def a_late_alarm_not_marked(database: Asked) -> None:
    database.execute("UPDATE thing SET body = json_remove(body, '$.late') WHERE kind = 'alarm' AND id = 'AL1'")


def an_alarm_dated_wrongly(database: Asked) -> None:
    sql = "UPDATE thing SET body = json_set(body, '$.cause_ms', json_extract(body, '$.cause_ms') + 1) WHERE id = 'AL1'"
    database.execute(sql)


def an_alarm_that_no_record_raised(database: Asked) -> None:
    database.execute("UPDATE thing SET id = 'AL998', body = json_set(body, '$.id', 'AL998') WHERE id = 'AL1'")


LOST = "none lost: all that an outbox committed is in the ledger"
INVENTED = "none that no outbox committed"
QUIET = "same verdicts as a quiet assessment"
BETTER = "no verdict better than what lids and basins did"
AS_IT_WAS = "what was watched from closing to opening is judged as it was"
ALARMS = "one alarm for each lid opened early, and none else"
AGAIN = "same digests: a page sealed again from what was taken"
CHAIN, FOLLOWS = "the chain and every page hold", "every table follows from ledger and pages"
DAMAGES: list[tuple[Callable[[Asked], None], set[str]]] = [
    (a_row_deleted, {LOST, "none twice"}),
    (a_page_deleted, {LOST, "none twice", CHAIN}),
    (a_reading_deleted, {LOST}),
    (a_reading_twice, {"none twice"}),
    (a_reading_counted_twice, {"none twice"}),
    (a_page_twice, {"none twice"}),
    (a_reading_that_never_was, {INVENTED}),
    (a_temperature_altered, {"content equal"}),
    (a_page_sealed_over_something_else, {"content equal", AGAIN, CHAIN}),
    (a_record_altered, {CHAIN}),
    (a_digest_altered, {"same digests: a page's bytes give the digest stored for it", AGAIN}),
    (not_met_made_met, {QUIET, BETTER, AS_IT_WAS, CHAIN}),
    (not_met_made_met_in_a_cold_basin, {QUIET, BETTER}),
    (met_made_not_met, {QUIET, AS_IT_WAS}),
    (a_verdict_deleted, {QUIET, FOLLOWS}),
    (a_verdict_twice, {QUIET}),
    (something_recorded_lost, {"nothing recorded lost, nothing set aside"}),
    (something_set_aside, {"nothing recorded lost, nothing set aside"}),
    (an_older_reading_shown, {"same closures in progress as a quiet assessment"}),
    (a_row_of_no_stream, {"SQLite finds nothing wrong with the ledger's file"}),
    (an_alarm_deleted, {ALARMS, FOLLOWS}),
    (an_alarm_twice, {ALARMS}),
    (an_alarm_of_a_soak_that_met, {ALARMS}),
    (an_alarm_of_an_announced_opening, {ALARMS}),
    (an_alarm_of_no_closure, {ALARMS}),
    (a_late_alarm_not_marked, {ALARMS, FOLLOWS}),
    (an_alarm_dated_wrongly, {ALARMS, FOLLOWS}),
    (an_alarm_that_no_record_raised, {ALARMS, FOLLOWS}),
]


@pytest.mark.parametrize(("damage", "noticed"), DAMAGES, ids=lambda each: getattr(each, "__name__", ""))
def test_a_damaged_ledger_fails(sound: Sound, damage: Callable[[Asked], None], noticed: set[str]) -> None:
    """By the check that is there for it, at least."""
    with closing(sound.database()) as database, database:
        guards = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            database.execute(f"DROP TRIGGER {name}")
        damage(database)
        for _, sql in guards:
            database.execute(sql)
    assert noticed <= sound.failing()


def test_a_damaged_file_fails(sound: Sound) -> None:
    file = sound.clinic.data_dir / FILE_NAME
    with closing(sound.database()) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray(file.read_bytes())
    for place in range(4 * 1024, len(content), 4 * 1024):
        content[place : place + 64] = bytes(byte ^ 0xFF for byte in content[place : place + 64])
    file.write_bytes(content)
    assert sound.failing() & {"SQLite finds nothing wrong with the ledger's file", "the ledger can be read"}


def test_a_receipt_ahead_of_the_disk_is_noticed(sound: Sound) -> None:
    stream, true = next(iter(sound.truth.streams.items()))
    last = len(true.taken)
    known: defaultdict[str, Ranges] = defaultdict(Ranges)
    with closing(sound.database()) as database:
        assert promised_too_much(database, wire.Receipt({stream: [(1, last)]}), known) == []
        ahead = promised_too_much(database, wire.Receipt({stream: [(1, last + 2)]}), known)
        assert ahead == [
            f"a receipt covers [({last + 1}, {last + 2})] of stream {stream[:8]}, and the disk does not have them"
        ]
        assert promised_too_much(database, wire.Receipt({"f" * 32: [(1, 1)]}), known)


def test_what_was_written_down_survives_a_kill_in_mid_line(tmp_path: Path) -> None:
    """A cut line is none; the next life writes into a file of its own."""
    first = tap.Tap(tmp_path)
    begun = tap.Begun("a" * 32, "b1", _boot(0), 7)
    first.say(begun)
    (path,) = tmp_path.iterdir()
    with path.open("ab") as file:
        file.write(b'{"type":"Kept","runs":[["aaaa')
    kept = tap.Kept([("a" * 12, 1, 3)])
    tap.Tap(tmp_path).say(kept)
    assert list(tap.lives(tmp_path)) == [[begun], [kept]]


def test_a_node_is_at_rest_when_it_has_committed_all_that_it_took() -> None:
    reading = Reading(1, Why.START, Lid.OPEN, {})
    life: list[tap.Record] = [tap.Begun("a" * 32, "b1", _boot(0), 7)]
    assert not tap.at_rest(life)
    life.append(tap.Taken([("a" * 32, 1, reading), ("a" * 32, 2, reading)]))
    assert not tap.at_rest([*life, tap.Kept([("a" * 12, 1, 1)])])
    assert tap.at_rest([*life, tap.Kept([("a" * 12, 1, 2)])])


def test_when_a_lid_was_closed_follows_from_its_movements() -> None:
    moves = [
        tap.Moved("b1", True, 10, 10),  # found closed at the start
        tap.Moved("b1", False, 20, 22),
        tap.Moved("b1", True, 30, 33),
        tap.Moved("b1", False, 50, 51),
        tap.Moved("b1", True, 60, 61),
    ]
    found = closed(moves)
    assert found == [LidClosed((10, 10), (20, 22)), LidClosed((30, 33), (50, 51)), LidClosed((60, 61), None)]
    assert [(each.surely_ms, each.perhaps_ms) for each in found] == [(10, 12), (17, 21), (None, None)]
