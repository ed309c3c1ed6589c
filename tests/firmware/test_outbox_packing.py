"""Blocks: what was packed comes back exactly, and nothing else ever does."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outbox_kit import BOOT_1, A, B, Basins, reading

from firmware.clock import Anchor
from firmware.packing import (
    MOST_BLOCK_BYTES,
    Card,
    DamagedBlockError,
    Origin,
    Run,
    begin_ms,
    carve,
    key_of,
    pack,
    pack_card,
    parse,
    unpack,
)
from soak.reading import Fault, Lid, Reading, Why

ORIGIN = Origin(7, "5f" * 16, "b1", BOOT_1, (B, A))
ANCHOR = Anchor(8_123_456, 1_700_000_000_000, True)

_RESULTS = st.one_of(
    st.integers(-55_000, 125_000), st.builds(Fault, st.sampled_from(["crc", "stale"]), st.sampled_from(["", "4b01"]))
)
_MS = st.integers(0, 2**53 - 1)


@st.composite
def runs(draw: st.DrawFn) -> list[Reading]:
    times = sorted(draw(st.sets(_MS, min_size=1, max_size=12)))
    out = []
    for ms in times:
        results = {A: draw(_RESULTS), B: draw(_RESULTS)}
        mc = {sensor: one if isinstance(one, int) else None for sensor, one in results.items()}
        fault = {sensor: one for sensor, one in results.items() if isinstance(one, Fault)}
        out.append(Reading(ms, draw(st.sampled_from(Why)), draw(st.sampled_from(Lid)), mc, fault))
    return out


@settings(max_examples=300)
@given(runs(), st.integers(1, 2**40), st.booleans(), st.sampled_from([BOOT_1, BOOT_1.replace("-", "")]))
def test_unpacking_gives_back_what_was_packed(readings: list[Reading], first: int, full: bool, boot: str) -> None:
    origin = ORIGIN._replace(boot=boot)
    back: list[Reading] = []
    for begin, end, data in pack(origin, ANCHOR, first, readings, full=full):
        run = parse(data)
        assert isinstance(run, Run)
        assert run.stream == ((origin, ANCHOR) if full else None)
        assert (run.key, run.first, run.last) == (key_of(origin), begin, end)
        assert begin == first + len(back)
        back += unpack(run, origin.sensors)
        assert end == first + len(back) - 1
    assert back == readings


def test_cards_say_what_is_gone() -> None:
    card = Card((ORIGIN, ANCHOR), 5_000, ((1, 40), (60, 60)))
    assert parse(pack_card(card)) == card
    assert card.key == key_of(ORIGIN)


def test_a_reading_takes_few_bytes() -> None:
    """A commit a second writes one per basin: a dozen basins fit into one page of 1,024 bytes."""
    origin = Origin(7, "5f" * 16, "b1", BOOT_1, (A,))
    ((_, _, data),) = pack(origin, ANCHOR, 5_000_000, [reading(8_123_456)], full=False)
    assert len(data) <= 48
    basins = Basins(1)
    (sensor,) = basins.sensors.values()
    readings = [one for _ in range(3_000) for _, one in basins.second()]
    blocks = pack(Origin(7, "5f" * 16, "b1", BOOT_1, (sensor,)), ANCHOR, 1, readings, full=True)
    assert max(len(data) for *_, data in blocks) <= MOST_BLOCK_BYTES
    assert sum(len(data) for *_, data in blocks) < 2.0 * 3_000


def test_however_many_readings_are_packed_at_once() -> None:
    basins = Basins(1, noise_mc=4_000)
    origin = Origin(7, "5f" * 16, "b1", BOOT_1, tuple(basins.sensors.values()))
    readings = [one for _ in range(60_000) for _, one in basins.second()]
    blocks = pack(origin, ANCHOR, 1, readings, full=False)
    back = [one for *_, data in blocks for one in unpack(parse(data), origin.sensors)]  # type: ignore[arg-type]
    assert back == readings


def test_packing_refuses_what_it_could_not_give_back() -> None:
    with pytest.raises(ValueError, match="in a stream with"):
        pack(ORIGIN, ANCHOR, 1, [reading(1)], full=True)
    with pytest.raises(ValueError, match="neither temperature nor fault for sensor 28-00000000000b"):
        pack(ORIGIN, ANCHOR, 1, [Reading(1, Why.TICK, Lid.OPEN, {A: 1, B: None})], full=True)


def test_whatever_byte_changes_it_is_noticed() -> None:
    readings = [Reading(ms, Why.TICK, Lid.OPEN, {A: ms, B: 2}) for ms in range(1_000, 9_000, 1_000)]
    ((_, _, data),) = pack(ORIGIN, ANCHOR, 1, readings, full=True)
    for at in range(len(data)):
        for flip in (0x01, 0x80, 0xFF):
            damaged = bytearray(data)
            damaged[at] ^= flip
            with pytest.raises(DamagedBlockError):
                parse(bytes(damaged))
            assert list(carve(bytes(damaged))) == []
    with pytest.raises(DamagedBlockError):
        parse(data[:-1])
    with pytest.raises(DamagedBlockError):
        parse(b"")


def test_whole_blocks_are_found_between_anything() -> None:
    dice = Random(3)
    blocks = [
        pack(ORIGIN, ANCHOR, number, [Reading(number, Why.TICK, Lid.OPEN, {A: 1, B: 2})], full=False)[0][2]
        for number in range(1, 50)
    ]
    image = b""
    for block in blocks:
        image += dice.randbytes(dice.randrange(90)) + block[: dice.randrange(len(block))] + block
    assert [data for _, data in carve(image)] == blocks
    offset, data = next(carve(image))
    assert image[offset : offset + len(data)] == data


def test_the_time_of_a_run_is_known_without_its_readings() -> None:
    for count in (1, 40):
        readings = [Reading(5_000 + at, Why.TICK, Lid.OPEN, {A: 1, B: 2}) for at in range(count)]
        ((_, _, data),) = pack(ORIGIN, ANCHOR, 1, readings, full=False)
        run = parse(data)
        assert isinstance(run, Run)
        assert begin_ms(run) == 5_000
