"""A second opinion on every message: written from the design's wire section and the published schema's bounds.

It shares no code with `soak.wire` or `collector.intake`: Python's own JSON reader, plain dictionaries, one question
after the other. It says whether a message must be taken in, must be set aside (and for which reasons it may be), or
may be treated either way, and keeps its own ledger of what must then be stored.
"""

from __future__ import annotations

import itertools
import json
import re
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

LARGEST_BYTES = 256 * 1024
MOST_READINGS, MOST_SENSORS, MOST_STREAMS, MOST_SEEN, MOST_WORDS, MOST_BASINS = 1_000, 16, 1_000, 128, 100, 2_000
LARGEST = 2**53 - 1
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
CALENDAR_MS = (0, 253_402_300_799_999)

NAME = re.compile(r"[a-z0-9](-?[a-z0-9]){0,31}")
STREAM = re.compile(r"[0-9a-f]{32}")
BOOT = re.compile(r"[0-9a-f]{8}(-?[0-9a-f]{4}){3}-?[0-9a-f]{12}")
SENSOR = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")
UTC_TEXT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z")
CODE = re.compile(r"[a-z][a-z0-9-]{0,31}")
RAW = re.compile(r"([0-9a-f]{2}){0,16}")
WORD = re.compile(r"[^\x00-\x1f\x7f]{0,200}")
WHY = {"tick", "lid", "button", "clock", "start"}

Content = tuple[int, str, str, dict[str, int | None], dict[str, tuple[str, str]]]
"""A reading as the judge compares it: time, why, lid, temperatures, faults."""
Owner = tuple[str, str, str]
"""Node, basin, boot."""


class _Unacceptable(Exception):  # noqa: N818 - no error of the project's
    """What is wrong, as a reason the collector may count it under."""


@dataclass
class Opinion:
    """What the judge thinks of one message.

    Attributes:
        may_take: It may be taken in.
        reasons: It may be set aside for one of these; empty: it must be taken in.
        node: Its node.
        kind: "readings", "state", "receipt", "orders"; empty if the topic says none.
        stream: The stream it brings readings of, if it is a batch that can be read.
        owner: Of that stream, by this message.
        fresh: Readings that it adds, by number.
        listed: Streams that a state message may begin: id and owner.
    """

    may_take: bool
    reasons: set[str] = field(default_factory=set)
    node: str = ""
    kind: str = ""
    stream: str = ""
    owner: Owner = ("", "", "")
    fresh: dict[int, Content] = field(default_factory=dict)
    listed: list[tuple[str, Owner]] = field(default_factory=list)


class _Stored:
    """One stream as it must be stored."""

    def __init__(self, owner: Owner) -> None:
        self.owner = owner
        self.readings: dict[int, Content] = {}
        self.numbers: list[int] = []

    def add(self, fresh: dict[int, Content]) -> None:
        rising = not self.numbers or min(fresh) > self.numbers[-1]
        self.readings |= fresh
        self.numbers += sorted(fresh)
        if not rising:
            self.numbers.sort()


