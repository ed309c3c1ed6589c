"""Every deed there is: importing this fills `deed.DEEDS`."""

from __future__ import annotations

from collector.record import (
    bottles,
    checks,
    corrections,
    device_types,
    devices,
    fills,
    late,
    loads,
    lookbacks,
    mec,
    people,
    policy,
    profiles,
    quarantine,
    release,
    rinses,
    shifts,
    strips,
    turns,
    unassigned,
    use,
)
from collector.record.deed import DEEDS

__all__ = [
    "DEEDS",
    "bottles",
    "checks",
    "corrections",
    "device_types",
    "devices",
    "fills",
    "late",
    "loads",
    "lookbacks",
    "mec",
    "people",
    "policy",
    "profiles",
    "quarantine",
    "release",
    "rinses",
    "shifts",
    "strips",
    "turns",
    "unassigned",
    "use",
]
