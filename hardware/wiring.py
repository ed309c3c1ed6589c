"""Draws the wiring from the firmware's pin table.

Black on white, text as text, each for one A4 sheet; the same bytes each time.
"""

from __future__ import annotations

from schemdraw import elements as elm

from firmware import pins
from firmware.pins import GROUND, HEADER, LIGHT, V3, V5, Part, Usual
from hardware.drawing import SMALL_PT, TITLE_PT, Drawing
from hardware.parts import BASE_OHM, BASE_TO_GROUND_OHM, CONTACT_OHM, LIGHT_OHM, PULL_UP_OHM

MAPS = (4, 8)
"""For so many basins there is a drawing of the header."""

_RESISTOR_X = (1.0, 3.2)
_PART_X = (5.2, 7.4)  # switches, LEDs, left edge of boxes
_RETURN_X = 8.4
_NOTE_X = 8.9


def drawings() -> dict[str, str]:
    """Every drawing, by its file name, as SVG."""
    maps = {f"header-{basins}-basins.svg": header(pins.usual(basins)).svg() for basins in MAPS}
    return {"one-basin.svg": one_basin(pins.usual(1)).svg(), **maps}


def one_basin(usual: Usual) -> Drawing:
    """One basin with everything, and what the node has once: bus, pull-up and buzzer.

    Args:
        usual: The assignment; its first basin is drawn.
    """
    drawing, basin = Drawing((-4.2, 2.6), (13.2, -22.8)), usual.basins[0]
    drawing.text((-3.9, 1.9), "One basin with everything: b1 of the usual assignment", size_pt=TITLE_PT)
    drawing.terminals(1.3, -22.3)
    _sensor(drawing, usual.w1, 0)
    _contact(drawing, basin.lid, -5.4, elm.SwitchReed())
    drawing.notes((_NOTE_X, -5.4), "reed switch at the rim,", "magnet in the lid;", "lid closed = closed")
    _contact(drawing, basin.button, -8.2, elm.Button())
    drawing.notes((_NOTE_X, -8.2), "button;", "pressed = closed")
    if basin.light:
        _light(drawing, basin.light, -11.0)
    _buzzer(drawing, usual.buzzer, -16.4)
    return drawing


def header(usual: Usual) -> Drawing:
    """The header as it lies before you, with what is wired to each of its 40 positions."""
    drawing, used = Drawing((-8.2, 2.4), (9.2, -20.8)), {use.bcm: use for use in usual.uses()}
    title = f"Header of the Pi: usual assignment of {len(usual.basins)} basins"
    drawing.text((0.5, 1.6), title, align="center", size_pt=TITLE_PT)
    end = "this end away from the USB sockets, edge of the board on the right; position 1 has the square pad"
    drawing.text((0.5, 0.9), end, align="center", size_pt=SMALL_PT)
    for position, what in enumerate(HEADER, 1):
        row, right = divmod(position - 1, 2)
        drawing.box((right - 0.42, -row - 0.42), (right + 0.42, -row + 0.42), width=2.4 if what in used else 0.8)
        drawing.text((right, -row), str(position), align="center")
        text = what if isinstance(what, str) else _says(what, used.get(what))
        drawing.text((right + (0.7 if right else -0.7), -row), text, align="left" if right else "right")
    key = "thick frame: wired as said; GPIO alone: not used"
    drawing.text((0.5, -20.2), key, align="center", size_pt=SMALL_PT)
    return drawing


def _says(bcm: int, use: pins.Use | None) -> str:
    if use is None:
        return f"leave free · GPIO {bcm}" if bcm in pins.NEVER else f"GPIO {bcm}"
    name = {Part.W1: "1-Wire bus", Part.BUZZER: "buzzer"}.get(use.part, use.part.name.lower())
    light = "light " if use.part in LIGHT else ""
    return f"{use.basin} {light}{name} · GPIO {bcm}".lstrip()


def _sensor(drawing: Drawing, bcm: int, y: float) -> None:
    bus, ground, pull_up_x, left = y - 2.4, y - 3.6, 1.6, _PART_X[0]
    drawing.pin(bcm, bus)
    drawing.supply(V3, bcm, y)
    drawing.supply(GROUND, bcm, ground)
    for row, colour in ((y, "red"), (bus, "yellow"), (ground, "black")):
        drawing.line((0, row), (left, row))
        drawing.text((left - 0.2, row + 0.3), colour, align="right", size_pt=SMALL_PT)
    drawing.dot((pull_up_x, y))
    drawing.dot((pull_up_x, bus))
    drawing.between(elm.Resistor(), (pull_up_x, y), (pull_up_x, bus))
    drawing.notes((pull_up_x + 0.5, y - 0.9), _ohm(PULL_UP_OHM), "one for the bus")
    drawing.box((left, y + 0.5), (_RETURN_X, ground - 0.5))
    middle = (left + _RETURN_X) / 2
    drawing.text((middle, bus + 0.9), "sensor", align="center")
    drawing.text((middle, bus + 0.2), "DS18B20", align="center")
    drawing.notes(
        (_NOTE_X, y - 0.6), "further sensors on", "the same three wires,", "one after the other,", "never as a star"
    )


