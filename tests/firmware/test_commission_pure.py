"""What commissioning decides: which sensor was held, what a switch's levels mean, how one line is changed."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware.checkup.bus import Bus, boot_config, judge_bus, judge_names, os_facts, overlay_advice
from firmware.commissioning.editing import UnusualError, snippet, with_sensors
from firmware.commissioning.first_settings import first_settings
from firmware.commissioning.switching import judge_button, judge_lid
from firmware.commissioning.warming import MARGIN_MC, PATIENCE_MS, RISE_MC, Held, NotHeld, Together, Warming, steady_ms
from firmware.misnamed import misnamed
from firmware.sensors import nearest_sensor
from firmware.settings import Basin, Settings
from host.doctor import Mark
from soak.decoding import converted

A, B, C = "28-00000000000a", "28-00000000000b", "28-0000072c1a5f"


def outcome(*series: dict[str, int | None], before: dict[str, int] | None = None, steady: bool = True) -> object:
    """What comes of it, a second apart; the last temperatures stay for a while."""
    warming = Warming(before or {}, 0)
    for number, temperatures in enumerate([*series, *([series[-1]] * 4 if steady else [])]):
        came = warming.take(number * 1_000, temperatures)
        if came is not None:
            return came
    return None


def test_the_one_that_rises_clearly_more_than_all_others_is_the_one_held() -> None:
    assert outcome({A: 23_000, B: 21_500}, before={A: 21_000, B: 21_000}) == Held(A, 2_000, 500)


@pytest.mark.parametrize(
    ("a", "b", "held"),
    [
        (RISE_MC, RISE_MC - MARGIN_MC, True),
        (RISE_MC - 1, 0, False),
        (RISE_MC, RISE_MC - MARGIN_MC + 1, False),
        (10 * RISE_MC, 10 * RISE_MC - MARGIN_MC, True),
    ],
)
def test_rise_and_margin_count_at_equality(a: int, b: int, held: bool) -> None:
    came = outcome({A: 20_000 + a, B: 20_000 + b}, before={A: 20_000, B: 20_000})
    assert isinstance(came, Held) is held


def test_it_must_stay_so_for_three_seconds() -> None:
    rising = {A: 23_000, B: 21_000}
    assert outcome({A: 21_000, B: 21_000}, rising, rising, rising, steady=False) is None
    assert outcome({A: 21_000, B: 21_000}, rising, rising, rising, rising, steady=False) == Held(A, 2_000, 0)


def test_with_many_sensors_it_must_stay_so_for_a_round() -> None:
    assert [steady_ms(count) for count in (1, 3, 16)] == [3_000, 3_000, 16_000]
    warming = Warming({A: 21_000, B: 21_000}, 0, steady_ms(16))
    assert warming.take(1_000, {A: 25_000, B: 21_000}) is None
    assert warming.take(16_999, {A: 25_000, B: 21_000}) is None
    assert warming.take(17_000, {A: 25_000, B: 21_000}) == Held(A, 4_000, 0)


def test_of_two_in_one_hand_one_is_heard_first_and_is_not_taken_for_it() -> None:
    before = {A: 21_000, B: 21_000}
    assert outcome({A: 26_000, B: 21_000}, {A: 26_000, B: 26_000}, before=before) == Together((A, B))


def test_two_that_rise_together_are_told() -> None:
    before = {A: 20_000, B: 19_000, C: 20_000}
    assert outcome({A: 22_500, B: 21_400, C: 20_100}, before=before) == Together((A, B))


def test_a_sensor_that_cools_from_the_last_hand_does_not_count_as_risen() -> None:
    cooling = [{A: 28_000 - 500 * step, B: 21_000 + 200 * step} for step in range(12)]
    assert outcome(*cooling) == Held(B, 2_200, 0)


def test_nobody_warms_any_for_two_minutes() -> None:
    still = {A: 21_000, B: 21_300}
    series = [still] * (PATIENCE_MS // 1_000) + [still | {A: 21_900}]
    assert outcome(*series[:-1], steady=False) is None
    assert outcome(*series) == NotHeld(A, 900)


def test_a_sensor_that_answers_nothing_is_left_out_until_it_does() -> None:
    assert outcome({A: None, B: 21_000}, {A: 21_000, B: 21_000}, {A: None, B: 23_100}) == Held(B, 2_100, 0)
    assert outcome(*[{A: None}] * 121) == NotHeld("", 0)


@given(st.lists(st.tuples(st.integers(-5_000, 40_000), st.integers(-5_000, 40_000)), min_size=2, max_size=30))
def test_whoever_is_named_rose_enough_and_more_than_the_other(series: list[tuple[int, int]]) -> None:
    came = outcome(*[{A: a, B: b} for a, b in series])
    if isinstance(came, Held):
        assert came.rise_mc >= RISE_MC
        assert came.rise_mc - came.others_mc >= MARGIN_MC


@pytest.mark.parametrize("levels", [(a, b, c) for a in (0, 1) for b in (0, 1) for c in (0, 1)])
def test_only_a_switch_that_follows_is_good(levels: tuple[int, int, int]) -> None:
    first, second, third = map(bool, levels)
    for judge in (judge_lid, judge_button):
        judged = judge(first, second, third)
        assert (judged.mark is Mark.GOOD) == (levels == (0, 1, 0))
        assert judged.mark is Mark.GOOD or judged.todo


def test_an_inverted_lid_and_one_that_never_moved_are_told_apart() -> None:
    assert "inverted" in judge_lid(True, False, True).said
    assert "closed for ever" in judge_lid(True, True, True).said
    assert "open for ever" in judge_lid(False, False, False).said


# ---------------------------------------------------------------------------------------------------- one line changed

TEXT = f"""\
# ours
node = "n1"

