"""Pages by somebody who did not write them: only `seal` and `unseal`, anything that a reading may be."""

from __future__ import annotations

import hashlib
import re
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.page import MOST_READINGS, DamagedPageError, seal, unseal
from soak.quantity import utc_text
from soak.reading import HIGHEST_MC, LOWEST_MC, Fault, Lid, Reading, Why
from soak.wire import Clock

STREAM = "5f0c9a00000000000000000000000001"
LARGEST = 2**53 - 1
CALENDAR_END_MS = 253_402_300_799_999
DATABASES = Path(__file__).parents[1] / "databases"
often = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)

sensors = st.one_of(
    st.sampled_from([f"28-{index:012x}" for index in range(3)]),
    st.from_regex(r"[0-9a-f]{2}-[0-9a-f]{12}", fullmatch=True),
)
faults = st.builds(
    Fault,
    st.one_of(st.sampled_from(["crc", "no-answer", "stale"]), st.from_regex(r"[a-z][a-z0-9-]{0,31}", fullmatch=True)),
    st.one_of(st.just(""), st.binary(max_size=16).map(bytes.hex)),
)
temperatures = st.one_of(
    st.none(),
    st.integers(20_900, 21_100),
    st.integers(LOWEST_MC, HIGHEST_MC),
    st.sampled_from([LOWEST_MC, HIGHEST_MC, 0, -1]),
)
pauses = st.one_of(st.sampled_from([1, 999, 1_000, 1_001, 499, 500, 501, 1_499, 1_500, 1_501]), st.integers(1, 10**9))
clocks = st.builds(
    Clock,
    st.one_of(st.integers(0, 10**7), st.sampled_from([0, LARGEST])),
    st.one_of(st.sampled_from([0, CALENDAR_END_MS]), st.integers(0, CALENDAR_END_MS)).map(utc_text),
    st.booleans(),
)


@st.composite
def pages(draw: st.DrawFn, most: int = 12) -> dict[str, Any]:
    """What `seal` takes: readings whose sensors come and go, jitter, all reasons, every fault, clocks that step."""
    count = draw(st.integers(1, most))
    steps = draw(st.lists(pauses, min_size=count, max_size=count))
    ms = draw(st.sampled_from([0, 1, 777, LARGEST - 10**9 * (most + 1)]))
    usual = draw(st.lists(sensors, max_size=4, unique=True))
    readings = []
    for step in steps:
        ms += step
        named = usual if draw(st.integers(0, 3)) else draw(st.lists(sensors, max_size=16, unique=True))
        faulty = draw(st.lists(sensors, max_size=2, unique=True)) if draw(st.integers(0, 5)) == 0 else []
        mc = {sensor: draw(temperatures) for sensor in named}
        fault = {sensor: draw(faults) for sensor in [*faulty, *(each for each in named if mc[each] is None)]}
        readings.append(Reading(ms, draw(st.sampled_from(Why)), draw(st.sampled_from(Lid)), mc, fault))
    places = draw(st.sets(st.integers(1, count - 1), max_size=3)) if count > 1 else set()
    anchors = [(index, draw(clocks)) for index in sorted({0, *places})]
    first = draw(st.one_of(st.integers(1, 10**6), st.just(LARGEST - count + 1)))
    return {"stream": STREAM, "first": first, "readings": readings, "anchors": anchors}


def sealed(page: dict[str, Any]) -> tuple[str, bytes]:
    sha256, body = seal(page["stream"], page["first"], page["readings"], page["anchors"])
    return sha256, body


def said(page: dict[str, Any]) -> tuple[int, list[Reading], list[tuple[int, Clock]]]:
    return page["first"], page["readings"], page["anchors"]


@often
@given(pages())
def test_what_was_sealed_is_what_is_read_back(page: dict[str, Any]) -> None:
    sha256, body = sealed(page)
    first, readings, anchors = unseal(body, sha256)
    assert (first, list(readings), list(anchors)) == said(page)
    assert all(type(each.why) is Why and type(each.lid) is Lid for each in readings)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(pages(most=8))
def test_the_same_readings_always_give_the_same_bytes(page: dict[str, Any]) -> None:
    """In whatever order a node named its sensors; and the digest is that of what standard tools unpack."""
    sha256, body = sealed(page)
    assert sealed(page) == (sha256, body)
    turned = [
        msgspec.structs.replace(each, mc=dict(reversed(each.mc.items())), fault=dict(reversed(each.fault.items())))
        for each in page["readings"]
    ]
    assert sealed(page | {"readings": turned}) == (sha256, body)
    assert hashlib.sha256(zlib.decompress(body)).hexdigest() == sha256


