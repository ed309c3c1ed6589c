"""However readings arrive, each is stored once, and in the end the verdicts are those of one quiet run in order.

Design, sections 3 and 5: repeats are counted once, order does not matter, a hole that the node still lists ends
nothing, one that it no longer lists is lost, and losing deliveries never turns a soak that is not met into one that is.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import msgspec
import pytest
from deliveries import TERMS, Delivery, Stream, met_in_truth, quiet_run, sampled
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from kit import BOOT, BOOT_2, BOOTED_UTC_MS, looking

from collector.read import Reader
from collector.readings import stored_readings
from collector.required import Required
from soak.closure import Closure
from soak.ranges import Ranges
from soak.requirement import Requirement

_LAX = Requirement(min_mc=20_000, contact_ms=3_000)
_STRICT = Requirement(min_mc=20_000, contact_ms=4_001, max_mc=21_499)
_CODES = st.integers(0, 2**30 - 1)
_SETTINGS = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


@st.composite
def _streams(draw: st.DrawFn) -> list[Stream]:
    """Up to three streams of one basin: another boot, or another outbox in the same boot."""
    found: list[Stream] = []
    booted_utc_ms, boot = BOOTED_UTC_MS, BOOT
    for number in range(1, draw(st.sampled_from([1, 2, 2, 3])) + 1):
        codes = draw(st.lists(st.integers(0, 2**20 - 1), min_size=1, max_size=18))
        stream = sampled(codes, number, boot, booted_utc_ms)
        if found and found[-1].boot == boot:  # another outbox of the same boot: its clock goes on
            later_ms = found[-1].readings[-1].ms
            stream.readings = [msgspec.structs.replace(each, ms=each.ms + later_ms) for each in stream.readings]
        found.append(stream)
        if draw(st.booleans()) and boot == BOOT:
            boot, booted_utc_ms = BOOT_2, booted_utc_ms + 600_000
    return found


@pytest.fixture(autouse=True)
def _small_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages are sealed every few readings, so that short streams have many."""
    monkeypatch.setattr("collector.tracker.MOST_READINGS", 7)
    monkeypatch.setattr("collector.tracker._PAGE_AFTER_CLOSED_MS", 3_000)


def _standing(delivery: Delivery, stream: str) -> list[Closure]:
    row = delivery.store.stream(stream)
    return [closure for _, closure in delivery.store.standing_closures(row.id, 0, 1 << 60)] if row else []


def _check_readings(delivery: Delivery) -> None:
    for stream in delivery.streams:
        row = delivery.store.stream(stream.stream)
        found = list(stored_readings(delivery.store.db, row.id)) if row else []
        numbers = [n for first, last in delivery.delivered[stream.stream] for n in range(first, last + 1)]
        assert [each.number for each in found] == numbers
        assert [each.reading for each in found] == [stream.readings[number - 1] for number in numbers]
        assert [each.utc_ms - each.reading.ms for each in found] == [stream.booted_utc_ms] * len(found)


def _check_verdicts(delivery: Delivery) -> None:
    for index, stream in enumerate(delivery.streams):
        newer = index < len(delivery.streams) - 1
        expected, running = quiet_run(stream, delivery.delivered[stream.stream], delivery.required, newer=newer)
        assert _standing(delivery, stream.stream) == expected
        if not newer and stream.held.last is None and delivery.delivered[stream.stream].last == stream.taken:
            with Reader(delivery.folder) as reader:
                (now,) = reader.now().values()
            assert (now.stream, now.number, now.closure) == (stream.stream, stream.taken, running)


def _check_lost(delivery: Delivery) -> None:
    """What never came is recorded lost, up to the newest number that came; what came after all is not."""
    for stream in delivery.streams:
        row = delivery.store.stream(stream.stream)
        delivered = delivery.delivered[stream.stream]
        expected = Ranges(delivered.missing(1, delivered.last or 0))
        lost = delivery.store.lost(row.id) if row else Ranges()
        newest = delivered.last or 0
        assert [piece for each in lost for piece in delivered.missing(*each)] == list(lost), "lost and stored"
        assert not [piece for each in expected for piece in lost.missing(*each)], (expected, lost)
        assert not [each for each in lost if each[0] <= newest and expected.missing(each[0], min(each[1], newest))]


def _check_superseded(delivery: Delivery) -> None:
    with looking(delivery.folder) as other:
        rows = other.execute("SELECT id, superseded_by, first, last, stream_id FROM closure").fetchall()
        assert other.execute("SELECT count(*) FROM parked").fetchone() == (0,)
        assert other.execute("SELECT sum(stored) FROM stream").fetchone()[0] == sum(
            ranges.count() for ranges in delivery.delivered.values()
        ) or not any(len(ranges) for ranges in delivery.delivered.values())
    by_id = {row[0]: row for row in rows}
    for row_id, superseded_by, first, last, stream_id in rows:
        if superseded_by is not None:
            _, _, later_first, later_last, later_stream = by_id[superseded_by]
            assert superseded_by > row_id
            assert stream_id == later_stream
            assert later_first <= last
            assert first <= later_last


@_SETTINGS
@given(_streams(), st.lists(_CODES, max_size=40), st.booleans())
def test_verdicts_do_not_depend_on_deliveries(streams: list[Stream], codes: list[int], changing: bool) -> None:
    required = [Required(0, _LAX, TERMS)]
    if changing:  # in the middle of a closure or not: what held at its closing reading judges the whole of it
        middle = streams[0].readings[len(streams[0].readings) // 2].ms
        required.append(Required(BOOTED_UTC_MS + middle, _STRICT, TERMS))
        required.append(Required(BOOTED_UTC_MS + middle + 4_000, None, {}))
    _played(streams, codes, required)


def _played(streams: list[Stream], codes: list[int], required: list[Required]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        delivery = Delivery(Path(folder) / "data", streams, required)
        try:
            delivery.play(codes)
            delivery.finish()
            _check_readings(delivery)
            _check_lost(delivery)
            _check_superseded(delivery)
            _check_verdicts(delivery)
        finally:
            delivery.close()


@_SETTINGS
@given(_streams(), st.lists(_CODES, max_size=40))
def test_nothing_is_shown_met_that_is_not(streams: list[Stream], codes: list[int]) -> None:
    """At every moment, whatever is missing: a closure that stands or runs as met is met when nothing is missing."""
    required = [Required(0, _LAX, TERMS)]
    truth = met_in_truth(streams, required)
    with tempfile.TemporaryDirectory() as folder:
        delivery = Delivery(Path(folder) / "data", streams, required)
        try:
            for code in codes:
                delivery.play([code])
                for stream, closure in delivery.claims():
                    if closure.verdict == "met":
                        assert not truth[stream].missing(closure.first, closure.last)
        finally:
            delivery.close()