def _contact(drawing: Drawing, bcm: int, y: float, switch: elm.Element2Term) -> None:
    ground = y - 1.4
    drawing.pin(bcm, y)
    drawing.supply(GROUND, bcm, ground)
    _resistor(drawing, y, CONTACT_OHM)
    drawing.line((_RESISTOR_X[1], y), (_PART_X[0], y))
    drawing.between(switch, (_PART_X[0], y), (_PART_X[1], y))
    drawing.line((_PART_X[1], y), (_RETURN_X, y), (_RETURN_X, ground), (0, ground))


def _light(drawing: Drawing, bcms: tuple[int, int, int], y: float) -> None:
    rows = [y - 1.35 * number for number in range(len(bcms))]
    ground = rows[-1] - 1.3
    for part, bcm, row in zip(LIGHT, bcms, rows, strict=True):
        drawing.pin(bcm, row)
        _resistor(drawing, row, LIGHT_OHM[part])
        drawing.line((_RESISTOR_X[1], row), (_PART_X[0], row))
        drawing.between(elm.LED(), (_PART_X[0], row), (_PART_X[1], row))
        drawing.text((_PART_X[0] - 0.2, row + 0.35), part.name.lower(), align="right", size_pt=SMALL_PT)
        drawing.line((_PART_X[1], row), (_RETURN_X, row))
    for row in rows[1:]:
        drawing.dot((_RETURN_X, row))
    drawing.supply(GROUND, bcms[-1], ground)
    drawing.line((_RETURN_X, y), (_RETURN_X, ground), (0, ground))
    drawing.notes((_NOTE_X, y), "light: RGB LED with", "a common cathode")


def _buzzer(drawing: Drawing, bcm: int, y: float) -> None:
    base, ground, leak_x = y - 3.6, y - 5.2, 4.2
    drawing.supply(V5, bcm, y)
    drawing.pin(bcm, base)
    drawing.supply(GROUND, bcm, ground)
    _resistor(drawing, base, BASE_OHM)
    drawing.line((_RESISTOR_X[1], base), (_PART_X[0], base))
    transistor = drawing.add(elm.BjtNpn(circle=True).at((_PART_X[0], base)).theta(0).anchor("base"))
    drawing.notes((_NOTE_X, base), "NPN transistor")
    drawing.dot((leak_x, base))
    drawing.dot((leak_x, ground))
    drawing.between(elm.Resistor(), (leak_x, base), (leak_x, ground))
    drawing.text((leak_x - 0.5, (base + ground) / 2), _ohm(BASE_TO_GROUND_OHM), align="right", size_pt=SMALL_PT)
    x, top, bottom, foot = transistor.collector.x, y - 0.6, y - 1.9, base + 0.9
    drawing.line((0, ground), (x, ground), (x, transistor.emitter.y))
    drawing.line((0, y), (_RETURN_X, y))
    drawing.dot((x, y))
    drawing.line((x, y), (x, top))
    drawing.box((x - 1.1, top), (x + 1.1, bottom))
    drawing.text((x, (top + bottom) / 2), "buzzer", align="center")
    drawing.text((x + 0.25, top + 0.3), "+", size_pt=SMALL_PT)
    drawing.line((x, bottom), (x, transistor.collector.y))
    drawing.dot((x, foot))
    drawing.line((x, foot), (_RETURN_X, foot))
    drawing.between(elm.Diode(), (_RETURN_X, foot), (_RETURN_X, y))
    drawing.notes((_NOTE_X, y - 0.6), "diode, its band to 5 V,", "where the buzzer has", "a coil")


def _resistor(drawing: Drawing, y: float, ohm: int) -> None:
    start, end = _RESISTOR_X
    drawing.line((0, y), (start, y))
    drawing.between(elm.Resistor(), (start, y), (end, y))
    drawing.text(((start + end) / 2, y + 0.5), _ohm(ohm), align="center", size_pt=SMALL_PT)


def _ohm(ohm: int) -> str:
    return f"{ohm / 1_000:g} kΩ" if ohm >= 1_000 else f"{ohm} Ω"
