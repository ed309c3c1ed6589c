"""The wire: golden messages of every release, what must be refused and how, and that nothing changes on the way."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soak.alarms import Priority
from soak.quantity import utc_text
from soak.reading import Fault, Lid, Reading, Why
from soak.requirement import Requirement, SensorTerms
from soak.wire import (
    LARGEST_MESSAGE_BYTES,
    MOST_READINGS,
    AlarmOrders,
    BasinOrders,
    BasinSide,
    Batch,
    Clock,
    DiskUse,
    HeldStream,
    LedgerHead,
    LoadOrders,
    Message,
    Orders,
    Receipt,
    Sender,
    SensorSeen,
    State,
    Topic,
    UnreadableError,
    decode,
    encode,
    parse_topic,
)

GOLDEN = Path(__file__).parent.parent / "golden"
FILES = sorted(GOLDEN.glob("*/*.json"))
STREAM, OTHER_STREAM = "5f0c9a1b2c3d4e5f60718293a4b5c6d7", "00112233445566778899aabbccddeeff"
BOOT = "9f6c2d1e-4b3a-4c5d-8e7f-0a1b2c3d4e5f"
SENSOR = "28-0000072c1a5f"


def golden(name: str) -> tuple[Topic, bytes]:
    return Topic(name.partition("-")[0]), (GOLDEN / f"0.1.0/{name}.json").read_bytes()


# ---------------------------------------------------------------------------------------------------- golden messages


@pytest.mark.parametrize("path", FILES, ids=[f"{path.parent.name}/{path.stem}" for path in FILES])
def test_golden_messages_of_every_release_decode_for_ever(path: Path) -> None:
    """A node or collector of any release is understood; writing it again loses nothing that was understood."""
    topic = Topic(path.stem.partition("-")[0])
    message = decode(topic, path.read_bytes())
    assert decode(topic, encode(message)) == message


def test_there_are_golden_messages_for_every_topic() -> None:
    assert {path.stem.partition("-")[0] for path in FILES} == {topic.value for topic in Topic}


def test_the_design_s_sample_batch_means_what_it_says() -> None:
    batch = decode(*golden("readings-sample"))
    assert batch == Batch(
        STREAM,
        "b1",
        BOOT,
        1201,
        Clock(8123456, "2026-03-02T09:14:07.250Z", synced=True),
        [
            Reading(8123000, Why.TICK, Lid.CLOSED, {SENSOR: 21312}),
            Reading(8123410, Why.LID, Lid.OPEN, {SENSOR: 21312}),
            Reading(8124000, Why.TICK, Lid.OPEN, {SENSOR: None}, {SENSOR: Fault("crc", "4b017fff7f0c101017")}),
        ],
    )
    assert isinstance(batch, Batch)
    assert batch.last == 1203


def test_the_golden_states_mean_what_they_say() -> None:
    clock = Clock(8124456, "2026-03-02T09:14:07.250Z", synced=True)
    assert decode(*golden("state-up")) == State(
        True,
        "0.1.0",
        BOOT,
        clock,
        [HeldStream(OTHER_STREAM, "b1", 40, 55), HeldStream(STREAM, "b1", 1204, 1203)],
        [SensorSeen(SENSOR, "b1"), SensorSeen("28-0000072c1a60", "b2", "crc")],
        16,
    )
    disk = DiskUse(81_604_378_624, 2_592_000_000, 21_474_836_480, 31_268_536_320, 20)
    newer = decode(Topic.STATE, (GOLDEN / "0.2.0/state-disk.json").read_bytes())
    assert newer == State(
        True,
        "0.2.0",
        BOOT,
        clock,
        [HeldStream(STREAM, "b1", 1204, 1203, BOOT)],
        [SensorSeen(SENSOR, "b1")],
        disk=disk,
    )
    assert decode(*golden("state-gone")) == State(False)
    assert decode(*golden("state-starting")) == State(True, "0.1.0", streams=[HeldStream(STREAM, "b1", 1, 0)])


def test_the_golden_receipts_and_orders_mean_what_they_say() -> None:
    assert decode(*golden("receipt")) == Receipt({STREAM: [(1, 1200), (1203, 1203)], OTHER_STREAM: [(1, 55)]})
    head = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
    assert decode(*golden("receipt-ledger")) == Receipt({}, LedgerHead(3, head))
    assert decode(*golden("orders")) == Orders(
        7,
        "c2f1",
        {
            "b1": BasinOrders(Requirement(20_000, 720_000), {SENSOR: SensorTerms(579)}, 86_400),
            "b2": BasinOrders(
                Requirement(20_000, 1_200_000, 25_000, 2_000),
                {"28-0000072c1a60": SensorTerms(120, -62), "28-0000072c1a61": SensorTerms(579)},
                86_400,
            ),
            "b3": BasinOrders(None, {}, 60),
        },
    )


def test_the_golden_alarms_and_basins_mean_what_they_say() -> None:
    sender = Sender("c2f1", "5b1e", "2026-03-02T06:00:00.000Z", "2026-03-02T09:14:07.250Z")
    alarms = [
        AlarmOrders("opened-early", Priority.HIGH, silenced=False, seen=True, good_for_s=60),
        AlarmOrders("sensor-check-due", Priority.LOW),
    ]
    of_b1 = BasinOrders(
        Requirement(20_000, 720_000),
        {SENSOR: SensorTerms(579)},
        86_400,
        "MEC test failed at 09:05",
        LoadOrders("load-17", 2, adding=True),
        alarms,
    )
    assert decode(*golden("orders-alarms")) == Orders(
        12, "c2f1", {"b1": of_b1, "b2": BasinOrders(None, {}, 60)}, sender
    )
    state = decode(*golden("state-basins"))
    assert isinstance(state, State)
    assert state.basins == [
        BasinSide("b1", True, 8_000_000, False, "high alarm", "opened-early", 8_123_410, 8_124_001, 8_123_410),
        BasinSide("b2", shows="no orders to judge by"),
    ]


def test_absent_fields_mean_their_defaults() -> None:
    """What 0.1.0 leaves out: no maximum, a longest pause of 5 s, no correction, no fault."""
    orders = decode(*golden("orders"))
    assert isinstance(orders, Orders)
    requirement = orders.basins["b1"].requirement
    assert requirement is not None
    assert (requirement.max_mc, requirement.max_gap_ms) == (None, 5_000)
    assert orders.basins["b2"].sensors["28-0000072c1a61"].correction_mc == 0


# ------------------------------------------------------------------------------------------------------- round trips

names = st.lists(st.text("abz019", min_size=1, max_size=5), min_size=1, max_size=5).map("-".join)
streams = st.text("0123456789abcdef", min_size=32, max_size=32)
boots = st.uuids().map(str)
sensor_ids = st.text("0123456789abcdef", min_size=12, max_size=12).map("28-".__add__)
times_ms = st.integers(0, 2**53 - 1)
words = st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), max_size=200)
clocks = st.builds(Clock, times_ms, st.integers(0, 253402300799999).map(utc_text), st.booleans())
faults = st.builds(
    Fault, st.sampled_from(["crc", "no-answer", "power-on", "stale"]), st.binary(max_size=16).map(bytes.hex)
)
temperatures = st.dictionaries(sensor_ids, st.none() | st.integers(-55_000, 125_000), max_size=4)
readings = st.builds(
    Reading,
    times_ms,
    st.sampled_from(Why),
    st.sampled_from(Lid),
    temperatures,
    st.dictionaries(sensor_ids, faults, max_size=2),
)


@st.composite
def batches(draw: st.DrawFn) -> Batch:
    taken = sorted(draw(st.lists(readings, min_size=1, max_size=5, unique_by=lambda r: r.ms)), key=lambda r: r.ms)
    clock = Clock(draw(st.integers(taken[-1].ms, 2**53 - 1)), draw(clocks).utc, draw(st.booleans()))
    return Batch(draw(streams), draw(names), draw(boots), draw(st.integers(1, 2**53 - 10)), clock, taken)


@st.composite
def held_streams(draw: st.DrawFn) -> HeldStream:
    newest = draw(st.integers(0, 2**53 - 2))
    return HeldStream(draw(streams), draw(names), draw(st.integers(1, newest + 1)), newest, draw(st.none() | boots))


@st.composite
def covered(draw: st.DrawFn) -> list[tuple[int, int]]:
    ends = sorted(draw(st.sets(st.integers(1, 2**53 - 1), max_size=6)))
    return list(zip(ends[::2], ends[1::2], strict=False))


moments_ms = st.none() | st.integers(0, 2**53 - 1)
basin_sides = st.builds(
    BasinSide,
    names,
    st.booleans(),
    moments_ms,
    st.booleans(),
    words,
    words,
    moments_ms,
    moments_ms,
    moments_ms,
)
states = st.builds(
    State,
    st.booleans(),
    words,
    st.none() | boots,
    st.none() | clocks,
    st.lists(held_streams(), max_size=3),
    st.lists(st.builds(SensorSeen, sensor_ids, names, words), max_size=3),
    st.integers(0, 2**53 - 1),
    st.integers(0, 2**53 - 1),
    st.dictionaries(words, st.integers(0, 2**53 - 1), max_size=3),
    st.lists(words, max_size=3),
    st.lists(basin_sides, max_size=3),
)
heads = st.none() | st.builds(LedgerHead, st.integers(0, 2**53 - 1), words)
times = st.integers(0, 253402300799999).map(utc_text)
senders = st.none() | st.builds(Sender, words, words, times, times)
receipts = st.builds(
    Receipt,
    st.dictionaries(streams, covered(), max_size=3),
    heads,
    st.dictionaries(streams, covered(), max_size=3),
    senders,
)
degrees = st.integers(-55_000, 125_000)
contacts_ms, gaps_ms = st.integers(1, 604_800_000), st.integers(1, 600_000)
requirements = st.builds(
    lambda one, contact_ms, other, gap_ms: Requirement(
        one if other is None else min(one, other), contact_ms, other and max(one, other), gap_ms
    ),
    degrees,
    contacts_ms,
    st.none() | degrees,
    gaps_ms,
)
terms = st.builds(SensorTerms, st.integers(0, 20_000), st.integers(-20_000, 20_000))
loads = st.builds(LoadOrders, words, st.integers(0, 2**53 - 1), st.booleans())
lives_s = st.integers(1, 2_592_000)
alarm_orders = st.builds(AlarmOrders, words, st.sampled_from(Priority), st.booleans(), st.booleans(), lives_s)
basin_orders = st.builds(
    BasinOrders,
    st.none() | requirements,
    st.dictionaries(sensor_ids, terms, max_size=3),
    lives_s,
    words,
    st.none() | loads,
    st.lists(alarm_orders, max_size=3),
)
orders = st.builds(Orders, st.integers(1, 2**53 - 1), words, st.dictionaries(names, basin_orders, max_size=3), senders)
messages = st.one_of(
    st.tuples(st.just(Topic.READINGS), batches()),
    st.tuples(st.just(Topic.STATE), states),
    st.tuples(st.just(Topic.RECEIPT), receipts),
    st.tuples(st.just(Topic.ORDERS), orders),
)


@settings(max_examples=200, deadline=None)
@given(messages)
def test_decode_of_encode_is_identity(topic_and_message: tuple[Topic, Message]) -> None:
    """Whatever may be said arrives as it was said, and is JSON that any other reader understands the same."""
    topic, message = topic_and_message
    payload = encode(message)
    assert decode(topic, payload) == message
    again = json.dumps(json.loads(payload)).encode()
    assert decode(topic, again) == message


def test_the_largest_batch_of_plain_readings_is_not_too_large() -> None:
    taken = [Reading(2**52 + i, Why.BUTTON, Lid.CLOSED, {SENSOR: -55_000}) for i in range(MOST_READINGS)]
    batch = Batch(STREAM, "b" * 32, BOOT, 2**52, Clock(2**53 - 1, "2026-03-02T09:14:07.250Z", synced=True), taken)
    assert len(encode(batch)) < LARGEST_MESSAGE_BYTES
    assert decode(Topic.READINGS, encode(batch)) == batch


# ------------------------------------------------------------------------------------------------------ bad messages


def sample(name: str, **changes: Any) -> bytes:
    """A golden message as plain data with fields replaced: `readings__0__ms=5` goes down into lists and objects."""
    data = json.loads(golden(name)[1])
    for path, new in changes.items():
        *parents, last = path.split("__")
        inner = data
        for key in parents:
            inner = inner[int(key) if key.isdigit() else key]
        inner[int(last) if last.isdigit() else last] = new
    return json.dumps(data).encode()


def refused(topic: Topic, payload: bytes) -> UnreadableError:
    with pytest.raises(UnreadableError) as caught:
        decode(topic, payload)
    assert str(caught.value) == f"{caught.value.reason}: {caught.value.detail}"
    assert len(str(caught.value)) < 400, "an error must not carry the whole bad message on"
    return caught.value


@pytest.mark.parametrize("topic", Topic)
@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not-json"),
        (b"up", "not-json"),
        (b"{", "not-json"),
        (b"\xef\xbb\xbf{}", "not-json"),
        (b"{'up':true}", "not-json"),
        (b'{"up":NaN}', "not-json"),
        (b'{"up":Infinity}', "not-json"),
        (b'{"x":"\\ud800"}', "not-json"),
        (b'{"x":"\xff"}', "not-utf-8"),
        (b"\x00\x01\x02\x80", "not-utf-8"),
        (b"null", "wrong-shape"),
        (b"[]", "wrong-shape"),
        (b"7", "wrong-shape"),
        (b'"up"', "wrong-shape"),
        (b"{}", "wrong-shape"),
        (b"[" * 100_000, "wrong-shape"),
        (b'{"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "wrong-shape"),
        (b'{"x":' * 40_000 + b"1" + b"}" * 40_000, "wrong-shape"),
        (b" " * (LARGEST_MESSAGE_BYTES + 1), "huge"),
    ],
    ids=lambda part: part[:12].decode("latin-1") if isinstance(part, bytes) else part,
)
def test_what_is_no_message_at_all_is_refused_with_the_reason(topic: Topic, payload: bytes, reason: str) -> None:
    assert refused(topic, payload).reason == reason


def test_two_messages_in_one_are_refused() -> None:
    assert refused(Topic.STATE, b'{"up":true}{"up":false}').reason == "not-json"


BAD_BATCHES = {
    "stream too short": {"stream": STREAM[:-1]},
    "stream in capitals": {"stream": STREAM.upper()},
    "stream with a line feed": {"stream": STREAM + "\n"},
    "stream a number": {"stream": 5},
    "basin with a line feed": {"basin": "b1\n"},
    "basin empty": {"basin": ""},
    "basin with a space": {"basin": "b 1"},
    "basin with a slash": {"basin": "b/1"},
    "basin too long": {"basin": "b" * 33},
    "basin going up": {"basin": "../b1"},
    "boot with a line feed": {"boot": BOOT + "\n"},
    "boot none": {"boot": None},
    "first zero": {"first": 0},
    "first a text": {"first": "1201"},
    "first a fraction": {"first": 1201.0},
    "first true": {"first": True},
    "first too large for JSON readers": {"first": 2**53},
    "clock none": {"clock": None},
    "clock before boot": {"clock__ms": -1},
    "wall clock without milliseconds": {"clock__utc": "2026-03-02T09:14:07Z"},
    "wall clock without Z": {"clock__utc": "2026-03-02T09:14:07.250"},
    "wall clock with an offset": {"clock__utc": "2026-03-02T09:14:07.250+00:00"},
    "wall clock with a line feed": {"clock__utc": "2026-03-02T09:14:07.250Z\n"},
    "synced a number": {"clock__synced": 1},
    "no readings": {"readings": []},
    "readings an object": {"readings": {}},
    "a reading null": {"readings__1": None},
    "too many readings": {"readings": [{"ms": i, "why": "tick", "lid": "open", "mc": {}} for i in range(1_001)]},
    "a time a fraction": {"readings__0__ms": 8123000.5},
    "a time negative": {"readings__0__ms": -1},
    "a time too large": {"readings__2__ms": 2**53},
    "a why nobody knows": {"readings__0__why": "because"},
    "a lid ajar": {"readings__0__lid": "ajar"},
    "a lid none": {"readings__0__lid": None},
    "a temperature text": {"readings__0__mc": {SENSOR: "21312"}},
    "a temperature in degrees": {"readings__0__mc": {SENSOR: 21.312}},
    "a temperature true": {"readings__0__mc": {SENSOR: True}},
    "warmer than the sensor can say": {"readings__0__mc": {SENSOR: 125_001}},
    "colder than the sensor can say": {"readings__0__mc": {SENSOR: -55_001}},
    "a sensor in capitals": {"readings__0__mc": {SENSOR.upper(): 21312}},
    "a sensor with a line feed": {"readings__0__mc": {SENSOR + "\n": 21312}},
    "a sensor going up": {"readings__0__mc": {"../etc": 21312}},
    "seventeen sensors": {"readings__0__mc": {f"28-{i:012x}": 21312 for i in range(17)}},
    "a fault without a code": {"readings__2__fault": {SENSOR: {"raw": ""}}},
    "a fault with a space": {"readings__2__fault": {SENSOR: {"code": "bad crc"}}},
    "a fault with a line feed": {"readings__2__fault": {SENSOR: {"code": "crc\n"}}},
    "raw bytes with a line feed": {"readings__2__fault": {SENSOR: {"code": "crc", "raw": "4b01\n"}}},
    "raw bytes cut in half": {"readings__2__fault": {SENSOR: {"code": "crc", "raw": "4b0"}}},
    "seventeen raw bytes": {"readings__2__fault": {SENSOR: {"code": "crc", "raw": "4b" * 17}}},
}


@pytest.mark.parametrize("changes", BAD_BATCHES.values(), ids=BAD_BATCHES)
def test_a_batch_of_the_wrong_shape_is_refused(changes: dict[str, Any]) -> None:
    assert refused(Topic.READINGS, sample("readings-sample", **changes)).reason == "wrong-shape"


@pytest.mark.parametrize("field", ["stream", "basin", "boot", "first", "clock", "readings"])
def test_a_batch_without_one_of_its_fields_is_refused_and_the_field_is_named(field: str) -> None:
    data = json.loads(golden("readings-every-why")[1])
    del data[field]
    error = refused(Topic.READINGS, json.dumps(data).encode())
    assert str(error) == f"wrong-shape: Object missing required field `{field}`"


def test_an_error_names_the_place() -> None:
    error = refused(Topic.READINGS, sample("readings-every-why", readings__1__ms="soon"))
    assert str(error) == "wrong-shape: Expected `int`, got `str` - at `$.readings[1].ms`"


@pytest.mark.parametrize("utc", ["2026-02-30T09:14:07.250Z", "2026-03-02T25:14:07.250Z", "٢٠٢٦-03-02T09:14:07.250Z"])
@pytest.mark.parametrize("name", ["readings-every-why", "state-up"])
def test_a_wall_clock_that_is_no_date_is_refused(name: str, utc: str) -> None:
    error = refused(golden(name)[0], sample(name, clock__utc=utc))
    assert str(error) == f"time: {utc!r} is no date and time."


@pytest.mark.parametrize("ms", [1_000, 999], ids=["standing still", "going back"])
def test_times_that_do_not_rise_are_refused(ms: int) -> None:
    error = refused(Topic.READINGS, sample("readings-every-why", readings__2__ms=ms))
    assert str(error) == f"time: a reading at {ms} ms does not come after one at 1000 ms."


def test_a_reading_of_the_far_future_is_refused() -> None:
    """Far beyond the node's own clock when it wrote the message: a day is more than any queue between the two."""
    far_ms = 5_000 + 86_400_000
    error = refused(Topic.READINGS, sample("readings-every-why", readings__4__ms=far_ms))
    assert error.reason == "time"
    assert f"{far_ms} ms" in error.detail


