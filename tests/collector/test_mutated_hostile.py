"""Valid, and sent in bad faith or by a node gone mad: what it can fill is bounded, and good nodes go on."""

from __future__ import annotations

import pytest
from kit import (
    BOOT,
    BOOT_2,
    BOOTED_UTC_MS,
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

from collector.intake import MOST_BASINS
from collector.page import unseal
from soak.quantity import utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.wire import Batch, Clock, Topic, decode, encode


@pytest.fixture
def late(collecting: Collecting) -> Collecting:
    """The collector's clock is ahead of everything that is sent here."""
    collecting.clock.now_ms = BOOTED_UTC_MS + 86_400_000
    return collecting


def announce(late: Collecting, basins: int) -> None:
    """Readings of so many basins, five hundred to a node."""
    for start in range(0, basins, 500):
        late.take(
            *(
                batch([reading(1_000, "open")], stream=stream_id(1_000 + index), basin=f"b{index}", boot=BOOT_2)
                for index in range(start, min(start + 500, basins))
            ),
            node=f"mad{start}",
        )


def test_ever_new_basins_end_at_a_bound_and_those_known_go_on(late: Collecting) -> None:
    announce(late, MOST_BASINS + 300)
    assert late.rows("SELECT count(*) FROM basin") == [(MOST_BASINS,)]
    assert late.rows("SELECT reason, times FROM parked_count") == [("too-many-basins", 301)]  # b1 of n1 is one of them
    receipts = late.take(batch(soak(60_000)))
    assert receipts["n1"].streams == {stream_id(1): [(1, 63)]}


def ever_new(count: int) -> list[Reading]:
    """Readings of a closed lid with fifteen sensors each that were never named before, half of them with new faults."""
    readings = []
    for index in range(count):
        names = [f"28-{index * 16 + place:012x}" for place in range(15)]
        mc: dict[str, int | None] = {name: 20_000 if place % 2 else None for place, name in enumerate(names)}
        fault = {sensor: Fault(f"w{sensor[3:]}", "4b" * 9) for sensor, known in mc.items() if known is None}
        fault[SENSOR] = Fault(f"x{index}")
        readings.append(Reading(1_000 * (index + 1), Why.TICK, Lid.CLOSED, mc | {SENSOR: None}, fault))
    return readings


def in_messages(readings: list[Reading]) -> list[Batch]:
    """A hundred to a message."""
    return [batch(readings[start : start + 100], start + 1) for start in range(0, len(readings), 100)]


def test_ever_new_sensors_and_fault_words_take_little_more_room_than_they_took_to_send(late: Collecting) -> None:
    """Readings are kept whole, so a sender can fill a disk with them; but not with more than it sends."""
    before, contents = _size(late), in_messages(ever_new(400))
    late.take(*contents)
    assert late.parked() == []
    assert _size(late) - before < 2 * sum(len(encode(content)) for content in contents)
    closure = late.now().closure
    assert closure is not None
    assert len(closure.faults) == 17
    assert sum(closure.faults.values()) == 400


def test_no_page_takes_longer_the_more_sensors_a_sender_makes_up(late: Collecting) -> None:
    """What sealing costs is readings times sensors: as many sensors as a node can list are enough."""
    readings = [*ever_new(300), reading(301_000, "open")]
    late.take(*in_messages(readings))
    assert late.readings() == list(enumerate(readings, 1))
    pages = late.rows("SELECT sha256, body FROM page")
    assert pages or late.parked()
    for sha256, body in pages:
        _, readings, _ = unseal(body, sha256)
        assert len({sensor for each in readings for sensor in each.mc}) <= 128


def _size(late: Collecting) -> int:
    ((pages,),), ((page_bytes,),) = late.rows("PRAGMA page_count"), late.rows("PRAGMA page_size")
    return int(pages) * int(page_bytes)


def test_ever_new_boots_take_a_row_each_and_no_more(late: Collecting) -> None:
    for index in range(300):
        boot = f"{index:08x}-0000-4000-8000-000000000001"
        late.take(batch([reading(1_000, "open")], stream=stream_id(100 + index), boot=boot))
    assert late.rows("SELECT count(*) FROM boot") <= [(300,)]
    assert late.take(batch(soak(60_000)))["n1"].streams


def test_numbers_at_the_end_of_what_json_keeps_exact_are_receipted_so_that_a_node_can_read_it(late: Collecting) -> None:
    last = 2**53 - 1
    receipts = late.take(batch([reading(1, "open"), reading(2, "open")], last - 1))
    assert receipts["n1"].streams == {stream_id(1): [(last - 1, last)]}
    assert decode(Topic.RECEIPT, encode(receipts["n1"])) == receipts["n1"]
    late.take(batch([reading(1, "open"), reading(2, "open")], last, stream=stream_id(2)))
    assert [reason for reason, _ in late.parked()] == ["wrong-shape"]


def test_ever_new_streams_do_not_fill_the_memory(late: Collecting) -> None:
    """A node can list a thousand streams as held: it has no more, and none beyond needs to be followed."""
    for start in range(0, 1_200, 300):
        late.take(*(batch([reading(1_000, "open")], stream=stream_id(10 + start + index)) for index in range(300)))
    assert len(late.intake._trackers) <= 1_100


def test_ever_new_nodes_end_at_a_bound(late: Collecting) -> None:
    for start in range(0, 5_000, 500):
        late.intake.take([arrived(state(ms=1_000), node=f"x{start + index}") for index in range(500)])
    assert late.rows("SELECT count(*) FROM node")[0][0] <= 2_500


def test_a_message_that_is_set_aside_dates_nothing(late: Collecting) -> None:
    late.take(batch([reading(1_000, "open")], clock=clock_at(1_000, synced=False)))
    before = late.now()
    lie = Clock(1_500, utc_text(BOOTED_UTC_MS - 365 * 86_400_000), synced=True)
    late.take(batch([reading(1_000, "closed")], clock=lie))
    assert [reason for reason, _ in late.parked()] == ["contradicts"]
    assert (late.now().at_utc_ms, late.now().synced) == (before.at_utc_ms, before.synced)
    assert late.rows("SELECT count(*) FROM boot") == [(0,)]


def test_a_topic_cannot_forge_a_line_of_the_log(late: Collecting, caplog: pytest.LogCaptureFixture) -> None:
    late.take(arrived(batch([reading(1_000, "open")]), node="n1\n2026-03-02 all is well\x1b[2J"))
    assert [record.getMessage().isprintable() for record in caplog.records] == [True]


def test_one_boot_under_two_names_keeps_two_nodes_apart(late: Collecting) -> None:
    late.take(batch(soak(60_000)))
    late.take(batch(soak(60_000)), node="n2")
    late.take(batch(soak(60_000), stream=stream_id(2), boot=BOOT), node="n2")
    assert [reason for reason, _ in late.parked()] == ["wrong-stream"]
    assert late.rows("SELECT stored FROM stream ORDER BY id") == [(63,), (63,)]
