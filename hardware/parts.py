"""The values of the parts on the wires, and the currents that follow from them.

Sources: "published" is the Raspberry Pi documentation, "GPIO and the 40-pin header" and "GPIO pads control", or the
DS18B20 datasheet; "common practice" and "from memory" are said where they apply. The datasheet of the part in hand
decides.
"""

from __future__ import annotations

from collections.abc import Iterable

from firmware.pins import PULLED_UP, Part, Use

SUPPLY_MV = 3_300
BUZZER_SUPPLY_MV = 5_000

PULL_UP_OHM = 4_700
"""One for the whole 1-Wire bus, at the Pi. Published: DS18B20 datasheet."""

CONTACT_OHM = 330
"""In series with each contact, at the Pi: a pin that is an output by mistake survives a closed contact, and what a long
cable picks up is held back (common practice). Small enough to read low against the 1.8 kΩ on GPIO 2 and 3."""

LIGHT_OHM = {Part.RED: 560, Part.GREEN: 270, Part.BLUE: 270}
"""In series with each colour of a light."""

BASE_OHM = 1_000
"""Between GPIO and the base of the buzzer's transistor: about a tenth of the buzzer's current, so that the transistor
switches fully (common practice)."""

BASE_TO_GROUND_OHM = 10_000
"""Keeps the transistor off while nothing drives the pin (common practice)."""

LOWEST_FORWARD_MV = {Part.RED: 1_800, Part.GREEN: 2_500, Part.BLUE: 2_500}
"""The least voltage across each colour that the parts list allows (from memory): it gives the most current."""

LOWEST_BASE_MV = 600
"""Between base and emitter of a silicon transistor, at the least (common practice)."""

MOST_BUZZER_UA = 30_000
"""What the parts list allows the buzzer, from the 5 V supply."""

DESIGNED_PIN_UA = 3_000
"""For each GPIO, what the board's 3.3 V supply was laid out for. Published ("~3 mA per GPIO pin")."""

SAFE_PIN_UA = 16_000
"""A GPIO's safe current. Published, for boards up to the 3B+."""

MOST_TOTAL_UA = 50_000
"""From all GPIOs together. Common practice; the documentation gives no such figure for boards with 40 pins."""

LOW_MV = 800
"""A GPIO reads low up to here. Published: the stricter of two boards, 0.8 V (BCM2711) and 0.9 V (BCM2835)."""

FIXED_PULL_UP_OHM = 1_800
"""On the board, at GPIO 2 and 3. That there is one is published, its value is from memory."""

WEAKEST_INNER_PULL_UP_OHM = 33_000
"""Inside the chip, the lowest value of its range 33 to 73 kΩ. Published (BCM2711)."""


def output_ua(part: Part) -> int:
    """The most current in microamperes that the node sends out of a pin for this part; 0 for what it only reads."""
    if part in LIGHT_OHM:
        return (SUPPLY_MV - LOWEST_FORWARD_MV[part]) * 1_000 // LIGHT_OHM[part]
    if part is Part.BUZZER:
        return (SUPPLY_MV - LOWEST_BASE_MV) * 1_000 // BASE_OHM
    return 0


def total_ua(uses: Iterable[Use]) -> int:
    """The most current in microamperes out of all pins: every light white and the buzzer on."""
    return sum(output_ua(use.part) for use in uses)


def closed_contact_mv(bcm: int) -> int:
    """The voltage in millivolts that a pin sees through its series resistor when the contact is closed, at the most."""
    pull_up_ohm = FIXED_PULL_UP_OHM if bcm in PULLED_UP else WEAKEST_INNER_PULL_UP_OHM
    return SUPPLY_MV * CONTACT_OHM // (CONTACT_OHM + pull_up_ohm)
