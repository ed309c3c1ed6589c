"""What is taken in, and once; what is set aside, and why; and that nothing beside it is lost."""

from __future__ import annotations

import json
from typing import Any

import pytest
from kit import (
    BOOT,
    BOOT_2,
    BOOTED_UTC_MS,
    SECOND,
    SENSOR,
    Collecting,
    arrived,
    batch,
    clock_at,
    reading,
    soak,
    state,
    stream_id,
)

from collector.intake import Arrived
from collector.read import Reader
from collector.store import MOST_PARKED
from soak.quantity import utc_text
from soak.reading import Reading
from soak.wire import LARGEST_MESSAGE_BYTES, PREFIX, Clock, encode

GOOD = [reading(1_000, "open"), reading(2_000, "open"), reading(3_000, "open")]
LATER = [reading(4_000, "open"), reading(5_000, "open")]


# Once


def test_a_repeat_is_counted_once_and_receipted_again(collecting: Collecting) -> None:
    first = collecting.take(batch(GOOD))
    before = collecting.rows("SELECT * FROM batch")
    again = collecting.take(batch(GOOD), batch(GOOD[1:], 2))
    assert first["n1"].streams == again["n1"].streams == {stream_id(1): [(1, 3)]}
    assert collecting.readings() == list(enumerate(GOOD, start=1))
    assert collecting.rows("SELECT * FROM batch") == before
    assert collecting.rows("SELECT stored FROM stream") == [(3,)]
    assert collecting.parked() == []


def test_a_repeat_within_one_commit_is_counted_once(collecting: Collecting) -> None:
    collecting.take(batch(GOOD), batch(GOOD))
    assert collecting.readings() == list(enumerate(GOOD, start=1))
    assert collecting.rows("SELECT sum(last - first + 1) FROM batch") == [(3,)]


def test_a_resent_message_has_a_newer_clock_and_is_still_the_same(collecting: Collecting) -> None:
    """A node stamps a message when it puts it together: sent again, its readings are the same, its clock is not."""
    collecting.take(batch(GOOD))
    receipts = collecting.take(batch(GOOD, clock=clock_at(60_000)), batch([*GOOD, *LATER]))
    assert receipts["n1"].streams == {stream_id(1): [(1, 5)]}
    assert collecting.parked() == []


def test_of_an_overlapping_message_only_the_new_part_is_kept(collecting: Collecting) -> None:
    collecting.take(batch(GOOD[1:2], 2))
    collecting.take(batch([*GOOD, *LATER]))
    assert collecting.readings() == list(enumerate([*GOOD, *LATER], start=1))
    assert collecting.rows("SELECT first, last FROM batch ORDER BY first") == [(1, 1), (2, 2), (3, 5)]
    assert collecting.rows("SELECT sum(last - first + 1) FROM batch") == [(5,)]


def test_repeats_of_sealed_readings_are_recognised(collecting: Collecting) -> None:
    """A soak of over a minute is sealed at its opening; what is sent again is compared with the page."""
    readings = soak(61_000)
    readings[7] = Reading(readings[7].ms, readings[7].why, readings[7].lid, {SENSOR: 21_000, SECOND: None})
    collecting.take(batch(readings))
    assert collecting.rows("SELECT first, last FROM page") == [(1, len(readings))]
    assert collecting.rows("SELECT count(*) FROM batch") == [(0,)]
    collecting.take(batch(readings))
    assert collecting.parked() == []
    assert collecting.readings() == list(enumerate(readings, start=1))


# Contradictions


def test_the_same_number_with_other_content_is_parked_and_what_was_stored_stands(collecting: Collecting) -> None:
    collecting.take(batch(GOOD))
    other = [GOOD[0], reading(2_000, "open", 21_063), *GOOD[2:], *LATER]
    receipts = collecting.take(batch(other), arrived(batch([reading(9_000, "open")], stream=stream_id(2)), "n2"))
    assert collecting.parked() == [("contradicts", "reading 2 says something else than the one stored.")]
    assert collecting.readings() == list(enumerate(GOOD, start=1))
    assert receipts["n1"].streams == {stream_id(1): [(1, 3)]}  # it lets go of what stands, and sends the rest by itself
    assert receipts["n2"].streams == {stream_id(2): [(1, 1)]}
    collecting.take(batch(LATER, 4))
    assert collecting.readings() == list(enumerate([*GOOD, *LATER], start=1))


