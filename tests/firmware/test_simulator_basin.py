"""The basin's physics: what a basin of liquid does, whatever the constants."""

from __future__ import annotations

import itertools
from random import Random

import pytest

from firmware.simulator.basin import Basin, Bath, Room, Shape, sixteenths
from firmware.simulator.script import DAY_MS, Act, Step

HOUR_MS = 3_600_000


def heat(basin: Basin) -> float:
    """Heat of solution and load, in the heat of one layer and millidegrees."""
    load = basin.shape.load_share * basin.load_mc if basin.load_mc is not None else 0.0
    return basin.lower_mc + basin.upper_mc + load


@pytest.mark.parametrize("step_s", [1, 10, 600, 100_000])
@pytest.mark.parametrize("begin_mc", [15_000, 30_000])
@pytest.mark.parametrize("lid_open", [True, False])
def test_goes_towards_the_room_and_never_past_it(step_s: int, begin_mc: int, lid_open: bool) -> None:
    basin = Basin(Shape(bench_mc=0), begin_mc)
    basin.lid_open = lid_open
    for _ in range(200):
        before = basin.lower_mc, basin.upper_mc
        basin.step(step_s, 22_000)
        for was, now in zip(before, (basin.lower_mc, basin.upper_mc), strict=True):
            assert min(was, 22_000) - 1e-6 <= now <= max(was, 22_000) + 1e-6
    left = abs(basin.lower_mc - 22_000) / abs(begin_mc - 22_000)
    assert left < 1 - 0.01 * min(step_s, 60) / 60


def test_cooling_is_the_exponential_of_its_time_constant() -> None:
    """One time constant leaves 1/e of the difference, however the time is cut into steps (Newton's law of cooling)."""
    for steps in (1, 9, 9_000):
        basin = Basin(Shape(cooling_s=9_000, bench_mc=0), 32_000)
        for _ in range(steps):
            basin.step(9_000 / steps, 22_000)
        assert basin.lower_mc == pytest.approx(22_000 + 10_000 / 2.718281828, abs=0.01)


def test_a_cold_load_cools_the_lower_layer_first_and_it_recovers() -> None:
    basin = Basin(Shape(), 22_000)
    basin.act(Step(0, Act.LOAD_IN, load_mc=10_000))
    lower, upper = [], []
    for _ in range(1_800):
        basin.step(1, 22_500)
        lower.append(basin.lower_mc)
        upper.append(basin.upper_mc)
    coldest = min(lower)
    at_s = lower.index(coldest)
    assert 20 < at_s < 300
    assert coldest < 20_500
    assert upper[at_s] > coldest + 500
    assert lower[-1] > coldest + 300
    assert abs(lower[-1] - upper[-1]) < 200
    assert basin.load_mc == pytest.approx(lower[-1], abs=50)


def test_a_load_exchanges_heat_and_makes_none() -> None:
    basin = Basin(Shape(cooling_s=1e15, open_cooling_s=1e15), 22_000)
    basin.act(Step(0, Act.LOAD_IN, load_mc=5_000))
    before = heat(basin)
    for _ in range(1_000):
        basin.step(3, 0)
    assert heat(basin) == pytest.approx(before, abs=0.1)


def test_layers_differ_while_nothing_stirs_and_mix_when_the_lid_is_off() -> None:
    basin = Basin(Shape(mixing_s=3_000), 20_000)
    for _ in range(5_000):
        basin.step(10, 24_000)
    apart = basin.upper_mc - basin.lower_mc
    assert apart > 50
    basin.act(Step(0, Act.OPEN))
    for _ in range(40):
        basin.step(1, 24_000)
    assert abs(basin.upper_mc - basin.lower_mc) < apart / 5


def test_a_water_bath_keeps_its_band() -> None:
    """Warm up, then stay: never above the band, and below it by no more than one step's cooling."""
    basin = Basin(Shape(cooling_s=5_000, bath=Bath(36_500, 300, 20.0)), 30_000)
    for _ in range(3_600):
        basin.step(1, 21_000)
    seen = []
    for _ in range(7_200):
        basin.step(1, 21_000)
        seen.append(basin.lower_mc)
    assert max(seen) <= 36_650
    assert min(seen) >= 36_350 - 20
    assert any(before < after for before, after in itertools.pairwise(seen))
    assert any(before > after for before, after in itertools.pairwise(seen))


@pytest.mark.parametrize("cold", [True, False])
def test_a_room_has_no_jumps(cold: bool) -> None:
    """Through a whole day and over midnight the temperature changes by less than a tenth of a degree a minute."""
    room = Room()
    day = [room.at_mc(ms, cold_before=cold, cold_after=cold) for ms in range(0, DAY_MS + 1, 60_000)]
    assert all(abs(after - before) < 100 for before, after in itertools.pairwise(day + day[:1]))


def test_a_cold_morning_is_cold_until_the_heating_has_caught_up() -> None:
    room = Room(day_mc=22_600, cold_night_mc=15_500)
    at = {hour: room.at_mc(hour * HOUR_MS, cold_before=True, cold_after=False) for hour in (0, 6, 8, 12)}
    assert at[6] < at[0]
    assert at[6] < 16_500
    assert at[8] < 22_000
    assert at[12] > 22_500
    assert room.at_mc(6 * HOUR_MS, cold_before=False, cold_after=False) > 21_000


@pytest.mark.parametrize(
    ("mc", "code"),
    [(0, 0), (25_062.5, 0x0191), (10_125, 0x00A2), (-500, -8), (-10_125, -162), (85_000, 0x0550), (31, 0), (32, 1)],
)
def test_a_sensor_indicates_the_nearest_sixteenth(mc: float, code: int) -> None:
    """DS18B20 datasheet, Table 1: temperature to register; 31 and 32 m°C lie on both sides of half a step."""
    assert sixteenths(mc, 0, 0) == code


def test_offset_and_noise_add_up() -> None:
    dice = Random(1)
    for _ in range(200):
        true, offset, noise = dice.uniform(15_000, 40_000), dice.uniform(-500, 500), dice.gauss(0, 30)
        assert sixteenths(true, offset, noise) * 62.5 == pytest.approx(true + offset + noise, abs=31.3)
