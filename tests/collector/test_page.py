"""A page: what is sealed comes back, damage is found, and tools that know nothing of this project read it."""

from __future__ import annotations

import hashlib
import json
import random
import zlib
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit import BOOTED_UTC_MS, SECOND, SENSOR, clock_at, reading, soak, stream_id

from collector import page
from collector.page import DamagedPageError, seal, unseal
from collector.readings import dated, singly
from soak.quantity import utc_text
from soak.reading import HIGHEST_MC, LOWEST_MC, Fault, Lid, Reading, Why
from soak.wire import Clock

SENSORS = (SENSOR, SECOND, "28-00000000000c")
_STEPS_MS = (1, 999, 1_000, 1_000, 1_000, 5_001)
_ABSENT = "absent"
_RESULTS = (
    _ABSENT,
    None,
    Fault("crc", "4b017f"),
    Fault("power-on", "ff" * 9),
    Fault("no-answer"),
    LOWEST_MC,
    HIGHEST_MC,
    -62,
    0,
    21_250,
    21_312,
)
_CLOCKS = [
    Clock(ms, utc_text(utc_ms), synced)
    for ms in (0, 4_000, 2**53 - 1)
    for utc_ms in (0, BOOTED_UTC_MS, 4_102_444_800_000)
    for synced in (True, False)
]


def _pick(code: int, choices: Sequence[object]) -> tuple[int, Any]:
    """One of the choices, and what is left of the code: drawing one number a reading is ten times faster."""
    rest, index = divmod(code, len(choices))
    return rest, choices[index]


@st.composite
def _readings(draw: st.DrawFn) -> list[Reading]:
    """Any dense run: sensors that come and go, values at both ends of the range, faults, words in any order."""
    found, ms = [], draw(st.sampled_from([0, 1, 2**53 - 100_000]))
    for code in draw(st.lists(st.integers(0, 2**20 - 1), min_size=1, max_size=12)):
        rest, step_ms = _pick(code, _STEPS_MS)
        ms += step_ms
        rest, why = _pick(rest, list(Why))
        rest, lid = _pick(rest, list(Lid))
        mc: dict[str, int | None] = {}
        fault: dict[str, Fault] = {}
        for sensor in SENSORS:
            rest, result = _pick(rest, _RESULTS)
            if result != _ABSENT:
                mc[sensor] = result if isinstance(result, int) else None
            if isinstance(result, Fault):
                fault[sensor] = result
        found.append(Reading(ms, why, lid, mc, fault))
    return found


@st.composite
def _anchors(draw: st.DrawFn, count: int) -> list[tuple[int, Clock]]:
    """A clock for the first reading, and further ones wherever it stepped: forward, back, synchronised or not."""
    chosen = draw(st.integers(0, 2**count - 1)) | 1
    clocks = draw(st.lists(st.sampled_from(_CLOCKS), min_size=count, max_size=count))
    return [(index, clocks[index]) for index in range(count) if chosen >> index & 1]


@settings(max_examples=300, deadline=None)
@given(_readings(), st.integers(1, 2**53 - 100), st.data())
def test_what_is_sealed_comes_back(readings: list[Reading], first: int, data: st.DataObject) -> None:
    anchors = data.draw(_anchors(len(readings)))
    sha256, body = seal(stream_id(1), first, readings, anchors)
    assert unseal(body, sha256) == (first, readings, anchors)


def test_a_sensor_without_value_and_a_sensor_that_was_not_asked_stay_two_things() -> None:
    """None means asked without a usable value; a sensor that is not named was not there. A resent message that says
    the same must not look like a contradiction because a page was sealed in between."""
    readings = [
        Reading(1_000, Why.TICK, Lid.OPEN, {SENSOR: 21_000}),
        Reading(2_000, Why.TICK, Lid.OPEN, {SENSOR: 21_000, SECOND: None}),
        Reading(3_000, Why.TICK, Lid.OPEN, {SECOND: 20_875}),
        Reading(4_000, Why.TICK, Lid.OPEN, {}),
    ]
    sha256, body = seal(stream_id(1), 1, readings, [(0, clock_at(4_000))])
    assert [each.mc for each in unseal(body, sha256)[1]] == [each.mc for each in readings]


