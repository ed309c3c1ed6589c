"""What the invented staff do about look-backs: tell infection prevention, issue the list, resolve, close. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from firmware.simulator.staff_checks import DRIFTED, DRIFTED_MC
from firmware.simulator.staff_plan import Item
from firmware.simulator.staff_stock import LEAD, OTHER_LEAD

LEFT_OPEN = "sensor-off"
"""The cause of the one that stays open, so that a visitor finds one."""

FOUND_OFF = (DRIFTED[1], DRIFTED_MC)
"""The sensor of the warm bath, and what it was found to read too high, millidegrees."""

_MINUTE_MS = 60_000
_NO_RISK = "The rest of the solution was tested again with strips of another bottle: all passed (invented)."
_CONCLUSION = "Every device concerned is in quarantine or goes through a new round; users of those used were told."
_ALTHOUGH = "What is left goes through cleaning and a soak before its next use; each new round is the evidence."


class OpenLookBack(msgspec.Struct, frozen=True):
    """A look-back as the staff see it in the morning.

    Attributes:
        id: Its id.
        cause: Why it was opened.
        devices: Those that nobody has resolved.
        told: Infection prevention knows of it.
    """

    id: str
    cause: str
    devices: tuple[str, ...] = ()
    told: bool = False


def looked_back(found: OpenLookBack, at_ms: int) -> Iterator[Item]:
    """Told and listed on the first morning; those of a failed test are resolved, and all but one are closed."""

    def item(number: int, deed: str, **fields: Any) -> Item:
        return Item(at_ms=at_ms + number * 100, deed=deed, who=LEAD, fields={"look_back": found.id, **fields})

    if found.devices and not found.told:
        yield item(0, "issue-look-back-list")
        yield item(1, "tell-infection-prevention", whom="Infection prevention desk", how="by telephone, list by hand")
    if found.cause == LEFT_OPEN:
        return
    resolved = found.cause == "mec-fail" and found.devices
    if resolved:
        yield item(2, "resolve-devices", devices=list(found.devices), outcome="no risk", note=_NO_RISK)
    why = {"reason": _ALTHOUGH} if found.devices and not resolved else {}
    yield item(3, "close-look-back", conclusion=_CONCLUSION, **why)


def sensor_looked_back(at_ms: int) -> Item:
    """A sensor was found to read too high: every soak since its last good check is looked at."""
    sensor, off_mc = FOUND_OFF
    fields = {
        "cause": LEFT_OPEN,
        "how_found": "Compared with the reference thermometer near the working temperature (invented).",
        "asked": {"sensor": sensor, "off_mc": off_mc},
    }
    return Item(at_ms=at_ms, deed="open-look-back", who=OTHER_LEAD, fields=fields)
