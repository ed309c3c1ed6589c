"""Draws the wiring from the firmware's pin table: `./run wiring` writes the pictures in `hardware/drawings/` again.

Black on white, text as text, each for one A4 sheet; the same bytes each time.
"""

from __future__ import annotations

import sys
from pathlib import Path

from schemdraw import elements as elm

from firmware import pins
from firmware.pins import GROUND, HEADER, LIGHT, V3, V5, Part, Usual
from hardware.parts import BASE_OHM, BASE_TO_GROUND_OHM, CONTACT_OHM, LIGHT_OHM, PULL_UP_OHM
from hardware.sheet import SMALL_PT, TITLE_PT, Sheet

FOLDER = Path(__file__).parent / "drawings"
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


def one_basin(usual: Usual) -> Sheet:
    """One basin with everything, and what the node has once: bus, pull-up and buzzer.

    Args:
        usual: The assignment; its first basin is drawn.
    """
    sheet, basin = Sheet((-4.2, 2.6), (13.2, -22.8)), usual.basins[0]
    sheet.text((-3.9, 1.9), "One basin with everything: b1 of the usual assignment", size_pt=TITLE_PT)
    sheet.terminals(1.3, -22.3)
    _sensor(sheet, usual.w1, 0)
    _contact(sheet, basin.lid, -5.4, elm.SwitchReed())
    sheet.notes((_NOTE_X, -5.4), "reed switch at the rim,", "magnet in the lid;", "lid closed = closed")
    _contact(sheet, basin.button, -8.2, elm.Button())
    sheet.notes((_NOTE_X, -8.2), "button;", "pressed = closed")
    if basin.light:
        _light(sheet, basin.light, -11.0)
    _buzzer(sheet, usual.buzzer, -16.4)
    return sheet


def header(usual: Usual) -> Sheet:
    """The header as it lies before you, with what is wired to each of its 40 positions."""
    sheet, used = Sheet((-8.2, 2.4), (9.2, -20.8)), {use.bcm: use for use in usual.uses()}
    title = f"Header of the Pi: usual assignment of {len(usual.basins)} basins"
    sheet.text((0.5, 1.6), title, align="center", size_pt=TITLE_PT)
    end = "this end away from the USB sockets, edge of the board on the right; position 1 has the square pad"
    sheet.text((0.5, 0.9), end, align="center", size_pt=SMALL_PT)
    for position, what in enumerate(HEADER, 1):
        row, right = divmod(position - 1, 2)
        sheet.box((right - 0.42, -row - 0.42), (right + 0.42, -row + 0.42), width=2.4 if what in used else 0.8)
        sheet.text((right, -row), str(position), align="center")
        text = what if isinstance(what, str) else _says(what, used.get(what))
        sheet.text((right + (0.7 if right else -0.7), -row), text, align="left" if right else "right")
    key = "thick frame: wired as said; GPIO alone: not used"
    sheet.text((0.5, -20.2), key, align="center", size_pt=SMALL_PT)
    return sheet


def _says(bcm: int, use: pins.Use | None) -> str:
    if use is None:
        return f"leave free · GPIO {bcm}" if bcm in pins.NEVER else f"GPIO {bcm}"
    name = {Part.W1: "1-Wire bus", Part.BUZZER: "buzzer"}.get(use.part, use.part.name.lower())
    light = "light " if use.part in LIGHT else ""
    return f"{use.basin} {light}{name} · GPIO {bcm}".lstrip()


def _sensor(sheet: Sheet, bcm: int, y: float) -> None:
    bus, ground, pull_up_x, left = y - 2.4, y - 3.6, 1.6, _PART_X[0]
    sheet.pin(bcm, bus)
    sheet.supply(V3, bcm, y)
    sheet.supply(GROUND, bcm, ground)
    for row, colour in ((y, "red"), (bus, "yellow"), (ground, "black")):
        sheet.line((0, row), (left, row))
        sheet.text((left - 0.2, row + 0.3), colour, align="right", size_pt=SMALL_PT)
    sheet.dot((pull_up_x, y))
    sheet.dot((pull_up_x, bus))
    sheet.between(elm.Resistor(), (pull_up_x, y), (pull_up_x, bus))
    sheet.notes((pull_up_x + 0.5, y - 0.9), _ohm(PULL_UP_OHM), "one for the bus")
    sheet.box((left, y + 0.5), (_RETURN_X, ground - 0.5))
    middle = (left + _RETURN_X) / 2
    sheet.text((middle, bus + 0.9), "sensor", align="center")
    sheet.text((middle, bus + 0.2), "DS18B20", align="center")
    sheet.notes(
        (_NOTE_X, y - 0.6), "further sensors on", "the same three wires,", "one after the other,", "never as a star"
    )


