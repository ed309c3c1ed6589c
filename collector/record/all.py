"""Every deed there is: importing this fills `deed.DEEDS`."""

from __future__ import annotations

from collector.record import policy
from collector.record.alarms import answers, drills
from collector.record.basins import checks, guided, references
from collector.record.deed import DEEDS
from collector.record.devices import device_types, devices
from collector.record.papers import issuing, period
from collector.record.rounds import (
    late,
    loads,
    lookback_answers,
    lookbacks,
    quarantine,
    release,
    rinses,
    turns,
    unassigned,
    use,
)
from collector.record.shifts import people, shifts
from collector.record.solutions import bottles, corrections, fills, mec, profiles, strips

__all__ = [
    "DEEDS",
    "answers",
    "bottles",
    "checks",
    "corrections",
    "device_types",
    "devices",
    "drills",
    "fills",
    "guided",
    "issuing",
    "late",
    "loads",
    "lookback_answers",
    "lookbacks",
    "mec",
    "people",
    "period",
    "policy",
    "profiles",
    "quarantine",
    "references",
    "release",
    "rinses",
    "shifts",
    "strips",
    "turns",
    "unassigned",
    "use",
]