@pytest.mark.parametrize(
    ("node", "basin", "boot"),
    [("n2", "b1", BOOT), ("n1", "b2", BOOT), ("n1", "b1", BOOT_2)],
    ids=["node", "basin", "boot"],
)
@pytest.mark.parametrize("restarted", [False, True])
def test_a_stream_belongs_to_one_basin_of_one_node_in_one_boot(
    collecting: Collecting, node: str, basin: str, boot: str, *, restarted: bool
) -> None:
    collecting.take(batch(GOOD))
    if restarted:
        collecting.restart()
    receipts = collecting.take(arrived(batch(LATER, 4, basin=basin, boot=boot), node))
    ((reason, detail),) = collecting.parked()
    assert reason == "wrong-stream"
    assert detail == (
        f"stream 00000000… belongs to basin b1 of node n1, boot 9f6c0000…; this says basin {basin} of node {node}, "
        "boot 9f6c0000…"
    )
    assert collecting.readings() == list(enumerate(GOOD, start=1))
    assert node == "n1" or receipts[node].streams == {}, "a node must not be told what another node's stream has"


def test_a_node_that_lists_a_stream_of_another_learns_nothing_of_it(collecting: Collecting) -> None:
    """Its outbox would let go of readings that nobody has."""
    collecting.take(batch(GOOD))
    receipts = collecting.take(state((stream_id(1), 1, 3), ms=4_000), node="n2")
    assert receipts["n2"].streams == {}
    assert collecting.rows("SELECT over FROM stream") == [(0,)]


@pytest.mark.parametrize(
    ("before", "after", "detail"),
    [
        (batch([reading(3_000, "open")], 4), None, "reading 4 is not later than reading 3."),
        (batch([reading(2_999, "open")], 4), None, "reading 4 is not later than reading 3."),
        (batch([reading(2_000, "open")], 9), None, "reading 9 is not later than reading 3."),
        (
            batch([reading(8_000, "open")], 9),
            batch([reading(8_000, "open")], 5),
            "reading 5 is not earlier than reading 9.",
        ),
        (
            batch([reading(8_000, "open")], 9),
            batch([reading(9_000, "open")], 5),
            "reading 5 is not earlier than reading 9.",
        ),
    ],
)
def test_times_rise_across_messages(collecting: Collecting, before: Any, after: Any, detail: str) -> None:
    """Within one message the wire checks it; here what lies before and after in the store, across holes too."""
    collecting.take(batch(GOOD))
    collecting.take(before)
    stored = collecting.readings()
    if after:
        assert collecting.parked() == []
        collecting.take(after)
    assert collecting.parked() == [("time", detail)]
    assert collecting.readings() == stored


def test_times_are_checked_against_sealed_readings_too(collecting: Collecting) -> None:
    readings = soak(61_000)
    collecting.take(batch(readings))
    collecting.restart()
    collecting.take(batch([reading(readings[-1].ms, "open")], len(readings) + 1))
    assert [reason for reason, _ in collecting.parked()] == ["time"]


# The node's wall clock


def test_a_synchronised_clock_far_in_the_future_is_not_believed(collecting: Collecting) -> None:
    """A day ahead at most: beyond that one of the two clocks is wrong, and nobody could say when the soak was."""
    ahead_ms = collecting.clock.now_ms + 24 * 3_600_000
    believed = Clock(3_000, utc_text(ahead_ms), synced=True)
    collecting.take(batch(GOOD, clock=believed))
    collecting.take(batch(LATER, 4, clock=Clock(5_000, utc_text(ahead_ms + 1), synced=True)))
    assert collecting.parked() == [
        ("future", f"its clock says {utc_text(ahead_ms + 1)}, more than a day ahead of this one.")
    ]
    assert len(collecting.readings()) == 3


def test_an_unsynchronised_clock_is_accepted_and_told(collecting: Collecting) -> None:
    """Durations hold, times of day may be off: the closure says so."""
    years_ahead = Clock(900_000, "2031-01-01T00:00:00.000Z", synced=False)
    collecting.take(batch(soak(720_000), clock=years_ahead))
    (stored,) = collecting.closures()
    assert not stored.clock_synced
    assert stored.closure.findings[-1].code == "clock-unsynchronised"
    assert stored.closure.verdict == "met"
    assert collecting.parked() == []
    assert not collecting.now().synced


@pytest.mark.parametrize(
    ("utc", "clock_ms", "dated"),
    [
        ("1970-01-01T00:15:00.000Z", 900_000, True),
        ("1970-01-01T00:15:00.000Z", 900_501, False),
        ("9999-12-31T23:59:59.999Z", 721_500, True),
        ("9999-12-31T23:59:59.999Z", 721_499, False),
        ("0001-01-01T00:00:00.000Z", 900_000, False),
        ("2026-03-02T08:00:00.000Z", 2**53 - 1, False),
    ],
)
def test_whatever_clock_is_taken_in_can_be_shown(
    collecting: Collecting, utc: str, clock_ms: int, *, dated: bool
) -> None:
    """A date that no calendar has would break every page that lists it: such a message is set aside."""
    collecting.take(batch(soak(720_000), clock=Clock(clock_ms, utc, synced=False)), batch(GOOD, stream=stream_id(2)))
    for stored in collecting.closures():
        assert utc_text(stored.closing_utc_ms)
        assert utc_text(stored.last_utc_ms)
    assert utc_text(collecting.now().at_utc_ms)
    detail = f"its clock ({utc}, {clock_ms} ms after its boot) dates a reading outside the years 1970 to 9999."
    assert collecting.parked() == ([] if dated else [("time", detail)])
    assert len(collecting.readings()) == (723 if dated else 0)
    assert len(collecting.readings(stream_id(2))) == 3


