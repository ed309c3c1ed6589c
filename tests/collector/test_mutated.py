"""Spoilt messages between good ones: every good reading is kept, everything else is set aside with a reason.

Eight thousand in the suite; SOAKLEDGER_MUTATED=100000 for the whole, SOAKLEDGER_SEED for others. A failure prints the
message; the same seed and count send it again.
"""

from __future__ import annotations

import logging
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
from goodtraffic import THIRD, Traffic
from kit import BOOTED_UTC_MS, SECOND, SENSOR, Collecting, site
from mutations import MUTATIONS, RARE, Message, mutated
from wire_judge import Opinion, WireJudge, contents_of

from collector.intake import Arrived
from collector.readings import stored_readings
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from collector.store import MOST_PARKED

COUNT = int(os.environ.get("SOAKLEDGER_MUTATED", "8000"))
SEED = int(os.environ.get("SOAKLEDGER_SEED", "20260302"))
NOW_MS = BOOTED_UTC_MS + 3_600_000
READINGS = 1_500
"""Of each good stream; the protected ones and the others."""


def clinic() -> Any:
    """Three basins with different sensors, one minute at 20 °C, for the nodes whose good messages must all be kept."""
    need = RequirementSettings(min_temp_c="20", contact="1m", since=None)
    terms = {sensor: SensorSettings(u_c="0.5") for sensor in (SENSOR, SECOND, THIRD)}
    rooms = [("n1", "b1", 1), ("n1", "b2", 2), ("n2", "b1", 3)]
    return site(
        basins=[
            BasinSettings(node, name, f"{node} {name}", dict(list(terms.items())[:sensors]), requirement=need)
            for node, name, sensors in rooms
        ]
    )


def collector(folder: Path) -> Collecting:
    """A collector that knew what is required before the first reading, and whose clock is right."""
    collecting = Collecting(folder, clinic(), BOOTED_UTC_MS - 1)
    collecting.clock.now_ms = NOW_MS
    return collecting


GOOD, UNPROTECTED = "good", "honest, lied about"
COMMIT = 300