def _example() -> tuple[str, bytes, list[Reading]]:
    readings = soak(20_000)
    readings[5] = reading(readings[5].ms, "closed", None)
    return (*seal(stream_id(7), 41, readings, [(0, clock_at(22_000)), (9, clock_at(22_000, synced=False))]), readings)


@pytest.mark.parametrize("flip", [0xFF, 0x01, 0x80, 0x10])
def test_any_changed_byte_is_found(flip: int) -> None:
    """Each byte in turn. The only change that can pass is one that changes nothing, so what passes must read the same:
    deflate can spell the same bytes in more than one way (RFC 1951). `verify` holds the spelling to a checksum too."""
    sha256, body, readings = _example()
    found = 0
    for index in range(len(body)):
        damaged = bytearray(body)
        damaged[index] ^= flip
        try:
            content = unseal(bytes(damaged), sha256)
        except DamagedPageError:
            found += 1
        else:
            assert content[1] == readings
    assert found >= len(body) - 3


@pytest.mark.parametrize(("end", "more"), [(-1, b""), (40, b""), (0, b""), (None, b"x")])
def test_a_page_cut_short_or_made_longer_is_found(end: int | None, more: bytes) -> None:
    sha256, body, _ = _example()
    with pytest.raises(DamagedPageError, match=r"Restore the data from a backup\.$"):
        unseal(body[:end] + more, sha256)


def test_a_page_under_another_digest_is_found() -> None:
    """Good bytes that are not the ones that were sealed: somebody has put another page in its place."""
    sha256, body, readings = _example()
    other, _ = seal(stream_id(7), 42, readings, [(0, clock_at(22_000))])
    assert other != sha256
    with pytest.raises(DamagedPageError) as caught:
        unseal(body, other)
    expected = f"A page is not what was sealed (digest {other[:12]}…). Restore the data from a backup."
    assert str(caught.value) == expected


def _spread(runs: list[list[object]]) -> list[object]:
    return [word for word, length in runs for _ in range(int(str(length)))]


def _by_letter(column: dict[str, Any]) -> list[int | None]:
    """a stands for the first of the values, b for the second …; "-" for none."""
    alphabet = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    return [None if each == "-" else column["values"][alphabet.index(each)] for each in column["letters"]]


def test_standard_tools_read_a_page() -> None:
    """zlib, json and hashlib alone, by the layout as it is described; and the bytes are canonical JSON (RFC 8785:
    keys sorted, no white space; for whole numbers and ASCII that is what json.dumps gives)."""
    sha256, body, readings = _example()
    content = zlib.decompress(body)
    assert hashlib.sha256(content).hexdigest() == sha256
    page = json.loads(content)
    assert json.dumps(page, sort_keys=True, separators=(",", ":")).encode() == content
    assert (page["format"], page["stream"], page["first"]) == (3, stream_id(7), 41)
    off_the_grid_ms = [ms for ms in _by_letter(page["ms"]) if ms is not None]
    base_ms = off_the_grid_ms[0]
    times_ms = [base_ms]
    for off_ms in off_the_grid_ms[1:]:
        times_ms.append(base_ms + 1_000 + off_ms)
        base_ms += (times_ms[-1] - base_ms + 500) // 1_000 * 1_000
    assert times_ms == [each.ms for each in readings]
    assert _spread(page["why"]) == [each.why for each in readings]
    assert _spread(page["lid"]) == [each.lid for each in readings]
    assert _by_letter(page["mc"][SENSOR]) == [each.mc[SENSOR] for each in readings]
    assert page["fault"] == [[5, SENSOR, "crc", "4b017f"]]
    assert page["clock"] == [
        [0, 22_000, "2026-03-02T08:00:22.000Z", True],
        [9, 22_000, "2026-03-02T08:00:22.000Z", False],
    ]