# Bad messages


def _changed(**parts: object) -> bytes:
    return json.dumps(json.loads(encode(batch(LATER, 4))) | parts).encode()


def _one(**parts: object) -> bytes:
    whole = json.loads(encode(batch(LATER, 4)))
    whole["readings"][0] |= parts
    return json.dumps(whole).encode()


READINGS = f"{PREFIX}n1/readings"
BAD = {
    "empty": (READINGS, b"", "not-json"),
    "not JSON": (READINGS, b"lid open", "not-json"),
    "cut off": (READINGS, encode(batch(LATER, 4))[:-3], "not-json"),
    "two in one": (READINGS, encode(batch(LATER, 4)) * 2, "not-json"),
    "not UTF-8": (READINGS, b'{"stream": "\xff"}', "not-utf-8"),
    "binary": (READINGS, bytes(range(256)), "not-utf-8"),
    "a list": (READINGS, b"[]", "wrong-shape"),
    "null": (READINGS, b"null", "wrong-shape"),
    "nested": (READINGS, b"[" * 100_000, "wrong-shape"),
    "huge": (READINGS, b" " * (LARGEST_MESSAGE_BYTES + 1), "huge"),
    "no readings": (READINGS, _changed(readings=[]), "wrong-shape"),
    "too many readings": (READINGS, _changed(readings=[{}] * 1_001), "wrong-shape"),
    "first is text": (READINGS, _changed(first="4"), "wrong-shape"),
    "first is 0": (READINGS, _changed(first=0), "wrong-shape"),
    "first beyond 2^53": (READINGS, _changed(first=2**53), "wrong-shape"),
    "stream is a path": (READINGS, _changed(stream="../../etc"), "wrong-shape"),
    "stream with a line feed": (READINGS, _changed(stream=stream_id(1) + "\n"), "wrong-shape"),
    "basin is SQL": (READINGS, _changed(basin="b1'; DROP TABLE page; --"), "wrong-shape"),
    "boot is null": (READINGS, _changed(boot=None), "wrong-shape"),
    "no clock": (READINGS, _changed(clock=None), "wrong-shape"),
    "clock without date": (
        READINGS,
        _changed(clock={"ms": 5_000, "utc": "2026-02-30T00:00:00.000Z", "synced": True}),
        "time",
    ),
    "clock far before the readings": (
        READINGS,
        encode(batch([reading(4_000_000, "open")], 4, clock=clock_at(4_000))),
        "time",
    ),
    "temperature is text": (READINGS, _one(mc={SENSOR: "21000"}), "wrong-shape"),
    "temperature is a fraction": (READINGS, _one(mc={SENSOR: 21000.5}), "wrong-shape"),
    "temperature is NaN": (READINGS, _one(mc={SENSOR: float("nan")}), "not-json"),
    "temperature is true": (READINGS, _one(mc={SENSOR: True}), "wrong-shape"),
    "hotter than it can measure": (READINGS, _one(mc={SENSOR: 125_001}), "wrong-shape"),
    "sensor is no sensor": (READINGS, _one(mc={"thermometer": 21_000}), "wrong-shape"),
    "too many sensors": (READINGS, _one(mc={f"28-{n:012x}": 1 for n in range(17)}), "wrong-shape"),
    "unknown lid word": (READINGS, _one(lid="ajar"), "wrong-shape"),
    "unknown why": (READINGS, _one(why="whim"), "wrong-shape"),
    "why over two lines": (READINGS, _one(why="tick\nERROR all soaks met"), "wrong-shape"),
    "negative time": (READINGS, _one(ms=-1), "wrong-shape"),
    "time goes back": (READINGS, _one(ms=5_000), "time"),
    "fault in capitals": (READINGS, _one(fault={SENSOR: {"code": "CRC"}}), "wrong-shape"),
    "state is not one": (f"{PREFIX}n1/state", b'{"up": "yes"}', "wrong-shape"),
    "unknown topic": (f"{PREFIX}n1/gossip", b"{}", "topic"),
    "other version": ("soakledger/2/n1/readings", encode(batch(LATER, 4)), "topic"),
    "node in capitals": (f"{PREFIX}N1/readings", encode(batch(LATER, 4)), "topic"),
    "node too long": (f"{PREFIX}{'n' * 65}/readings", encode(batch(LATER, 4)), "topic"),
    "topic too deep": (f"{PREFIX}n1/b1/readings", encode(batch(LATER, 4)), "topic"),
}


