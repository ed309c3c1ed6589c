"""What must hold when all has arrived, whatever happened on the way: design, sections 3 and 5.

What was sampled is what the ledger holds, each reading once and as it was; what is gone is recorded lost; and every
verdict is that of a quiet run over the same readings, never better than that of a quiet run over all of them.
"""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path

import msgspec
from sqlite_utils import Database

from collector.read import Basin, Minute, Reader
from collector.readings import SAME_CLOCK_MS, Stored, stored_readings
from collector.rebuild import rebuild
from collector.settings import BasinSettings
from collector.verify import verify
from soak.closure import Closure, Finding, Verdict
from soak.exposure import Meter
from soak.findings import CODES
from soak.ranges import Ranges
from soak.reading import Lid
from tests.simulated.account import TrueStream
from tests.simulated.clocks import TRUE_UTC_MS
from tests.simulated.world import World


class Broken(AssertionError):  # noqa: N818
    """The invariant does not hold."""


def judge(world: World) -> Counter[str]:
    """Hold the ledger against what really happened.

    Returns:
        How much of what there was, so that it can be seen that a simulation has seen something.

    Raises:
        Broken: It says something else.
    """
    eyes = world.clinic.look()
    with Reader(world.clinic.folder) as reader:
        _judge(world, reader, eyes)
    _check_ledger(world.clinic.folder, eyes)
    return _census(world, eyes)


def _check_ledger(folder: Path, eyes: sqlite3.Connection) -> None:
    """The chain and every page hold, and on a copy every table is made again as it is."""
    outcome = verify(folder, processes=1)
    _must(outcome.wrong is None, f"the chain does not hold: {outcome.wrong}")
    with closing(sqlite3.connect(":memory:")) as copy:
        eyes.backup(copy)
        copy.execute("BEGIN IMMEDIATE")
        differing = rebuild(Database(copy)).differing
        copy.rollback()
    _must(not differing, f"tables do not follow from ledger and pages: {differing}")


def _judge(world: World, reader: Reader, eyes: sqlite3.Connection) -> None:
    shown = {now.stream: now.closure for now in reader.now().values()}
    basins = {(basin.node, basin.name): basin for basin in reader.basins()}
    true = {stream.stream: stream for node in world.nodes for stream in node.streams}
    rows = dict(eyes.execute("SELECT stream, id FROM stream").fetchall())
    _must(not rows.keys() - true.keys(), f"the ledger has streams that never were: {rows.keys() - true.keys()}")
    parked = eyes.execute("SELECT reason, detail FROM parked").fetchall()
    _must(not parked, f"honest messages were set aside: {parked}")
    stored: dict[str, list[Stored]] = {}
    for name, stream in true.items():
        stored[name] = list(stored_readings(Database(eyes), rows[name])) if name in rows else []
        lost = eyes.execute(_LOST, (rows[name],)).fetchall() if name in rows else []
        _check_readings(stream, stored[name], Ranges(lost))
    for node in world.nodes:
        for basin in node.basins:
            streams = [stream for stream in node.streams if stream.basin is basin]
            for stream in streams:
                row = rows.get(stream.stream)
                newer = stream is not streams[-1]
                standing = _standing(eyes, row) if row else []
                _check_verdicts(world, stream, stored[stream.stream], standing, newer=newer)
                if not newer:
                    _check_shown(world, stream, stored[stream.stream], shown.get(stream.stream))
                _check_dates(world, stream, stored[stream.stream])
            of_basin = [each for stream in streams for each in stored[stream.stream]]
            _check_minutes(reader, basins[node.name, basin.name], of_basin)


_END_MS = 4_102_444_800_000  # 2100
_LOST = "SELECT first, last FROM lost WHERE stream_id = ? AND found_ms IS NULL"
_STANDING = "SELECT body FROM judged WHERE stream_id = ? AND superseded_by IS NULL ORDER BY first"