class WireJudge:
    """Keeps its own ledger. Ask for an opinion, then say what happened."""

    def __init__(self) -> None:
        self.streams: dict[str, _Stored] = {}
        self.claims: dict[str, set[Owner]] = {}  # streams that states announced and of which nothing came
        self.basins: set[tuple[str, str]] = set()
        self.nodes: set[str] = set()

    def opinion(self, topic: str, payload: bytes, now_ms: int) -> Opinion:
        """What should become of a message."""
        node, kind = _topic(topic)
        if not kind:
            return Opinion(False, {"topic"})
        opinion, twice = Opinion(True, set(), node, kind), False
        try:
            tree, twice = _tree(payload)
            if kind == "readings":
                self._readings(opinion, tree, now_ms)
            elif kind == "state":
                self._state(opinion, tree)
            else:  # what a collector says: it changes nothing here, so it may be set aside or not
                opinion.reasons |= {"wrong-shape", "time"}
        except _Unacceptable as unacceptable:
            opinion.may_take, opinion.reasons = False, set(unacceptable.args)
        if twice:  # RFC 8259 leaves open what a name that stands twice means
            opinion.reasons |= {"wrong-shape", "time", "future", "wrong-stream", "contradicts"}
        return opinion

    def took(self, opinion: Opinion) -> None:
        """The message was taken in."""
        if opinion.kind == "state":
            self.nodes.add(opinion.node)
            for stream, owner in opinion.listed:
                if stream not in self.streams:
                    self.claims.setdefault(stream, set()).add(owner)
        elif opinion.kind == "readings":
            stored = self.streams.setdefault(opinion.stream, _Stored(opinion.owner))
            self.basins.add(opinion.owner[:2])
            if opinion.fresh:
                stored.add(opinion.fresh)

    def _readings(self, opinion: Opinion, tree: Any, now_ms: int) -> None:
        wrong = _Wrong()
        batch = _batch(tree, wrong)
        wrong.raise_any()
        opinion.stream, opinion.owner = batch["stream"], (opinion.node, batch["basin"], batch["boot"])
        clock, contents, first = batch["clock"], batch["contents"], batch["first"]
        if first + len(contents) - 1 > LARGEST:
            wrong.add("wrong-shape")
        offset_ms = clock["utc_ms"] - clock["ms"]
        if clock["synced"] and clock["utc_ms"] > now_ms + DAY_MS:
            wrong.add("future")
        if contents[0][0] + offset_ms < CALENDAR_MS[0] or contents[-1][0] + offset_ms > CALENDAR_MS[1]:
            wrong.add("time")
        times = [content[0] for content in contents]
        if any(later <= earlier for earlier, later in itertools.pairwise(times)):
            wrong.add("time")
        if times[-1] > clock["ms"] + HOUR_MS:
            wrong.add("time")
        stored = self.streams.get(opinion.stream)
        if stored is None:
            claims = self.claims.get(opinion.stream, set())
            if claims - {opinion.owner}:
                opinion.reasons.add("wrong-stream")
            if opinion.owner[:2] not in self.basins and len(self.basins) + len(self.claims) + 100 >= MOST_BASINS:
                opinion.reasons.add("too-many-basins")
            opinion.fresh = dict(enumerate(contents, first))
        else:
            if stored.owner != opinion.owner:
                wrong.add("wrong-stream")
            self._against(stored, first, contents, wrong, opinion)
        wrong.raise_any()

    @staticmethod
    def _against(stored: _Stored, first: int, contents: list[Content], wrong: _Wrong, opinion: Opinion) -> None:
        """Each number once, the same number the same content, and times that rise with the numbers."""
        for number, content in enumerate(contents, first):
            known = stored.readings.get(number)
            if known is None:
                opinion.fresh[number] = content
            elif known != content:
                wrong.add("contradicts")
        for number, content in opinion.fresh.items():
            place = bisect_left(stored.numbers, number)
            if place and stored.readings[stored.numbers[place - 1]][0] >= content[0]:
                wrong.add("time")
            if place < len(stored.numbers) and stored.readings[stored.numbers[place]][0] <= content[0]:
                wrong.add("time")

    def _state(self, opinion: Opinion, tree: Any) -> None:
        wrong = _Wrong()
        state = _object(tree, wrong)
        _bool(state, "up", wrong)
        if "version" in state:
            _text(state, "version", WORD, wrong)
        if state.get("boot") is not None:
            _text(state, "boot", BOOT, wrong)
        if state.get("clock") is not None:
            _clock(state["clock"], wrong)
        for held in _list(state, "streams", 0, MOST_STREAMS, wrong):
            one = _object(held, wrong)
            _text(one, "stream", STREAM, wrong)
            _text(one, "basin", NAME, wrong)
            _whole(one, "oldest", 1, LARGEST, wrong)
            _whole(one, "newest", 0, LARGEST, wrong)
            if one.get("boot") is not None:
                _text(one, "boot", BOOT, wrong)
            if not wrong.reasons:
                if one["oldest"] > one["newest"] + 1:
                    wrong.add("wrong-shape")
                elif one.get("boot") and one["oldest"] > 1:
                    opinion.listed.append((one["stream"], (opinion.node, one["basin"], one["boot"])))
        for seen in _list(state, "sensors", 0, MOST_SEEN, wrong):
            one = _object(seen, wrong)
            _text(one, "sensor", SENSOR, wrong)
            _text(one, "basin", NAME, wrong)
            if "fault" in one:
                _text(one, "fault", WORD, wrong)
        for name in ("outbox", "dropped"):
            if name in state:
                _whole(state, name, 0, LARGEST, wrong)
        _counts(state, "refused", wrong)
        for trouble in _list(state, "troubles", 0, MOST_WORDS, wrong):
            _matches(trouble, WORD, wrong)
        if state.get("disk") is not None:
            disk = _object(state["disk"], wrong)
            for name in ("written_bytes", "over_ms", "free_bytes", "total_bytes"):
                _whole(disk, name, 0, LARGEST, wrong)
            _whole(disk, "rated_tb", 1, 100_000, wrong)
        wrong.raise_any()