@pytest.mark.parametrize(("topic", "payload", "reason"), BAD.values(), ids=BAD.keys())
def test_a_bad_message_is_set_aside_and_nothing_beside_it_is_lost(
    collecting: Collecting, topic: str, payload: bytes, reason: str
) -> None:
    receipts = collecting.take(batch(GOOD), Arrived(topic, payload), batch(LATER, 4))
    assert [found for found, _ in collecting.parked()] == [reason]
    assert collecting.readings() == list(enumerate([*GOOD, *LATER], start=1))
    assert receipts["n1"].streams == {stream_id(1): [(1, 5)]}
    with Reader(collecting.data_dir) as reader:
        assert reader.parked_counts() == {reason: 1}
        (parked,) = reader.parked()
    assert (parked.topic, parked.bytes, parked.times) == (topic, len(payload), 1)
    assert parked.detail
    assert parked.detail.isprintable()


def test_all_bad_messages_in_one_commit(collecting: Collecting) -> None:
    collecting.take(batch(GOOD), *(Arrived(topic, payload) for topic, payload, _ in BAD.values()), batch(LATER, 4))
    assert collecting.readings() == list(enumerate([*GOOD, *LATER], start=1))
    assert sorted(reason for reason, _ in collecting.parked()) == sorted(reason for *_, reason in BAD.values())


def test_unknown_fields_are_ignored(collecting: Collecting) -> None:
    """Versions may differ by one."""
    collecting.take(Arrived(READINGS, _changed(first=1, humidity=40)))
    assert len(collecting.readings()) == 2
    assert collecting.parked() == []


def test_the_same_bad_message_is_kept_once_and_counted(collecting: Collecting) -> None:
    for _ in range(3):
        collecting.clock.now_ms += 1_000
        collecting.take(Arrived(READINGS, b"x"), Arrived(READINGS, b"x"))
    ((times, first_ms, last_ms, start),) = collecting.rows("SELECT times, first_ms, last_ms, start FROM parked")
    assert (times, last_ms - first_ms, start) == (6, 2_000, b"x")
    assert collecting.rows("SELECT reason, times FROM parked_count") == [("not-json", 6)]


def test_what_is_set_aside_is_bounded_and_the_counts_are_right(collecting: Collecting) -> None:
    """Somebody who sends nonsense for ever fills no disk; the oldest go, the newest and the counts stay."""
    most = MOST_PARKED
    for start in range(0, most + 300, 100):
        collecting.clock.now_ms += 1
        collecting.take(*(Arrived(READINGS, b"nonsense %d" % number) for number in range(start, start + 100)))
    kept = [bytes(start) for (start,) in collecting.rows("SELECT start FROM parked ORDER BY id")]
    assert most * 9 // 10 <= len(kept) <= most
    assert kept == [b"nonsense %d" % number for number in range(most + 300 - len(kept), most + 300)]
    assert collecting.rows("SELECT reason, times FROM parked_count") == [("not-json", most + 300)]


def test_of_a_huge_message_only_the_start_is_kept(collecting: Collecting) -> None:
    collecting.take(Arrived(READINGS, b"y" * 10_000_000))
    assert collecting.rows("SELECT bytes, length(start) FROM parked") == [(10_000_000, 2_048)]


# Basins nobody described


def test_a_basin_that_nobody_described_is_kept_and_stays_unproven(collecting: Collecting) -> None:
    collecting.take(batch(soak(720_000), basin="b9", stream=stream_id(9)), node="n7")
    (stored,) = collecting.closures()
    assert (stored.closure.verdict, stored.closure.findings[0].code) == ("unproven", "no-requirement")
    with Reader(collecting.data_dir) as reader:
        assert [(each.label, each.requirement) for each in reader.basins()][1:] == [("n7 b9", None)]


def test_a_flood_of_basins_is_bounded_and_known_ones_go_on(
    collecting: Collecting, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.intake.MOST_BASINS", 2)
    for number in range(2, 6):
        collecting.take(batch(GOOD, basin=f"b{number}", stream=stream_id(number)))
    assert collecting.parked() == [("too-many-basins", "there are 2 basins already.")] * 3
    collecting.take(batch(GOOD, stream=stream_id(20), boot=BOOT_2))
    assert len(collecting.readings(stream_id(20))) == 3


def test_dates_come_from_the_clock_that_came_with_the_readings(collecting: Collecting) -> None:
    collecting.take(batch(soak(720_000)))
    (stored,) = collecting.closures()
    assert stored.closing_utc_ms == BOOTED_UTC_MS + 1_000
    assert stored.last_utc_ms == BOOTED_UTC_MS + 721_000
    assert stored.clock_synced