def _check_readings(stream: TrueStream, stored: Sequence[Stored], lost: Ranges) -> None:
    """Everything that the outbox accepted, exactly; what is not there was given up, and is recorded lost.

    Numbers beyond those that the card had and those that arrived need not be on record: nobody may be left who knows
    that there were such readings.
    """
    seen = Ranges()
    for each in stored:
        _must(each.number not in seen, f"{_named(stream)}: reading {each.number} is there twice")
        seen.add(each.number, each.number)
        _must(1 <= each.number <= stream.told, f"{_named(stream)}: reading {each.number} was never offered")
        really = stream.sampled[each.number - 1]
        _must(each.reading == really, f"{_named(stream)}: reading {each.number} is {each.reading}, was {really}")
    missing = Ranges(seen.missing(1, stream.told))
    for piece in missing:
        kept = stream.given_up.missing(*piece)
        _must(not kept, f"{_named(stream)}: readings {kept} are missing and were never given up")
    said = f"{_named(stream)}: missing {list(missing)}, recorded lost {list(lost)}"
    for piece in lost:
        _must(not missing.missing(*piece), said)
    for piece in seen.missing(1, max(stream.safe, seen.last or 0)):
        _must(not lost.missing(*piece), said)


def _standing(eyes: sqlite3.Connection, row_id: int) -> list[Closure]:
    """Every closure of a stream that no later assessment has superseded."""
    return [msgspec.json.decode(body, type=Closure) for (body,) in eyes.execute(_STANDING, (row_id,))]


def _check_verdicts(
    world: World, stream: TrueStream, stored: Sequence[Stored], standing: Sequence[Closure], *, newer: bool
) -> None:
    """As a quiet run says, to the millisecond."""
    quiet, _ = quiet_run(world, stream, stored, newer=newer)
    _must(list(standing) == quiet, f"{_named(stream)}: verdicts {_brief(standing)}, a quiet run: {_brief(quiet)}")
    _check_no_better(world, stream, standing, newer=newer)


def _check_shown(world: World, stream: TrueStream, stored: Sequence[Stored], shown: Closure | None) -> None:
    """The closure in progress that a page shows."""
    _, running = quiet_run(world, stream, stored, newer=False)
    _must(shown == running, f"{_named(stream)}: shown as running {_brief([shown])}, a quiet run: {_brief([running])}")
    _check_no_better(world, stream, [shown] if shown else [], newer=False)


def _check_no_better(world: World, stream: TrueStream, told: Sequence[Closure], *, newer: bool) -> None:
    """Whatever got lost, nothing is met that was not."""
    settings = _settings(world, stream)
    meter = Meter(settings.required(), settings.terms())
    whole = [meter.feed(number, reading) for number, reading in enumerate(stream.sampled, 1)]
    whole.append(meter.end() if newer else meter.running())
    really_met = Ranges((each.first, each.last) for each in whole if each and each.verdict is Verdict.MET)
    for each in told:
        if each.verdict is Verdict.MET:
            beyond = really_met.missing(each.first, each.last)
            _must(not beyond, f"{_named(stream)}: {_brief([each])} is better than the truth")


def quiet_run(
    world: World, stream: TrueStream, stored: Iterable[Stored], *, newer: bool
) -> tuple[list[Closure], Closure | None]:
    """The rule over these readings, in order, each once: closures that ended, and the one in progress."""
    settings = _settings(world, stream)
    required, terms = settings.required(), settings.terms()
    assert settings.requirement is not None
    assert settings.requirement.since is not None
    since_ms = int(settings.requirement.since.timestamp() * 1000)
    meter, ended, dated = Meter(None, {}), [], True
    for each in stored:
        meter.require(required if each.utc_ms >= since_ms else None, terms)
        dated = each.dated
        if closure := meter.feed(each.number, each.reading):
            ended.append(_with_its_clock(closure, dated=dated))
    if newer and (closure := meter.end()):
        ended.append(_with_its_clock(closure, dated=dated))
    running = meter.running()
    return ended, _with_its_clock(running, dated=dated) if running else None


