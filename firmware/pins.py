"""The one pin table: header, pins that are taken, and the usual assignment. Settings, drawing and parts list use it.

Positions and numbers: published, the Raspberry Pi documentation, "GPIO and the 40-pin header" (the same on every board
with 40 pins, Pi 5 included); a test compares them with gpiozero's own table. GPIO numbers are BCM numbers.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator
from typing import NamedTuple

V3, V5, GROUND = "3.3 V", "5 V", "ground"

HEADER: tuple[str | int, ...] = (
    V3, V5, 2, V5, 3, GROUND, 4, 14, GROUND, 15,
    17, 18, 27, GROUND, 22, 23, V3, 24, 10, GROUND,
    9, 25, 11, 8, GROUND, 7, 0, 1, 5, GROUND,
    6, 12, 13, GROUND, 19, 16, 26, 20, GROUND, 21,
)  # fmt: skip
"""Positions 1 to 40 in order, odd ones on the inner row: a GPIO's number, or what else is there."""

POSITION = {bcm: position for position, bcm in enumerate(HEADER, 1) if isinstance(bcm, int)}
"""Where on the header a GPIO is."""

NEVER = {
    0: "the Pi looks there for an add-on board's memory when it starts (ID_SD)",
    1: "the Pi looks there for an add-on board's memory when it starts (ID_SC)",
}
"""Pins for nobody, and why. Published: Raspberry Pi documentation, "reserved for advanced use"."""

W1 = 4
"""Where the kernel has the 1-Wire bus unless `dtoverlay=w1-gpio,gpiopin=…` says otherwise (the overlay's README)."""

PULLED_UP = {2, 3}
"""A resistor on the board holds them high (published, as above; 1.8 kΩ from memory): right for contacts; a light or
a buzzer there would be on until the node starts."""

_NO_I2C = "I2C must be off: no `dtparam=i2c_arm=on`"
_NO_SPI = "SPI must be off: no `dtparam=spi=on`"
_NO_CONSOLE = "the serial console must be off: raspi-config, Interface Options"
CAUTION = {
    2: _NO_I2C,
    3: f"{_NO_I2C}; closing it also wakes a Pi that was shut down",
    **dict.fromkeys(range(7, 12), _NO_SPI),
    **dict.fromkeys((14, 15), _NO_CONSOLE),
}
"""Pins that may be used, but only while something else is off. I2C and SPI are off unless somebody switched them on.
The console may be on from the start and sends into whatever is wired, so 14 and 15 are in no usual assignment."""

MOST_BASINS = 8


class Part(enum.Enum):
    """What a pin is wired to; the value says where the wire goes."""

    W1 = "data wire of every sensor (yellow), and one 4.7 kΩ to 3.3 V"
    LID = "reed switch through its resistor, other side to ground; closed = lid closed"
    BUTTON = "button through its resistor, other side to ground; closed = pressed"
    RED = "red of the light, through its resistor"
    GREEN = "green of the light, through its resistor"
    BLUE = "blue of the light, through its resistor"
    BUZZER = "base of the buzzer's transistor, through its resistor"

    @property
    def is_output(self) -> bool:
        """The node drives it."""
        return self in (Part.RED, Part.GREEN, Part.BLUE, Part.BUZZER)


class Use(NamedTuple):
    """One pin in use.

    Attributes:
        bcm: Its BCM number.
        part: What it is for.
        basin: Whose, by name; empty where it is the whole node's.
    """

    bcm: int
    part: Part
    basin: str = ""

    @property
    def key(self) -> str:
        """As the settings call it: `lid_pin of basin b1`."""
        name = f"light.{self.part.name.lower()}" if self.part in LIGHT else f"{self.part.name.lower()}_pin"
        return f"{name} of basin {self.basin}" if self.basin else name


LIGHT = (Part.RED, Part.GREEN, Part.BLUE)


class BasinPins(NamedTuple):
    """A basin's pins: lid, button, and red, green, blue of its light where it has one."""

    lid: int
    button: int
    light: tuple[int, int, int] | None


class Usual(NamedTuple):
    """The usual assignment of a node.

    Attributes:
        w1: The 1-Wire bus.
        buzzer: The one buzzer.
        basins: In order, b1 first.
    """

    w1: int
    buzzer: int
    basins: tuple[BasinPins, ...]

    def uses(self) -> Iterator[Use]:
        """Every pin in use, basins called b1, b2 and so on."""
        yield Use(self.w1, Part.W1)
        yield Use(self.buzzer, Part.BUZZER)
        for number, pins in enumerate(self.basins, 1):
            name = f"b{number}"
            yield Use(pins.lid, Part.LID, name)
            yield Use(pins.button, Part.BUTTON, name)
            for part, bcm in zip(LIGHT, pins.light or (), strict=False):
                yield Use(bcm, part, name)


_BUZZER = 18  # held low from power-up until the node starts, as 9 to 27 are (from memory: BCM2835 peripherals)
_FULL = (
    BasinPins(17, 27, (5, 6, 13)),
    BasinPins(22, 23, (16, 20, 21)),
    BasinPins(24, 25, (10, 9, 11)),
    BasinPins(8, 7, (12, 19, 26)),
)
"""Four basins with everything, as much as possible side by side on the header."""
_MORE = ((2, 3), (12, 19), (26, 10), (9, 11))
"""Lid and button of b5 to b8. b5 takes no light away, b6 takes that of b4, b7 and b8 that of b3: nothing else moves."""


def usual(basins: int) -> Usual:
    """The usual assignment: every basin has lid and button, the first ones a light as far as pins reach.

    Args:
        basins: How many, 1 to 8. Up to five keep four lights, six have three, seven and eight have two.

    Raises:
        ValueError: Another number.
    """
    if not 1 <= basins <= MOST_BASINS:
        raise ValueError(
            f"One node serves 1 to {MOST_BASINS} basins, not {basins}. Give the others a node of their own."
        )
    more = [BasinPins(lid, button, None) for lid, button in _MORE[: max(0, basins - len(_FULL))]]
    taken = {pin for each in more for pin in (each.lid, each.button)}
    full = [each._replace(light=None) if taken & set(each.light or ()) else each for each in _FULL[:basins]]
    return Usual(W1, _BUZZER, (*full, *more))


def objection(use: Use, w1: int) -> str:
    """Why a pin cannot be used for this, and what to do; empty when it can.

    Args:
        use: The pin and what for.
        w1: The pin of the 1-Wire bus.
    """
    if use.bcm not in POSITION:
        why = f"there is no GPIO {use.bcm}; pins are BCM numbers from 0 to 27{_as_position(use.bcm)}"
    elif use.bcm in NEVER:
        why = NEVER[use.bcm]
    elif use.bcm == w1 and use.part is not Part.W1:
        why = "the 1-Wire bus of the sensors is there (w1_pin)"
    elif use.bcm in PULLED_UP and use.part.is_output:
        why = "a resistor on the board holds it high, so that it would be on until the node starts"
    else:
        return ""
    return (
        f"Pin {use.bcm} cannot be {use.key}: {why}. Take another: `soakledger node --pins --basins 4` lists usual ones."
    )


def _as_position(number: int) -> str:
    """What somebody may have meant who counted the header's positions."""
    if not 1 <= number <= len(HEADER):
        return ""
    what = HEADER[number - 1]
    return f", and position {number} of the header is {what if isinstance(what, str) else f'GPIO {what}'}"