def _first(page: dict[str, Any], data: st.DataObject) -> None:
    page["first"] += -1 if page["first"] > 1 else 1


def _stream(page: dict[str, Any], data: st.DataObject) -> None:
    page["stream"] = STREAM[:-1] + "2"


def _clock(page: dict[str, Any], data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(page["anchors"]) - 1))
    index, clock = page["anchors"][place]
    ms = clock.ms + (1 if clock.ms < LARGEST else -1)
    others = [msgspec.structs.replace(clock, ms=ms), msgspec.structs.replace(clock, synced=not clock.synced)]
    utc = "2026-03-02T09:14:07.251Z" if clock.utc != "2026-03-02T09:14:07.251Z" else "2026-03-02T09:14:07.250Z"
    others.append(msgspec.structs.replace(clock, utc=utc))
    page["anchors"] = [*page["anchors"]]
    page["anchors"][place] = (index, data.draw(st.sampled_from(others)))


def _one_more_clock(page: dict[str, Any], data: st.DataObject) -> None:
    free = set(range(len(page["readings"]))) - {index for index, _ in page["anchors"]}
    page["anchors"] = (
        page["anchors"][:1] if not free else sorted([*page["anchors"], (min(free), page["anchors"][0][1])])
    )


def _one_reading(
    change: Callable[[Reading, st.DataObject], Reading],
) -> Callable[[dict[str, Any], st.DataObject], None]:
    def apply(page: dict[str, Any], data: st.DataObject) -> None:
        place = data.draw(st.integers(0, len(page["readings"]) - 1))
        page["readings"] = [*page["readings"]]
        page["readings"][place] = change(page["readings"][place], data)

    return apply


def _ms(each: Reading, data: st.DataObject) -> Reading:
    return msgspec.structs.replace(each, ms=each.ms + data.draw(st.sampled_from([-1, 1, 1_000])))


def _why(each: Reading, data: st.DataObject) -> Reading:
    return msgspec.structs.replace(each, why=data.draw(st.sampled_from([why for why in Why if why is not each.why])))


def _lid(each: Reading, data: st.DataObject) -> Reading:
    return msgspec.structs.replace(each, lid=Lid.OPEN if each.lid is Lid.CLOSED else Lid.CLOSED)


def _mc(each: Reading, data: st.DataObject) -> Reading:
    sensor = data.draw(st.sampled_from([*each.mc, "28-00000000beef"]))
    known = each.mc.get(sensor, 0)
    return msgspec.structs.replace(each, mc=each.mc | {sensor: None if known is not None else 20_000})


def _absent(each: Reading, data: st.DataObject) -> Reading:
    """A sensor named without a value is not a sensor that is not named."""
    without = dict(each.mc)
    if without:
        without.popitem()
    else:
        without["28-00000000beef"] = None
    return msgspec.structs.replace(each, mc=without)


def _fault(each: Reading, data: st.DataObject) -> Reading:
    known = each.fault.get("28-000000000000")
    raw = "00" if known is None or known.raw != "00" else "0000"
    return msgspec.structs.replace(each, fault=each.fault | {"28-000000000000": Fault("crc", raw)})


def _fewer(page: dict[str, Any], data: st.DataObject) -> None:
    readings = page["readings"]
    page["readings"] = (
        readings[:-1] if len(readings) > 1 else [*readings, msgspec.structs.replace(readings[0], ms=LARGEST)]
    )
    page["anchors"] = page["anchors"][:1]


CHANGES: dict[str, Callable[[dict[str, Any], st.DataObject], None]] = {
    "first": _first,
    "stream": _stream,
    "clock": _clock,
    "another clock": _one_more_clock,
    "fewer readings": _fewer,
    **{change.__name__[1:]: _one_reading(change) for change in (_ms, _why, _lid, _mc, _absent, _fault)},
}


@pytest.mark.parametrize("what", CHANGES)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(page=pages(most=6), data=st.data())
def test_the_digest_depends_on(what: str, page: dict[str, Any], data: st.DataObject) -> None:
    other = dict(page)
    CHANGES[what](other, data)
    assert (other["stream"], *said(other)) != (page["stream"], *said(page)) or what == "another clock"
    if said(other) != said(page) or other["stream"] != page["stream"]:
        assert sealed(other)[0] != sealed(page)[0]