class Trial:
    """Good messages with spoilt ones between them, through a real intake, watched by the judge."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.rng = Random(seed)
        self.collecting = collector(folder)
        self.judge = WireJudge()
        self.good = Traffic(seed, READINGS, "n", 1)
        self.others = Traffic(seed + 1, READINGS, "s", 101)
        self.outcomes: Counter[tuple[str, str]] = Counter()
        self.untold = 0
        """Lies that nobody could tell from the truth, about a node whose verdicts are compared: not told."""
        self._protected = {source.stream for source in self.good.sources}
        self._nodes = {source.node for source in self.good.sources}
        self._commit: list[tuple[str, Message, Opinion]] = []
        self._parked: list[str | None] = []
        self._park = self.collecting.store.park
        self.collecting.store.park = self._watched  # type: ignore[method-assign]

    def _watched(self, topic: str, payload: bytes, reason: str, detail: str) -> None:
        """Parking, with a note of the reason."""
        assert self._parked[-1] is None, "parked twice"
        self._parked[-1] = reason
        self._park(topic, payload, reason, detail)

    def run(self, count: int) -> None:
        """Deliver all good messages with so many spoilt ones evenly between them."""
        honest = [
            *((GOOD, each) for each in self.good.messages()),
            *((UNPROTECTED, each) for each in self.others.messages()),
        ]
        order = [*range(len(honest))]
        half = len(list(filter(lambda each: each[0] == GOOD, honest)))
        order.sort(key=lambda index: index if index < half else (index - half) * half / (len(honest) - half))
        past: list[Message] = []
        sent = 0
        for place, index in enumerate(order, 1):
            name, message = honest[index]
            self.offer(name, message)
            past.append(message)
            while sent < count * place // len(order):
                sent += self._spoil(
                    past[self.rng.randrange(len(past))]
                    if self.rng.random() < 0.3
                    else past[-1 - self.rng.randrange(min(20, len(past)))]
                )
        self.deliver()

    def _spoil(self, message: Message) -> bool:
        name, spoilt = mutated(self.rng, message)
        return self.offer(name, spoilt)

    def offer(self, name: str, message: Message) -> bool:
        """Put a message into the next commit; False if it is a lie that must not be told."""
        opinion = self.judge.opinion(message.topic, message.payload, NOW_MS)
        if name not in (GOOD, UNPROTECTED) and self._is_untold(opinion):
            self.untold += 1
            return False
        self._commit.append((name, message, opinion))
        if opinion.may_take and not opinion.reasons:
            self.judge.took(opinion)
        if len(self._commit) >= COMMIT or (
            opinion.may_take and opinion.reasons
        ):  # what becomes of it matters for the next
            self.deliver()
        return True

    def _is_untold(self, opinion: Opinion) -> bool:
        if not opinion.may_take:
            return False
        if opinion.kind == "state":
            return opinion.node in self._nodes or any(stream in self._protected for stream, _ in opinion.listed)
        return opinion.stream in self._protected and bool(opinion.fresh)

    def deliver(self) -> None:
        """One commit; what happened to each message must be what the judge thinks right."""
        commit, self._commit, self._parked = self._commit, [], []
        self.collecting.intake.take(self._offered(commit))
        for (name, message, opinion), reason in zip(commit, self._parked, strict=True):
            what = f"{name}: {message.topic[:100]!r} {message.payload[:1000]!r}"
            if reason is None:
                assert opinion.may_take, f"taken in, and should be set aside as {opinion.reasons}: {what}"
                if opinion.reasons:
                    self.judge.took(opinion)
            else:
                assert name != GOOD, f"set aside as {reason}: {what}"
                assert reason in opinion.reasons, f"set aside as {reason}, not {opinion.reasons or 'taken in'}: {what}"
            self.outcomes[name, reason or "taken in"] += 1

    def _offered(self, commit: list[tuple[str, Message, Opinion]]) -> Iterator[Arrived]:
        for _, message, _ in commit:
            self._parked.append(None)
            yield Arrived(*message)


def stored(collecting: Collecting, stream: str) -> list[tuple[int, int, Any]]:
    """Number, date and reading of everything stored of a stream."""
    row = collecting.store.stream(stream)
    assert row is not None
    return [(each.number, each.utc_ms, each.reading) for each in stored_readings(collecting.store.db, row.id)]


def verdicts(collecting: Collecting, stream: str) -> list[tuple[Any, ...]]:
    """Every verdict on a stream that stands, with its dates and all that was found."""
    return collecting.rows(
        """SELECT c.first, c.last, c.closing_utc_ms, c.last_utc_ms, c.clock_synced, c.verdict, c.body
           FROM judged c JOIN stream s ON s.id = c.stream_id
           WHERE s.stream = ? AND c.superseded_by IS NULL ORDER BY c.first""",
        stream,
    )


@pytest.fixture
def log_lines() -> Iterator[list[str]]:
    """What the intake logs, and nothing of it elsewhere."""
    log, lines = logging.getLogger("collector.intake"), []

    class Kept(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            lines.append(record.getMessage())

    handler, propagated = Kept(), log.propagate
    log.addHandler(handler)
    log.propagate = False
    yield lines
    log.propagate = propagated
    log.removeHandler(handler)


@pytest.mark.timeout(3_600)
def test_spoilt_messages_between_good_ones(
    tmp_path: Path, log_lines: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    trial = Trial(tmp_path / "spoilt", SEED)
    trial.run(COUNT)
    told = {name: sum(times for (of, _), times in trial.outcomes.items() if of == name) for name in (GOOD, UNPROTECTED)}
    assert sum(trial.outcomes.values()) - sum(told.values()) == COUNT
    _every_reading_is_stored_once_and_nothing_else(trial)
    _everything_set_aside_is_counted_in_a_bounded_table(trial)
    _good_streams_are_as_in_a_quiet_run(trial, tmp_path)
    assert all(line.isprintable() for line in log_lines), "a log line with control characters"
    assert len(log_lines) < 1_000 + COUNT // 10, "the log is flooded"
    with capsys.disabled():
        print(_table(trial, told))
    trial.collecting.close()


def _every_reading_is_stored_once_and_nothing_else(trial: Trial) -> None:
    collecting, judge = trial.collecting, trial.judge
    for source in trial.good.sources:
        assert collecting.readings(source.stream) == list(enumerate(source.readings, 1))
    found = dict(collecting.rows("SELECT stream, id FROM stream"))
    for stream, row_id in found.items():
        expected = judge.streams[stream].readings if stream in judge.streams else {}
        assert expected or stream in judge.claims, f"nobody sent anything of stream {stream}"
        each_once = contents_of((one.number, one.reading) for one in stored_readings(collecting.store.db, row_id))
        assert each_once == expected
    assert {stream for stream, one in judge.streams.items() if one.readings} <= found.keys()
    counted = collecting.rows("SELECT stored FROM stream WHERE stream IN (SELECT stream FROM stream)")
    assert sum(count for (count,) in counted) == sum(len(one.readings) for one in judge.streams.values())
    owners = {stream: one.owner for stream, one in judge.streams.items()}
    rows = collecting.rows("SELECT s.stream, b.node, b.name, s.boot FROM stream s JOIN basin b ON b.id = s.basin_id")
    assert all(owners.get(stream, tuple(owner)) == tuple(owner) for stream, *owner in rows)


def _everything_set_aside_is_counted_in_a_bounded_table(trial: Trial) -> None:
    collecting = trial.collecting
    reasons: Counter[str] = Counter()
    for (_, reason), times in trial.outcomes.items():
        if reason != "taken in":
            reasons[reason] += times
    assert dict(collecting.rows("SELECT reason, times FROM parked_count")) == reasons
    ((rows, longest, detail, topic),) = collecting.rows(
        "SELECT count(*), max(length(start)), max(length(detail)), max(length(topic)) FROM parked"
    )
    assert 0 < rows <= MOST_PARKED
    assert longest <= 2_048
    assert detail <= 500
    assert topic <= 200
    assert collecting.rows("SELECT count(*) FROM parked WHERE detail = '' OR reason = ''") == [(0,)]
    assert collecting.rows("PRAGMA integrity_check") == [("ok",)]
    assert collecting.rows("PRAGMA foreign_key_check") == []


def _good_streams_are_as_in_a_quiet_run(trial: Trial, folder: Path) -> None:
    quiet = collector(folder / "quiet")
    good = list(Traffic(SEED, READINGS, "n", 1).messages())
    for start in range(0, len(good), COMMIT):
        quiet.intake.take(Arrived(*message) for message in good[start : start + COMMIT])
    words: set[str] = set()
    for source in trial.good.sources:
        assert stored(trial.collecting, source.stream) == stored(quiet, source.stream)
        expected = verdicts(quiet, source.stream)
        assert verdicts(trial.collecting, source.stream) == expected
        words |= {row[5] for row in expected}
    assert words == {"met", "not met", "unproven"}
    quiet.close()


def _table(trial: Trial, told: dict[str, int]) -> str:
    """What was sent and what became of it, for people."""
    heads = ["taken in", *sorted({reason for _, reason in trial.outcomes} - {"taken in"})]
    names = [*MUTATIONS, *RARE]
    sums = {head: sum(trial.outcomes[name, head] for name in names) for head in heads}
    rows = {name: [trial.outcomes[name, head] for head in heads] for name in (*names, UNPROTECTED, GOOD)}
    rows["spoilt, together"] = list(sums.values())
    return "\n".join(
        [
            f"\n{COUNT} spoilt messages (seed {SEED}) between {told[GOOD]} good ones and {told[UNPROTECTED]} of nodes "
            "that are lied about",
            " " * 20 + "".join(f"{head:>14}" for head in heads),
            *(f"{name:20}" + "".join(f"{times:14}" for times in row) for name, row in rows.items()),
            f"lies that nobody can tell from the truth, not told about the good nodes: {trial.untold}",
        ]
    )
