"""What is wrong with a sensor, for the person at the node's own computer: what it means there, and what to do."""

from __future__ import annotations

from soak.reading import Fault

_CABLE = "Check its cable, its plug and the 4.7 kOhm resistor."
_ADVICE = {
    "no-answer": ("it does not answer", "Push its plug home; check its three wires."),
    "crc": ("its answer is garbled", _CABLE),
    "shorted": ("its data line is shorted to ground", "Look for water in its plug and a crushed cable."),
    "absent": ("it is not there", "Push its plug home; check its three wires."),
    "unplugged": ("it is not on the bus", "Push its plug home; check its id in the settings."),
    "power-on": ("it gives its value after power-up, 85 °C: it has measured nothing", "Check its supply wire (3.3 V)."),
    "too-little-power": ("it has too little power to measure", "Give it 3.3 V on a wire of its own: three wires."),
    "resolution": ("it is set to a coarser resolution", "Set it to 12 bits, or replace it."),
    "out-of-range": ("it says something that it cannot measure", "Replace it."),
    "garbled": ("its answer is garbled", _CABLE),
    "no-permission": ("this user may not read it", "Run this with sudo."),
    "starting": ("it has not measured yet", "Look again in a few seconds."),
    "stale": ("it has given nothing new for more than 2 s", _CABLE),
}


def fault_advice(fault: Fault) -> tuple[str, str]:
    """What is wrong, with the raw bytes where there are any, and what to do."""
    said, todo = _ADVICE.get(fault.code, (f"fault {fault.code}", _CABLE))
    return (f"{said} (raw {fault.raw})" if fault.raw else said), todo
