"""What happens to a basin, in words for people who watch a rehearsal."""

from __future__ import annotations

from firmware.simulator.script import Act, Step, Trouble
from soak.alarms import KINDS, Priority
from soak.quantity import celsius, in_words

_TROUBLES = {
    Trouble.UNPLUGGED: "is unplugged",
    Trouble.EMPTY: "fails its check sum",
    Trouble.BAD_CRC: "fails its check sum",
    Trouble.ONE_LINE: "answers with half a line",
    Trouble.ZEROS: "is shorted: all zeros",
    Trouble.POWER_ON: "gives 85 °C, its power-on value",
    Trouble.LOW_POWER: "gives 127.94 °C for want of power",
}
_COLD_MC = 15_000


class Telling:
    """Tells what happens to one basin.

    Args:
        title: The basin, as people call it.
        contact_ms: Its contact time.
    """

    def __init__(self, title: str, contact_ms: int) -> None:
        self._title, self._contact_ms = title, contact_ms
        self._loaded = False
        self._closed_ms = 0

    def of(self, step: Step, sensor: str = "") -> str | None:
        """One act in words; None where it needs none. Acts come in order: it remembers the load and the closing."""
        match step.act:
            case Act.LOAD_IN:
                self._loaded = True
                cold = f", straight from cold water ({celsius(step.load_mc)})" if step.load_mc < _COLD_MC else ""
                words = f"a device goes in{cold}"
            case Act.LOAD_OUT:
                self._loaded = False
                words = "the device is taken out"
            case Act.CLOSE if self._loaded:
                self._closed_ms = step.at_ms
                words = f"lid closed, a soak of {in_words(self._contact_ms)} begins"
            case Act.OPEN if self._loaded:
                closed_ms = step.at_ms - self._closed_ms
                early = f", before the {in_words(self._contact_ms)} were over" if closed_ms < self._contact_ms else ""
                words = f"lid opened after {in_words(closed_ms)}{early}"
            case Act.OPEN:
                words = "lid lifted"
            case Act.CLOSE:
                words = "lid on, the basin is empty"
            case Act.TROUBLE if step.trouble:
                words = f"sensor {sensor} {_TROUBLES[step.trouble]}"
            case Act.POWER_CUT:
                words = "power cut: the node goes dark in the middle of a soak"
            case _:
                return None
        return f"{self._title}: {words}"

    def signalled(self, code: str) -> str | None:
        """The alarm that light and buzzer signal from now on; None where that needs no words."""
        kind = KINDS.get(code)
        if kind is None or kind.priority is Priority.LOW:
            return None
        return f"{self._title}: light and buzzer: {kind.name} ({kind.priority} alarm)"

    def over(self, trouble: Trouble, sensor: str) -> str:
        """A trouble that has ended."""
        again = "is plugged in again" if trouble is Trouble.UNPLUGGED else "answers again"
        return f"{self._title}: sensor {sensor} {again}"