def test_a_column_of_more_numbers_than_letters_is_a_list() -> None:
    """Differences then, from the first on; and it is read back like any other."""
    for count in (62, 63):
        readings = [reading(1_000 * at, "open", None if at == 5 else 20_000 + 7 * at) for at in range(count + 1)]
        sha256, body = seal(stream_id(7), 1, readings, [(0, clock_at(1_000))])
        column = json.loads(zlib.decompress(body))["mc"][SENSOR]
        assert isinstance(column, dict) == (count == 62)
        assert unseal(body, sha256)[1] == readings
    assert column[:7] == [20_000, 7, 7, 7, 7, None, 14]


@pytest.mark.parametrize("letters", ["ab?", "abz", "a", ""])
def test_letters_that_stand_for_nothing_or_are_too_few_are_damage(letters: str) -> None:
    readings = [reading(1_000 * at, "open", 20_000 + 100 * (at % 2)) for at in range(3)]
    content = json.loads(zlib.decompress(seal(stream_id(7), 1, readings, [(0, clock_at(1_000))])[1]))
    content["mc"][SENSOR]["letters"] = letters
    altered = json.dumps(content, sort_keys=True, separators=(",", ":")).encode()
    with pytest.raises(DamagedPageError, match="cannot be read"):
        unseal(zlib.compress(altered), hashlib.sha256(altered).hexdigest())


def test_each_clock_dates_the_readings_from_its_index_on() -> None:
    readings = [reading(ms, "open") for ms in (1_000, 2_000, 3_000)]
    stepped = Clock(3_000, utc_text(BOOTED_UTC_MS + 3_603_000), synced=True)
    found = [each for piece in dated(11, readings, [(0, clock_at(2_000)), (2, stepped)]) for each in singly(piece)]
    assert [each.number for each in found] == [11, 12, 13]
    assert [each.utc_ms - BOOTED_UTC_MS for each in found] == [1_000, 2_000, 3_603_000]


def test_print_what_a_quiet_second_costs(capsys: pytest.CaptureFixture[str]) -> None:
    """Design, section 6: "about a byte". Printed for people (pytest -s), not asserted; the pages must be readable."""
    chance = random.Random(20)
    quiet, mc = [], 21_250
    for second in range(3_600):
        if chance.random() < 0.02:  # one step of the sensor, 1/16 °C, now and then
            mc += chance.choice([-62, 63, -63, 62])
        quiet.append(reading(1_000 * second + chance.randint(0, 3), "open", mc))
    anchors = [(0, clock_at(3_600_000))]
    lines = []
    for name, readings in (("a quiet hour", quiet), ("the same, to the second", _on_the_second(quiet))):
        sha256, body = seal(stream_id(1), 1, readings, anchors)
        assert unseal(body, sha256)[1] == readings
        lines.append(f"{name}: {len(body) / len(readings):.2f} bytes a reading")
    with capsys.disabled():
        print("", *lines, sep="\n  ")


def _on_the_second(readings: list[Reading]) -> list[Reading]:
    return [reading(each.ms // 1_000 * 1_000, "open", each.mc[SENSOR]) for each in readings]


def test_a_page_that_unpacks_to_more_than_any_page_has_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """By what it holds, not by what it is when packed: a few kilobytes can unpack to more than there is memory."""
    sha256, body = seal(stream_id(1), 1, soak(5_000), [(0, clock_at(0))])
    size = len(zlib.decompress(body))
    monkeypatch.setattr(page, "MOST_BYTES", size)
    assert unseal(body, sha256)[0] == 1
    monkeypatch.setattr(page, "MOST_BYTES", size - 1)
    with pytest.raises(DamagedPageError, match="unpacks to more than"):
        unseal(body, sha256)