class _Wrong:
    """Collects everything that is wrong: the collector may name any of it."""

    def __init__(self) -> None:
        self.reasons: set[str] = set()

    def add(self, *reasons: str) -> None:
        self.reasons.update(reasons)

    def raise_any(self) -> None:
        if self.reasons:
            raise _Unacceptable(*self.reasons)


def _topic(topic: str) -> tuple[str, str]:
    parts = topic.split("/")
    if len(parts) != 4 or parts[:2] != ["soakledger", "1"] or not NAME.fullmatch(parts[2]):
        return "", ""
    return (parts[2], parts[3]) if parts[3] in ("readings", "state", "receipt", "orders") else ("", "")


def _tree(payload: bytes) -> tuple[Any, bool]:
    """The JSON tree, and whether a name stands twice somewhere.

    Broken JSON may be called wrong-shape too: a reader that finds the wrong type first need not read on.
    """
    if len(payload) > LARGEST_BYTES:
        raise _Unacceptable("huge")
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise _Unacceptable("not-utf-8") from None
    twice = False

    def pairs(found: list[tuple[str, Any]]) -> dict[str, Any]:
        nonlocal twice
        made = dict(found)
        twice = twice or len(made) != len(found)
        return made

    def constant(_: str) -> Any:
        raise ValueError("no JSON")

    try:
        tree = json.loads(text, object_pairs_hook=pairs, parse_constant=constant, parse_int=_number)
    except (ValueError, RecursionError):
        raise _Unacceptable("not-json", "wrong-shape", "time") from None
    if "\\u" in text and _lone_surrogate(tree):
        raise _Unacceptable("not-json", "wrong-shape")  # no Unicode text: it cannot be kept as UTF-8
    return tree, twice


def _number(digits: str) -> int:
    return int(digits) if len(digits) < 40 else 10**40  # as good as any other that is too large


