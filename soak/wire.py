"""What node and collector say to each other over MQTT: topics, messages, strict decoding.

Prefix `soakledger/1/<node>/`. Fields that a reader does not know are ignored, so that versions can differ by one.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Annotated, Any

import msgspec

from soak.alarms import Priority
from soak.decoding import json_decoder
from soak.quantity import utc_ms
from soak.reading import END, SENSOR_PATTERN, Milliseconds, Reading, SensorId, checked_later
from soak.requirement import Requirement, SensorTerms

PREFIX = "soakledger/1/"
LARGEST_MESSAGE_BYTES = 256 * 1024
FUTURE_MS = 3_600_000
"""A reading may be a little later than the clock that its message carries, never by this much."""

MOST_READINGS = 1_000
"""Readings in one batch; at 80 bytes each well below the largest message."""

_NAME = r"^[a-z0-9](-?[a-z0-9]){0,31}" + END
_NAME_PATTERN = re.compile(_NAME)
NodeName = Annotated[str, msgspec.Meta(pattern=_NAME)]
BasinName = Annotated[str, msgspec.Meta(pattern=_NAME)]
_STREAM = r"^[0-9a-f]{32}" + END
_BOOT = r"^[0-9a-f]{8}(-?[0-9a-f]{4}){3}-?[0-9a-f]{12}" + END
_UTC = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z" + END
StreamId = Annotated[str, msgspec.Meta(pattern=_STREAM)]
BootId = Annotated[str, msgspec.Meta(pattern=_BOOT)]
UtcText = Annotated[str, checked_later(_UTC)]
"""RFC 3339 in UTC with milliseconds."""
HIGHEST_NUMBER = 2**53 - 1
"""What JSON readers everywhere keep exact."""
Number = Annotated[int, msgspec.Meta(ge=1, le=HIGHEST_NUMBER)]
Count = Annotated[int, msgspec.Meta(ge=0, le=HIGHEST_NUMBER)]
Word = Annotated[str, msgspec.Meta(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*" + END)]
"""Free text on one line: control characters would reach logs and pages."""

ShortWord = Annotated[str, msgspec.Meta(max_length=60, pattern=r"^[^\x00-\x1f\x7f]*" + END)]
MOST_CHECKS = 150
"""Eight basins with two sensors each come to some sixty."""


class Topic(enum.StrEnum):
    """The last part of a topic."""

    READINGS = "readings"
    STATE = "state"
    RECEIPT = "receipt"
    ORDERS = "orders"

    def of(self, node: str) -> str:
        """The full topic for one node."""
        return f"{PREFIX}{node}/{self.value}"


class Clock(msgspec.Struct, frozen=True):
    """The node's two clocks, read together.

    Attributes:
        ms: The uninterrupted clock, milliseconds since boot; durations come from it alone.
        utc: The wall clock.
        synced: The wall clock was known to be synchronised.
    """

    ms: Milliseconds
    utc: UtcText
    synced: bool


class Batch(msgspec.Struct, frozen=True):
    """Consecutive readings of one stream. Topic `readings`, from the node, not retained.

    Attributes:
        stream: Random id: one basin's readings from one outbox in one boot.
        basin: The basin's name on its node.
        boot: Boot id of the node.
        first: Number of the first reading; the others follow on.
        clock: When the batch was put together.
        readings: In the order of their numbers.
    """

    stream: Annotated[str, checked_later(_STREAM)]
    basin: Annotated[str, checked_later(_NAME)]
    boot: Annotated[str, checked_later(_BOOT)]
    first: Number
    clock: Clock
    readings: Annotated[list[Reading], msgspec.Meta(min_length=1, max_length=MOST_READINGS)]

    @property
    def last(self) -> int:
        """Number of the last reading."""
        return self.first + len(self.readings) - 1


class HeldStream(msgspec.Struct, frozen=True):
    """A stream of which the node still holds readings, or which it is writing.

    Attributes:
        stream: Its id.
        basin: Its basin.
        oldest: Number of the oldest reading still held; one more than `newest` when none is.
        newest: Number of the newest reading taken.
        boot: Boot id of the node when it was taken. With it a stream of which nothing ever arrives can still be
            recorded as lost.
    """

    stream: StreamId
    basin: BasinName
    oldest: Number
    newest: Count
    boot: BootId | None = None

    def __post_init__(self) -> None:
        """Refuse an oldest that lies beyond the newest."""
        if self.oldest > self.newest + 1:
            raise ValueError(f"oldest {self.oldest} lies beyond newest {self.newest}")


class SensorSeen(msgspec.Struct, frozen=True):
    """A sensor as the node last saw it; `fault` is empty while it answers."""

    sensor: SensorId
    basin: BasinName
    fault: Word = ""


class BasinSide(msgspec.Struct, frozen=True):
    """What is said and shown at a basin, without any network.

    Attributes:
        basin: The basin's name.
        load: A load is in it, as far as the node knows: by its button, or by the collector's orders.
        said_ms: When somebody pressed the button to say that a load is in, on the node's clock; None: nobody did.
        adding: Somebody pressed it to say that a device is about to be added.
        shows: What the light shows: a word of the node's.
        alarm: Code of the alarm that it signals, empty for none.
        since_ms: Since when it signals that, on the node's clock.
        seen_ms: When somebody pressed the button at that alarm; None: nobody has.
        moved_ms: When the lid switch was last seen to move; None: not since the node started.
    """

    basin: BasinName
    load: bool = False
    said_ms: Milliseconds | None = None
    adding: bool = False
    shows: Word = ""
    alarm: Word = ""
    since_ms: Milliseconds | None = None
    seen_ms: Milliseconds | None = None
    moved_ms: Milliseconds | None = None


class DiskUse(msgspec.Struct, frozen=True):
    """What is written to the disk of a data folder, whoever writes it, and what is free there.

    Attributes:
        written_bytes: Counted by the kernel since this software first looked, restarts included.
        over_ms: Over which time, on uninterrupted clocks; 0 where it cannot be counted.
        free_bytes: Free for this software.
        total_bytes: Size of its file system.
        rated_tb: Terabytes (10^12 bytes) that the card is said to bear being written. An assumption, unless somebody
            has set what its maker says.
    """

    written_bytes: Count
    over_ms: Milliseconds
    free_bytes: Count
    total_bytes: Count
    rated_tb: Annotated[int, msgspec.Meta(ge=1, le=100_000)]


class CommissionCheck(msgspec.Struct, frozen=True):
    """One thing that was looked at when a node was commissioned.

    Attributes:
        code: Which: "bus", "sensor", "lid", "button", "light", "buzzer", "clock", "disk", "broker"; another of a newer
            version.
        basin: The basin that it is of; None where it is of the whole node.
        mark: "good", "note", "wrong", "not seen" or "skipped"; whatever else a newer version says is not good.
        said: What was found, one sentence.
    """

    code: Annotated[str, msgspec.Meta(pattern=_NAME)]
    mark: ShortWord
    said: Word
    basin: BasinName | None = None


class Commissioned(msgspec.Struct, frozen=True):
    """A node's commissioning, as it was filed on the node.

    Attributes:
        id: Random: by it the collector records one commissioning once.
        at: The node's wall clock when it was filed.
        synced: That clock was known to be synchronised.
        by: Who did it, as typed there; nobody has proven it.
        version: Software version that did it.
        checks: What was looked at, in that order.
        figures: What was measured, whole numbers by name with their unit: "broker-answer-ms".
    """

    id: Annotated[str, msgspec.Meta(pattern=_STREAM)]
    at: UtcText
    synced: bool
    by: ShortWord
    version: ShortWord
    checks: Annotated[list[CommissionCheck], msgspec.Meta(max_length=MOST_CHECKS)]
    figures: Annotated[dict[ShortWord, Count], msgspec.Meta(max_length=50)] = {}


class State(msgspec.Struct, frozen=True):
    """How a node is. Topic `state`, from the node, retained; the last will says only that it is gone.

    Attributes:
        up: False in the last will and after an orderly stop.
        version: Software version.
        boot: Boot id.
        clock: When it was put together.
        streams: Every stream still held or being written, oldest first; of one basin the last is the current one.
        sensors: The sensors it reads.
        outbox: Readings waiting for a receipt.
        dropped: Readings that this node gave up since its boot without a receipt: no room, or a damaged outbox.
        refused: Messages that it did not take in since its start, by reason.
        troubles: What is wrong with the node itself at present, in few words each.
        basins: What is said and shown at each basin.
        disk: The disk of its data folder; None from nodes of before 0.2.0.
        commissioned: Its last commissioning; None where there was none, or it cannot be read.
    """

    up: bool
    version: Word = ""
    boot: BootId | None = None
    clock: Clock | None = None
    streams: Annotated[list[HeldStream], msgspec.Meta(max_length=1_000)] = []
    sensors: Annotated[list[SensorSeen], msgspec.Meta(max_length=128)] = []
    outbox: Count = 0
    dropped: Count = 0
    refused: Annotated[dict[Word, Count], msgspec.Meta(max_length=100)] = {}
    troubles: Annotated[list[Word], msgspec.Meta(max_length=100)] = []
    basins: Annotated[list[BasinSide], msgspec.Meta(max_length=100)] = []
    disk: DiskUse | None = None
    commissioned: Commissioned | None = None


class Sender(msgspec.Struct, frozen=True):
    """Which collector speaks: two on one broker by mistake know each other by this.

    Attributes:
        epoch: Of its data; changes when they were restored from a backup.
        run: Random, new at every start.
        started: Wall clock at that start.
        sent: Wall clock when this was sent.
    """

    epoch: Word
    run: Word
    started: UtcText
    sent: UtcText


class LedgerHead(msgspec.Struct, frozen=True):
    """How many records the ledger has and the hash of its newest."""

    count: Count
    head: Word


class Receipt(msgspec.Struct, frozen=True):
    """What the collector's disk has. Topic `receipt`, from the collector, retained.

    Attributes:
        streams: Per stream the ranges of numbers durably committed, both ends included, rising.
        ledger: Count and head of the ledger, where there is one.
        lost: Per stream the ranges durably recorded as lost: the node need not remember any more that they are.
        by: Which collector says so.
    """

    streams: dict[StreamId, list[tuple[Number, Number]]]
    ledger: LedgerHead | None = None
    lost: dict[StreamId, list[tuple[Number, Number]]] = {}
    by: Sender | None = None

    def __post_init__(self) -> None:
        """Refuse ranges that do not rise: a node lets go of what a receipt covers."""
        for ranges in (*self.streams.values(), *self.lost.values()):
            previous = 0
            for first, last in ranges:
                if not previous < first <= last:
                    raise ValueError(f"the range {first} to {last} does not rise")
                previous = last


Seconds = Annotated[int, msgspec.Meta(ge=1, le=30 * 86_400)]


class LoadOrders(msgspec.Struct, frozen=True):
    """The load that the record has in a basin.

    Attributes:
        load: Its id.
        devices: How many devices of it have not met yet.
        adding: Somebody said that a device is about to be added: the next opening is no alarm.
    """

    load: Word
    devices: Count
    adding: bool = False


class AlarmOrders(msgspec.Struct, frozen=True):
    """An alarm that the node is to signal beside its own.

    Attributes:
        code: One of `soak.alarms.KINDS`; one of a newer version is signalled by its priority alone.
        priority: How urgent it is now.
        silenced: Somebody silenced it for a while: light only.
        seen: Somebody has seen it.
        good_for_s: Seconds after which the node lets go of it by itself.
    """

    code: Word
    priority: Priority
    silenced: bool = False
    seen: bool = False
    good_for_s: Seconds = 60


class BasinOrders(msgspec.Struct, frozen=True):
    """What a node needs to judge one basin by itself.

    Attributes:
        requirement: In force from the next closing on; None where none is set.
        sensors: Correction and U of each required sensor.
        good_for_s: Seconds after which the node must not rely on this any more.
        fill_problem: Why the fill cannot be used, for people; empty: nothing is known against it.
        load: The load in the basin, None where the record has none.
        alarms: What to signal besides the node's own alarms.
    """

    requirement: Requirement | None
    sensors: dict[SensorId, SensorTerms]
    good_for_s: Seconds
    fill_problem: Word = ""
    load: LoadOrders | None = None
    alarms: Annotated[list[AlarmOrders], msgspec.Meta(max_length=100)] = []


class Orders(msgspec.Struct, frozen=True):
    """Topic `orders`, from the collector, retained.

    Attributes:
        version: Rises with every change within an epoch.
        epoch: Changes when the collector's data were restored from a backup.
        basins: Per basin of this node.
        by: Which collector says so.
    """

    version: Number
    epoch: Word
    basins: dict[BasinName, BasinOrders]
    by: Sender | None = None


class UnreadableError(ValueError):
    """A message that cannot be taken in.

    Attributes:
        reason: One word for counting: "topic", "huge", "not-utf-8", "not-json", "wrong-shape", "time".
        detail: What is wrong, for people.
    """

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(f"{reason}: {detail}")
        self.reason, self.detail = reason, detail


Message = Batch | State | Receipt | Orders
_DECODERS: dict[Topic, msgspec.json.Decoder[Any]] = {
    Topic.READINGS: json_decoder(Batch),
    Topic.STATE: json_decoder(State),
    Topic.RECEIPT: json_decoder(Receipt),
    Topic.ORDERS: json_decoder(Orders),
}
_ENCODER = msgspec.json.Encoder()


@lru_cache(maxsize=4_096)
def parse_topic(topic: str) -> tuple[str, Topic]:
    """Take a topic apart.

    Returns:
        Node name and the kind of message.

    Raises:
        UnreadableError: Not one of ours.
    """
    node, _, kind = topic.removeprefix(PREFIX).partition("/")
    if not topic.startswith(PREFIX) or not _NAME_PATTERN.fullmatch(node) or kind not in Topic.__members__.values():
        expected = "soakledger/1/<node>/<kind> with a node name in a-z, 0-9 and -"
        raise UnreadableError("topic", f"{topic[:120]!r} is not {expected}.")
    return node, Topic(kind)


def decode(topic: Topic, payload: bytes) -> Message:
    """Decode one message strictly.

    Raises:
        UnreadableError: Too large, not UTF-8, not JSON, of the wrong shape, or with times that contradict each other.
    """
    if len(payload) > LARGEST_MESSAGE_BYTES:
        raise UnreadableError("huge", f"{len(payload)} bytes; at most {LARGEST_MESSAGE_BYTES} are taken in.")
    try:
        payload.decode()
    except UnicodeDecodeError as error:
        raise UnreadableError("not-utf-8", f"byte {error.start} is not UTF-8.") from None
    try:
        message: Message = _DECODERS[topic].decode(payload)
    except msgspec.ValidationError as error:
        raise UnreadableError("wrong-shape", str(error)) from None
    except msgspec.DecodeError as error:
        raise UnreadableError("not-json", str(error)) from None
    except RecursionError:
        raise UnreadableError("wrong-shape", "nested too deeply.") from None
    if isinstance(message, Batch):
        if message.last > HIGHEST_NUMBER:
            raise UnreadableError("wrong-shape", f"a reading would have number {message.last}.")
        _check_names(message.stream, message.basin, message.boot)
        _check_utc(message.clock.utc)
        _check_readings(message.readings, message.clock.ms)
    elif isinstance(message, State):
        if message.clock:
            _check_utc(message.clock.utc)
        if message.commissioned:
            _check_utc(message.commissioned.at)
    elif isinstance(message, Receipt | Orders) and message.by:
        _check_utc(message.by.started)
        _check_utc(message.by.sent)
    return message


_PATTERNS = {name: re.compile(pattern) for name, pattern in [("stream", _STREAM), ("basin", _NAME), ("boot", _BOOT)]}
_SENSOR = re.compile(SENSOR_PATTERN)


@lru_cache(maxsize=4_096)
def _check_names(stream: str, basin: str, boot: str) -> None:
    for (name, pattern), text in zip(_PATTERNS.items(), (stream, basin, boot), strict=True):
        if not pattern.fullmatch(text):
            raise UnreadableError("wrong-shape", f"{text[:64]!r} is no {name}: expected {pattern.pattern}")


@lru_cache(maxsize=4_096)
def _check_sensor(sensor: str) -> None:
    if not _SENSOR.fullmatch(sensor):
        raise UnreadableError("wrong-shape", f"{sensor[:64]!r} is no sensor: expected {SENSOR_PATTERN}")


def _check_utc(utc: str) -> None:
    if len(utc) != 24 or utc[10] != "T" or utc[19] != "." or utc[23] != "Z":
        raise UnreadableError("wrong-shape", f"{utc[:64]!r} is no time in the form 2026-03-02T09:14:07.250Z.")
    try:
        utc_ms(utc)
    except ValueError:
        raise UnreadableError("time", f"{utc!r} is no date and time.") from None


def _check_readings(readings: Sequence[Reading], clock_ms: int) -> None:
    previous_ms = -1
    for reading in readings:
        for sensor in reading.mc:
            _check_sensor(sensor)
        for sensor in reading.fault:
            _check_sensor(sensor)
        if reading.ms <= previous_ms:
            raise UnreadableError("time", f"a reading at {reading.ms} ms does not come after one at {previous_ms} ms.")
        previous_ms = reading.ms
    if previous_ms > clock_ms + FUTURE_MS:
        raise UnreadableError("time", f"a reading at {previous_ms} ms is far later than its message, at {clock_ms} ms.")


def encode(message: Message) -> bytes:
    """A message as it travels; decode(encode(x)) == x."""
    return _ENCODER.encode(message)
