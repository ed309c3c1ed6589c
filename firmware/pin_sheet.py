"""The sheet of pins for whoever wires: position on the header, GPIO, where the wire goes, what must be off."""

from __future__ import annotations

from collections.abc import Iterable

from firmware import pins

_SUPPLIES = {
    pins.GROUND: "black wire of every sensor, other side of every contact, common of every light, buzzer's transistor",
    pins.V3: "red wire of every sensor, pull-up of the 1-Wire bus",
    pins.V5: "buzzer",
}


def sheet(uses: Iterable[pins.Use]) -> str:
    """A table in the order of the header's positions.

    Args:
        uses: The pins in use.

    Returns:
        Lines for a terminal or paper. Position 1 is the header's corner with the square pad.
    """
    used = sorted(uses, key=lambda use: pins.POSITION[use.bcm])
    rows = [(str(pins.POSITION[use.bcm]), str(use.bcm), use.key, use.part.value) for use in used]
    head = ("position", "GPIO", "in node.toml", "wire to")
    widths = [max(len(row[column]) for row in (head, *rows)) for column in range(3)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[3]])
        for row in (head, *rows)
    ]
    lines.append("")
    lines += [f"{supply}, positions {_positions(supply)}: {what}." for supply, what in _SUPPLIES.items()]
    cautions: dict[str, list[int]] = {}
    for bcm in sorted(use.bcm for use in used):
        if bcm in pins.CAUTION:
            cautions.setdefault(pins.CAUTION[bcm], []).append(bcm)
    lines += [f"GPIO {', '.join(map(str, each))}: {caution}." for caution, each in cautions.items()]
    return "\n".join(lines)


def usual_sheet(basins: int) -> str:
    """The sheet of the usual assignment, with what gives way where pins do not reach.

    Raises:
        ValueError: One node serves no such number of basins.
    """
    usual = pins.usual(basins)
    dark = [f"b{number}" for number, each in enumerate(usual.basins, 1) if each.light is None]
    without = f"Without a light, for pins do not reach: {', '.join(dark)}.\n" if dark else ""
    return f"Usual assignment of {basins} basin{'s' if basins > 1 else ''}\n\n{sheet(usual.uses())}\n{without}".rstrip()


def _positions(supply: str) -> str:
    return ", ".join(str(position) for position, what in enumerate(pins.HEADER, 1) if what == supply)