BAD_RECEIPTS = {
    "a range that ends before it begins": [[5, 4]],
    "a range from zero": [[0, 4]],
    "a negative range": [[-5, 4]],
    "ranges that fall": [[10, 12], [1, 5]],
    "ranges that overlap": [[1, 5], [5, 9]],
    "numbers beyond what JSON readers keep exact": [[1, 2**53]],
    "three ends": [[1, 2, 3]],
    "one end": [[1]],
    "fractions": [[1.0, 2.0]],
    "no range": [7],
}


@pytest.mark.parametrize("ranges", BAD_RECEIPTS.values(), ids=BAD_RECEIPTS)
def test_a_receipt_that_makes_no_sense_is_refused(ranges: list[Any]) -> None:
    """A node lets go of what a receipt covers: what cannot be a receipt must not be taken for one."""
    assert refused(Topic.RECEIPT, sample("receipt", streams={STREAM: ranges})).reason == "wrong-shape"


def test_a_receipt_for_what_is_no_stream_is_refused() -> None:
    assert refused(Topic.RECEIPT, sample("receipt", streams={"b1": [[1, 2]]})).reason == "wrong-shape"


BAD_STATES = {
    "up a word": {"up": "yes"},
    "up none": {"up": None},
    "a version as long as a book": {"version": "0" * 201},
    "outbox negative": {"outbox": -1},
    "outbox beyond what JSON readers keep exact": {"outbox": 2**53},
    "oldest after newest": {"streams__0__oldest": 57},
    "newest negative": {"streams__0__newest": -1},
    "stream with a line feed": {"streams__0__stream": STREAM + "\n"},
    "a sensor without a basin": {"sensors__0": {"sensor": SENSOR}},
    "more streams than a node can hold": {
        "streams": [{"stream": STREAM, "basin": "b1", "oldest": 1, "newest": 1}] * 1001
    },
}