def _with_its_clock(closure: Closure, *, dated: bool) -> Closure:
    if dated:
        return closure
    finding = Finding("clock-unsynchronised", CODES["clock-unsynchronised"])
    return msgspec.structs.replace(closure, findings=(*closure.findings, finding))


def _settings(world: World, stream: TrueStream) -> BasinSettings:
    return next(each for each in world.settings.basin if (each.node, each.name) == (stream.node, stream.basin.name))


def _check_dates(world: World, stream: TrueStream, stored: Sequence[Stored]) -> None:
    """In the end every node's clock is right: what its last boot took is dated, and where none lied, rightly."""
    last_boot = stream.clock in [node.clock for node in world.nodes]
    for each in stored:
        _must(each.dated or not last_boot, f"{_named(stream)}: reading {each.number} is not dated")
        if each.dated and not world.happened["step_clock"]:
            true_utc_ms = TRUE_UTC_MS + stream.clock.true_ms(each.reading.ms)
            wrong_by_ms = each.utc_ms - true_utc_ms
            _must(abs(wrong_by_ms) <= SAME_CLOCK_MS, f"{_named(stream)}: {each.number} dated wrong by {wrong_by_ms} ms")


def _check_minutes(reader: Reader, basin: Basin, stored: Sequence[Stored]) -> None:
    """The per-minute table adds up to the readings."""
    sums: dict[str, dict[int, list[Stored]]] = defaultdict(lambda: defaultdict(list))
    for each in stored:
        for sensor in each.reading.mc:
            sums[sensor][each.utc_ms // 60_000].append(each)
    expected = {
        sensor: [_added(minute, sensor, table[minute]) for minute in sorted(table)] for sensor, table in sums.items()
    }
    told = reader.minutes(basin.id, 0, _END_MS)
    _must(told == expected, f"minutes of {basin.name} of {basin.node}: {told}, its readings: {expected}")


def _added(minute: int, sensor: str, stored: Sequence[Stored]) -> Minute:
    known = [mc for each in stored if (mc := each.reading.mc[sensor]) is not None]
    return Minute(
        minute=minute,
        lowest_mc=min(known, default=None),
        highest_mc=max(known, default=None),
        mean_mc=sum(known) // len(known) if known else None,
        known=len(known),
        missing=len(stored) - len(known),
        lid_open=sum(each.reading.lid is Lid.OPEN for each in stored),
    )


def _census(world: World, eyes: sqlite3.Connection) -> Counter[str]:
    counts = Counter(world.happened)
    for verdict, superseded, number in eyes.execute(
        "SELECT verdict, superseded_by IS NOT NULL, count(*) FROM closure GROUP BY 1, 2"
    ):
        counts[f"{verdict} {'superseded' if superseded else 'standing'}"] += number
    for what in ("page", "batch", "lost"):
        counts[what] += eyes.execute(f"SELECT count(*) FROM {what}").fetchone()[0]
    counts["found"] += eyes.execute("SELECT count(*) FROM lost WHERE found_ms IS NOT NULL").fetchone()[0]
    counts["streams"] += sum(len(node.streams) for node in world.nodes)
    counts["readings"] += sum(stream.told for node in world.nodes for stream in node.streams)
    counts["given up"] += sum(stream.given_up.count() for node in world.nodes for stream in node.streams)
    counts["never written"] += sum(len(stream.sampled) - stream.told for node in world.nodes for stream in node.streams)
    return counts


def _brief(closures: Sequence[Closure | None]) -> str:
    return repr(
        [
            each
            and (
                f"{each.first}-{each.last} {each.closing_edge.value}/{each.opening_edge.value} {each.verdict.value} "
                f"credited {each.credited_ms} lost {each.lost_before}/{each.lost_after} "
                f"{[finding.code for finding in each.findings]}"
            )
            for each in closures
        ]
    )


def _named(stream: TrueStream) -> str:
    return f"stream {stream.stream[:8]} of {stream.basin.name} of {stream.node} ({stream.told} told)"


def _must(holds: bool, otherwise: str) -> None:
    if not holds:
        raise Broken(otherwise)