def _contact(sheet: Sheet, bcm: int, y: float, switch: elm.Element2Term) -> None:
    ground = y - 1.4
    sheet.pin(bcm, y)
    sheet.supply(GROUND, bcm, ground)
    _resistor(sheet, y, CONTACT_OHM)
    sheet.line((_RESISTOR_X[1], y), (_PART_X[0], y))
    sheet.between(switch, (_PART_X[0], y), (_PART_X[1], y))
    sheet.line((_PART_X[1], y), (_RETURN_X, y), (_RETURN_X, ground), (0, ground))


def _light(sheet: Sheet, bcms: tuple[int, int, int], y: float) -> None:
    rows = [y - 1.35 * number for number in range(len(bcms))]
    ground = rows[-1] - 1.3
    for part, bcm, row in zip(LIGHT, bcms, rows, strict=True):
        sheet.pin(bcm, row)
        _resistor(sheet, row, LIGHT_OHM[part])
        sheet.line((_RESISTOR_X[1], row), (_PART_X[0], row))
        sheet.between(elm.LED(), (_PART_X[0], row), (_PART_X[1], row))
        sheet.text((_PART_X[0] - 0.2, row + 0.35), part.name.lower(), align="right", size_pt=SMALL_PT)
        sheet.line((_PART_X[1], row), (_RETURN_X, row))
    for row in rows[1:]:
        sheet.dot((_RETURN_X, row))
    sheet.supply(GROUND, bcms[-1], ground)
    sheet.line((_RETURN_X, y), (_RETURN_X, ground), (0, ground))
    sheet.notes((_NOTE_X, y), "light: RGB LED with", "a common cathode")


def _buzzer(sheet: Sheet, bcm: int, y: float) -> None:
    base, ground, leak_x = y - 3.6, y - 5.2, 4.2
    sheet.supply(V5, bcm, y)
    sheet.pin(bcm, base)
    sheet.supply(GROUND, bcm, ground)
    _resistor(sheet, base, BASE_OHM)
    sheet.line((_RESISTOR_X[1], base), (_PART_X[0], base))
    transistor = sheet.add(elm.BjtNpn(circle=True).at((_PART_X[0], base)).theta(0).anchor("base"))
    sheet.notes((_NOTE_X, base), "NPN transistor")
    sheet.dot((leak_x, base))
    sheet.dot((leak_x, ground))
    sheet.between(elm.Resistor(), (leak_x, base), (leak_x, ground))
    sheet.text((leak_x - 0.5, (base + ground) / 2), _ohm(BASE_TO_GROUND_OHM), align="right", size_pt=SMALL_PT)
    x, top, bottom, foot = transistor.collector.x, y - 0.6, y - 1.9, base + 0.9
    sheet.line((0, ground), (x, ground), (x, transistor.emitter.y))
    sheet.line((0, y), (_RETURN_X, y))
    sheet.dot((x, y))
    sheet.line((x, y), (x, top))
    sheet.box((x - 1.1, top), (x + 1.1, bottom))
    sheet.text((x, (top + bottom) / 2), "buzzer", align="center")
    sheet.text((x + 0.25, top + 0.3), "+", size_pt=SMALL_PT)
    sheet.line((x, bottom), (x, transistor.collector.y))
    sheet.dot((x, foot))
    sheet.line((x, foot), (_RETURN_X, foot))
    sheet.between(elm.Diode(), (_RETURN_X, foot), (_RETURN_X, y))
    sheet.notes((_NOTE_X, y - 0.6), "diode, its band to 5 V,", "where the buzzer has", "a coil")


def _resistor(sheet: Sheet, y: float, ohm: int) -> None:
    start, end = _RESISTOR_X
    sheet.line((0, y), (start, y))
    sheet.between(elm.Resistor(), (start, y), (end, y))
    sheet.text(((start + end) / 2, y + 0.5), _ohm(ohm), align="center", size_pt=SMALL_PT)


def _ohm(ohm: int) -> str:
    return f"{ohm / 1_000:g} kΩ" if ohm >= 1_000 else f"{ohm} Ω"


def main() -> None:
    """Write every drawing."""
    FOLDER.mkdir(exist_ok=True)
    for name, svg in drawings().items():
        (FOLDER / name).write_text(svg, encoding="utf-8", newline="\n")
        sys.stdout.write(f"{FOLDER / name}\n")


if __name__ == "__main__":
    main()