@pytest.mark.parametrize("changes", BAD_STATES.values(), ids=BAD_STATES)
def test_a_state_that_makes_no_sense_is_refused(changes: dict[str, Any]) -> None:
    assert refused(Topic.STATE, sample("state-up", **changes)).reason == "wrong-shape"


BAD_ORDERS = {
    "version zero": {"version": 0},
    "version beyond what JSON readers keep exact": {"version": 2**53},
    "no contact time": {"basins__b1__requirement": {"min_mc": 20_000}},
    "contact time zero": {"basins__b1__requirement__contact_ms": 0},
    "longest pause zero": {"basins__b1__requirement__max_gap_ms": 0},
    "minimum in degrees": {"basins__b1__requirement__min_mc": 20.5},
    "minimum hotter than a sensor can say": {"basins__b1__requirement__min_mc": 125_001},
    "uncertainty negative": {"basins__b1__sensors": {SENSOR: {"u_mc": -1}}},
    "uncertainty left out": {"basins__b1__sensors": {SENSOR: {"correction_mc": 0}}},
    "good for no time": {"basins__b1__good_for_s": 0},
    "good for more than a month": {"basins__b1__good_for_s": 2_592_001},
    "a basin going up": {"basins": {"../b1": {"requirement": None, "sensors": {}, "good_for_s": 1}}},
}