def _lone_surrogate(tree: Any) -> bool:
    try:
        json.dumps(tree, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        return True
    return False


def _object(tree: Any, wrong: _Wrong) -> dict[str, Any]:
    if isinstance(tree, dict):
        return tree
    wrong.add("wrong-shape")
    return {}


def _list(tree: dict[str, Any], name: str, least: int, most: int, wrong: _Wrong) -> list[Any]:
    found = tree.get(name, [] if not least else None)
    if isinstance(found, list) and least <= len(found) <= most:
        return found
    wrong.add("wrong-shape")
    return []


def _matches(found: Any, pattern: re.Pattern[str], wrong: _Wrong) -> None:
    if not isinstance(found, str) or not pattern.fullmatch(found):
        wrong.add("wrong-shape")


def _text(tree: dict[str, Any], name: str, pattern: re.Pattern[str], wrong: _Wrong) -> None:
    _matches(tree.get(name), pattern, wrong)


def _bool(tree: dict[str, Any], name: str, wrong: _Wrong) -> None:
    if not isinstance(tree.get(name), bool):
        wrong.add("wrong-shape")


def _is_whole(found: Any, least: int, most: int) -> bool:
    return type(found) is int and least <= found <= most


def _whole(tree: dict[str, Any], name: str, least: int, most: int, wrong: _Wrong) -> None:
    if not _is_whole(tree.get(name), least, most):
        wrong.add("wrong-shape")


def _counts(tree: dict[str, Any], name: str, wrong: _Wrong) -> None:
    counts = tree.get(name, {})
    if not isinstance(counts, dict) or len(counts) > MOST_WORDS:
        wrong.add("wrong-shape")
        return
    for word, count in counts.items():
        _matches(word, WORD, wrong)
        if not _is_whole(count, 0, LARGEST):
            wrong.add("wrong-shape")


def _clock(tree: Any, wrong: _Wrong) -> dict[str, Any]:
    clock = _object(tree, wrong)
    _whole(clock, "ms", 0, LARGEST, wrong)
    _bool(clock, "synced", wrong)
    utc = clock.get("utc")
    if not isinstance(utc, str):
        wrong.add("wrong-shape")
    elif not UTC_TEXT.fullmatch(utc):
        wrong.add("wrong-shape", "time")
    else:
        try:
            at = datetime.fromisoformat(utc)
            since = at - datetime(1970, 1, 1, tzinfo=UTC)
            return clock | {"utc_ms": (since.days * 86_400 + since.seconds) * 1_000 + since.microseconds // 1_000}
        except ValueError:
            wrong.add("time")
    return clock | {"utc_ms": 0}


def _batch(tree: Any, wrong: _Wrong) -> dict[str, Any]:
    batch = _object(tree, wrong)
    for name, pattern in (("stream", STREAM), ("basin", NAME), ("boot", BOOT)):
        _text(batch, name, pattern, wrong)
    _whole(batch, "first", 1, LARGEST, wrong)
    clock = _clock(batch.get("clock"), wrong)
    contents = [_reading(one, wrong) for one in _list(batch, "readings", 1, MOST_READINGS, wrong)]
    times = [content[0] for content in contents]
    if any(type(ms) is int and type(to) is int and to <= ms for ms, to in itertools.pairwise(times)):
        wrong.add("time")
    return batch | {"clock": clock, "contents": contents}


def _reading(tree: Any, wrong: _Wrong) -> Content:
    reading = _object(tree, wrong)
    _whole(reading, "ms", 0, LARGEST, wrong)
    for name, words in (("why", WHY), ("lid", {"open", "closed"})):
        if not isinstance(reading.get(name), str) or reading[name] not in words:
            wrong.add("wrong-shape")
    mc, faults = _sensors(reading.get("mc"), wrong), _sensors(reading.get("fault", {}), wrong)
    for indicated in mc.values():
        if indicated is not None and not _is_whole(indicated, -55_000, 125_000):
            wrong.add("wrong-shape")
    said: dict[str, tuple[str, str]] = {}
    for sensor, fault in faults.items():
        one = _object(fault, wrong)
        _text(one, "code", CODE, wrong)
        if "raw" in one:
            _text(one, "raw", RAW, wrong)
        said[sensor] = (one.get("code", ""), one.get("raw", ""))
    return reading.get("ms", -1), reading.get("why", ""), reading.get("lid", ""), mc, said


def _sensors(found: Any, wrong: _Wrong) -> dict[str, Any]:
    sensors = _object(found, wrong)
    if len(sensors) > MOST_SENSORS or not all(map(SENSOR.fullmatch, sensors)):
        wrong.add("wrong-shape")
    return sensors


def contents_of(stored: Iterable[tuple[int, Any]]) -> dict[int, Content]:
    """Readings read back from a store, in the judge's form.

    Raises:
        AssertionError: A number comes twice.
    """
    found: dict[int, Content] = {}
    for number, each in stored:
        assert number not in found, f"reading {number} is stored twice"
        fault = {sensor: (one.code, one.raw) for sensor, one in each.fault.items()}
        found[number] = (each.ms, each.why.value, each.lid.value, dict(each.mc), fault)
    return found
