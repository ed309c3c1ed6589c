"""Every deed there is: importing this fills `deed.DEEDS`."""

from __future__ import annotations

from collector.record import bottles, checks, device_types, devices, fills, mec, people, policy, profiles, strips
from collector.record.deed import DEEDS

__all__ = [
    "DEEDS",
    "bottles",
    "checks",
    "device_types",
    "devices",
    "fills",
    "mec",
    "people",
    "policy",
    "profiles",
    "strips",
]