@pytest.mark.parametrize("changes", BAD_ORDERS.values(), ids=BAD_ORDERS)
def test_orders_that_make_no_sense_are_refused(changes: dict[str, Any]) -> None:
    assert refused(Topic.ORDERS, sample("orders", **changes)).reason == "wrong-shape"


def test_a_maximum_below_the_minimum_is_refused_with_what_to_do() -> None:
    error = refused(Topic.ORDERS, sample("orders", basins__b2__requirement__max_mc=19_500))
    assert str(error) == (
        "wrong-shape: The maximum temperature (19.5 °C) is below the minimum (20 °C): no soak could meet it. "
        "Copy both again from the label. - at `$.basins[...].requirement`"
    )
    decode(Topic.ORDERS, sample("orders", basins__b2__requirement__max_mc=20_000))


@pytest.mark.parametrize("path", FILES, ids=[f"{path.parent.name}/{path.stem}" for path in FILES])
def test_fields_that_a_reader_does_not_know_are_ignored(path: Path) -> None:
    """At every depth, whatever they hold: the other end may be one version ahead."""

    new = {"shade": [{"of": None}, "blue", 1e300, -1]}

    def extended(part: Any, name: str = "") -> Any:
        if isinstance(part, list):
            return [extended(item) for item in part]
        if isinstance(part, dict):
            inside = {key: extended(item, key) for key, item in part.items()}
            # These are keyed by names of sensors, streams, basins, figures: there a new key is no new field.
            return inside if name in ("mc", "fault", "basins", "streams", "sensors", "figures") else inside | new
        return part

    topic = Topic(path.stem.partition("-")[0])
    payload = json.dumps(extended(json.loads(path.read_bytes()))).encode()
    assert b"shade" in payload
    assert decode(topic, payload) == decode(topic, path.read_bytes())


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(FILES), st.data())
def test_a_damaged_message_is_understood_or_refused_but_never_anything_else(path: Path, data: st.DataObject) -> None:
    """Any byte changed, any tail cut off: no other error than the one that callers expect."""
    payload = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        payload[data.draw(st.integers(0, len(payload) - 1))] ^= data.draw(st.integers(1, 255))
    cut = bytes(payload[: data.draw(st.integers(0, len(payload)))])
    topic = Topic(path.stem.partition("-")[0])
    for damaged in (bytes(payload), cut):
        try:
            message = decode(topic, damaged)
        except UnreadableError:
            continue
        assert decode(topic, encode(message)) == message