@often
@given(pages(most=4), pages(most=4))
def test_two_pages_that_differ_have_two_digests(one: dict[str, Any], other: dict[str, Any]) -> None:
    assert (sealed(one)[0] == sealed(other)[0]) == (said(one) == said(other))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(pages(most=6), st.integers(1, 255))
def test_damage_of_any_byte_is_noticed_or_changes_nothing(page: dict[str, Any], mask: int) -> None:
    """Some bits say nothing: the compression level, padding at the end, how codes that no reading uses are written."""
    sha256, body = sealed(page)
    for place in range(len(body)):
        damaged = bytearray(body)
        damaged[place] ^= mask
        with suppress(DamagedPageError):
            assert unseal(bytes(damaged), sha256) == said(page)
        damaged[place] ^= mask ^ 0xFF
        with suppress(DamagedPageError):
            assert unseal(bytes(damaged), sha256) == said(page), f"byte {place} of {body.hex()}"


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(pages(most=6), st.binary(min_size=1, max_size=9))
def test_bytes_dropped_cut_or_added_are_noticed(page: dict[str, Any], more: bytes) -> None:
    sha256, body = sealed(page)
    spoilt = [body[:place] + body[place + 1 :] for place in range(len(body))]
    spoilt += [body[:length] for length in range(len(body))]
    spoilt += [body + more, more + body, body + body, b"", more]
    for each in spoilt:
        if each != body:
            with pytest.raises(DamagedPageError):
                unseal(each, sha256)


@settings(max_examples=120, deadline=None)
@given(pages(most=4), pages(most=4), st.from_regex(r"[0-9a-f]{64}", fullmatch=True))
def test_a_body_is_read_only_by_its_own_digest(one: dict[str, Any], other: dict[str, Any], digest: str) -> None:
    sha256, body = sealed(one)
    for wrong in (sealed(other)[0], digest, sha256.upper(), sha256[:-1], ""):
        if wrong != sha256:
            with pytest.raises(DamagedPageError):
                unseal(body, wrong)


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"null", b"\xff", b'{"format":1}'])
def test_what_is_no_page_is_damage_not_a_crash(content: bytes) -> None:
    """The right digest of bytes that are no page: written by another program, or by a damaged one."""
    with pytest.raises(DamagedPageError):
        unseal(zlib.compress(content), hashlib.sha256(content).hexdigest())


def test_a_page_of_a_format_to_come_is_not_read_as_one_of_today() -> None:
    _, body = seal(STREAM, 1, [Reading(1_000, Why.TICK, Lid.OPEN, {})], [(0, Clock(0, utc_text(0), False))])
    content, changed = re.subn(rb'"format":[0-9]+', b'"format":99', zlib.decompress(body))
    assert changed == 1
    with pytest.raises(DamagedPageError):
        unseal(zlib.compress(content), hashlib.sha256(content).hexdigest())


def test_the_largest_page_comes_back() -> None:
    sensor_names = [f"28-{index:012x}" for index in range(16)]
    readings = [
        Reading(
            1_000 * number + number % 7,
            Why.TICK,
            Lid.OPEN if number % 600 < 5 else Lid.CLOSED,
            {
                sensor: None if (number + index) % 50 == 0 else 21_000 + (number * index) % 125
                for index, sensor in enumerate(sensor_names)
            },
            {sensor: Fault("crc", "4b" * 9) for index, sensor in enumerate(sensor_names) if (number + index) % 50 == 0},
        )
        for number in range(MOST_READINGS)
    ]
    anchors = [
        (index, Clock(1_000 * index, utc_text(1_000 * index), index > 100)) for index in range(0, MOST_READINGS, 60)
    ]
    page = {"stream": STREAM, "first": 1, "readings": readings, "anchors": anchors}
    sha256, body = sealed(page)
    assert unseal(body, sha256) == said(page)


@pytest.mark.parametrize("dump", sorted(path.name for path in DATABASES.glob("*.sql")))
def test_pages_of_every_released_database_still_read(dump: str) -> None:
    """Straight from the dump, as the older version wrote them: not by way of a migration."""
    connection = sqlite3.connect(":memory:")
    connection.executescript((DATABASES / dump).read_text("utf-8"))
    rows = connection.execute("SELECT first, last, sha256, body FROM page ORDER BY stream_id, first").fetchall()
    connection.close()
    assert rows
    for first, last, sha256, body in rows:
        number, readings, anchors = unseal(body, sha256)
        assert (number, number + len(readings) - 1) == (first, last)
        assert all(earlier.ms < later.ms for earlier, later in pairwise(readings))
        assert anchors[0][0] == 0
        assert re.search(rb'"format":(\d+)', zlib.decompress(body))