[[basin]]  # left
sensors = [ '{A}' ]  # blue cable
name = "b1"

[[basin]]
name = 'b2'
sensors = ["{B}"]
"""


def test_only_that_line_changes_and_comments_stay() -> None:
    changed = with_sensors(TEXT, "b1", [C])
    assert changed == TEXT.replace(f"[ '{A}' ]", f'["{C}"]')
    assert with_sensors(TEXT, "b2", [B, C]) == TEXT.replace(f'["{B}"]', f'["{B}", "{C}"]')


def test_line_endings_stay_what_they_are() -> None:
    text = TEXT.replace("\n", "\r\n")
    assert with_sensors(text, "b2", [C]) == text.replace(B, C)


@pytest.mark.parametrize(
    "text",
    [
        TEXT.replace("name = 'b2'", "name = 'b3'"),
        TEXT.replace(f'sensors = ["{B}"]', f'sensors = [\n"{B}"\n]'),
        f'basin = [{{ name = "b2", sensors = ["{B}"] }}]',
        TEXT + '[basin.light]\nnote = """\n[[basin]]\nname = "b2"\nsensors = ["x"]\n"""\n',
        "[[basin]]\nname = 'b2'\nsensors = [",
    ],
)
def test_an_unusual_file_is_refused_instead_of_spoiled(text: str) -> None:
    try:
        changed = with_sensors(text, "b2", [C])
    except UnusualError:
        return
    wanted = tomllib.loads(text)
    [b2] = [each for each in wanted["basin"] if each["name"] == "b2"]
    b2["sensors"] = [C]
    assert tomllib.loads(changed) == wanted


def test_what_only_looks_like_a_basin_is_never_changed() -> None:
    trap = 'note = """\n[[basin]]\nname = "b2"\nsensors = ["x"]\n"""\n'
    with pytest.raises(UnusualError, match="would change something else"):
        with_sensors(trap + TEXT, "b2", [C])


def test_what_to_paste() -> None:
    assert snippet([A, B]) == f'sensors = ["{A}", "{B}"]'


@pytest.mark.parametrize("count", range(1, 9))
def test_settings_to_begin_with_are_in_order(count: int) -> None:
    sensors = [f"28-{number:012x}" for number in range(count)]
    settings = converted(tomllib.loads(first_settings("room-3", "broker.example", sensors, "/var/x")), Settings)
    assert [basin.sensors for basin in settings.basins] == [(sensor,) for sensor in sensors]
    assert settings.data_dir == "/var/x"


# ------------------------------------------------------------------------------------------------ the bus and its names


@pytest.mark.parametrize(
    ("facts", "file"),
    [
        ('ID=debian\nVERSION_ID="12"\n', "/boot/firmware/config.txt"),
        ('ID=debian\nVERSION_ID="13"\n', "/boot/firmware/config.txt"),
        ('ID=debian\nVERSION_ID="11"\n', "/boot/config.txt"),
        ('ID=raspbian\nVERSION_ID="12"\n', "/boot/firmware/config.txt"),
        ("ID=raspbian\nVERSION_ID=10\n", "/boot/config.txt"),
        ("ID=other\n", "/boot/firmware/config.txt (up to Debian 11: /boot/config.txt)"),
        ("", "/boot/firmware/config.txt (up to Debian 11: /boot/config.txt)"),
    ],
)
def test_the_overlay_goes_into_the_file_of_this_version(facts: str, file: str) -> None:
    assert boot_config(os_facts(facts)) == file
    advice = overlay_advice(os_facts(facts), "Raspberry Pi 4 Model B Rev 1.4")
    assert advice == f"Add the line `dtoverlay=w1-gpio,gpiopin=4` to the end of {file} and restart."


def test_the_bus_may_be_at_another_pin() -> None:
    advice = overlay_advice({"ID": "debian", "VERSION_ID": "12"}, "Raspberry Pi 4 Model B", 21)
    assert "dtoverlay=w1-gpio,gpiopin=21" in advice


def test_a_pi_5_and_what_is_no_pi_are_told_more() -> None:
    facts = {"ID": "debian", "VERSION_ID": "12"}
    assert overlay_advice(facts, "Raspberry Pi 5 Model B Rev 1.0").endswith("it picks the overlay made for it.")
    assert overlay_advice(facts, "").startswith("This machine does not say that it is a Raspberry Pi. On one: add")


def test_no_bus_an_empty_one_and_a_good_one() -> None:
    advice = "Add the line."
    assert judge_bus(Bus(False, []), advice)[1:] == (Mark.WRONG, "the kernel has none: no sensor can be read.", advice)
    assert judge_bus(Bus(True, []), advice).mark is Mark.WRONG
    assert judge_bus(Bus(True, [A]), advice)[1:] == (Mark.GOOD, f"1 sensor: {A}.", "")


def basins(*sensors: str) -> list[Basin]:
    return [Basin(f"b{number}", (sensor,), number + 5) for number, sensor in enumerate(sensors, 1)]


def test_the_nearest_is_the_one_with_the_fewest_other_digits() -> None:
    assert nearest_sensor("28-0000072c1a5e", [A, C, B]) == (C, 1)
    assert nearest_sensor(A, []) is None


def test_a_slip_of_the_pen_names_the_nearest_seen() -> None:
    assert misnamed(basins("28-0000072c1a5e", A), [C, A, B]) == [
        "sensor 28-0000072c1a5e of basin b1 is not on the bus; 28-0000072c1a5f is, and is in no basin: one digit "
        "differs. Correct `sensors` of basin b1"
    ]
    assert misnamed(basins("28-ffffffffffff"), [A]) == [
        f"sensor 28-ffffffffffff of basin b1 is not on the bus; {A} is, and is in no basin. If it hangs in basin b1, "
        "write it into `sensors`"
    ]


def test_an_unplugged_sensor_is_no_slip_of_the_pen() -> None:
    assert misnamed(basins(A, B), [A]) == []
    assert judge_names(basins(A, B), [A, B]) == []
    (spare,) = judge_names(basins(A), [A, B])
    assert (spare.mark, spare.said) == (Mark.NOTE, f"on the bus and in no basin: {B}.")
    (wrong,) = judge_names(basins("28-00000000001a"), [A])
    assert wrong.said.endswith("in no basin: one digit differs.")
    assert wrong.todo == "Correct `sensors` of basin b1."