# ------------------------------------------------------------------------------------------------------------ topics


@pytest.mark.parametrize("topic", Topic)
@pytest.mark.parametrize("node", ["n1", "pi-3", "0", "a" * 32])
def test_topics_are_read_as_they_are_written(topic: Topic, node: str) -> None:
    assert topic.of(node) == f"soakledger/1/{node}/{topic.value}"
    assert parse_topic(topic.of(node)) == (node, topic)


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "soakledger/1/n1",
        "soakledger/1/n1/",
        "soakledger/1//readings",
        "soakledger/1/readings",
        "soakledger/2/n1/readings",
        "soakledger/1/n1/readings/",
        "soakledger/1/n1/readings/now",
        "soakledger/1/n1/READINGS",
        "soakledger/1/n1/secrets",
        "soakledger/1/N1/readings",
        "soakledger/1/n1\n/readings",
        "soakledger/1/n1/readings\n",
        "soakledger/1/+/readings",
        "soakledger/1/#",
        "soakledger/1/-n/readings",
        "soakledger/1/n-/readings",
        "soakledger/1/n--1/readings",
        "soakledger/1/../readings",
        "soakledger/1/é/readings",
        f"soakledger/1/{'a' * 33}/readings",
        "/soakledger/1/n1/readings",
        "other/1/n1/readings",
    ],
)
def test_a_topic_that_is_not_ours_is_refused(topic: str) -> None:
    expected = f"topic: {topic!r} is not soakledger/1/<node>/<kind> with a node name in a-z, 0-9 and -."
    with pytest.raises(UnreadableError, match=f"^{re.escape(expected)}$"):
        parse_topic(topic)


def test_an_endless_topic_is_cut_short_in_the_error() -> None:
    with pytest.raises(UnreadableError) as caught:
        parse_topic("soakledger/1/" + "n" * 60_000)
    assert len(str(caught.value)) < 250
