"""No pin gives more than it may, not even with every light white and the buzzer on; a closed contact reads closed."""

from __future__ import annotations

import pytest

from firmware import pins
from firmware.pins import Part
from hardware import parts

COUNTS = range(1, pins.MOST_BASINS + 1)


@pytest.mark.parametrize("part", Part)
def test_a_pin_gives_no_more_than_the_board_was_laid_out_for(part: Part) -> None:
    assert (parts.output_ua(part) > 0) == part.is_output
    assert parts.output_ua(part) <= parts.DESIGNED_PIN_UA


def test_the_currents_are_those_of_the_resistors() -> None:
    """Worked by hand: (3.3 V - 1.8 V) / 560 Ω, (3.3 V - 2.5 V) / 270 Ω twice, (3.3 V - 0.6 V) / 1 kΩ."""
    found = {part: parts.output_ua(part) for part in (*pins.LIGHT, Part.BUZZER)}
    assert found == {Part.RED: 2_678, Part.GREEN: 2_962, Part.BLUE: 2_962, Part.BUZZER: 2_700}


@pytest.mark.parametrize("basins", COUNTS)
def test_all_pins_together_stay_below_what_is_common_practice(basins: int) -> None:
    assert parts.total_ua(pins.usual(basins).uses()) <= parts.MOST_TOTAL_UA


def test_four_lights_are_the_most_and_leave_room() -> None:
    totals_ua = [parts.total_ua(pins.usual(basins).uses()) for basins in COUNTS]
    assert max(totals_ua) == totals_ua[3] == 4 * (2_678 + 2 * 2_962) + 2_700 == 37_108


def test_one_light_more_of_smaller_resistors_would_be_too_much(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "LIGHT_OHM", dict.fromkeys(pins.LIGHT, 200))
    assert parts.total_ua(pins.usual(4).uses()) > parts.MOST_TOTAL_UA


@pytest.mark.parametrize("bcm", sorted(set(pins.POSITION) - set(pins.NEVER)))
def test_a_closed_contact_reads_low_on_every_pin(bcm: int) -> None:
    assert parts.closed_contact_mv(bcm) < parts.LOW_MV


def test_a_pin_that_is_an_output_by_mistake_survives_a_closed_contact() -> None:
    assert parts.SUPPLY_MV * 1_000 // parts.CONTACT_OHM <= parts.SAFE_PIN_UA


def test_the_transistor_switches_the_buzzer_fully() -> None:
    """Common practice: a base current of a tenth to a twentieth of what is switched, at the lowest output voltage."""
    lowest_output_mv, base_mv = 2_600, 750  # published for 4 mA (BCM2711); a conducting base, common practice
    base_ua = (lowest_output_mv - base_mv) * 1_000 // parts.BASE_OHM - base_mv * 1_000 // parts.BASE_TO_GROUND_OHM
    assert parts.MOST_BUZZER_UA / base_ua <= 20
