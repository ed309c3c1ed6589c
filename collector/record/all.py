"""Every deed there is: importing this fills `deed.DEEDS`."""

from __future__ import annotations

from collector.record import device_types, devices, people
from collector.record.deed import DEEDS

__all__ = ["DEEDS", "device_types", "devices", "people"]
