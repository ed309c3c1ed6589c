"""The things that the record is about. Each is one frozen document; only deeds change it."""

from __future__ import annotations

from collector.record.things.alarms import Alarm, Seen
from collector.record.things.base import (
    Attested,
    BasinKey,
    Count,
    Date,
    Days,
    Id,
    Millilitres,
    Millis,
    Note,
    Text,
    Thing,
)
from collector.record.things.checks import ClockWrong, Compared, SensorCheck, Thermometer
from collector.record.things.devices import Device, DeviceType, Quarantine, Step
from collector.record.things.drills import Confirmed, Drill, Reached
from collector.record.things.loads import Load, Override, Rinsed, Stage, Turn, Used
from collector.record.things.lookbacks import Asked, Concerned, LookBack, LookBackList, Outcome, Resolved, Stood, Told
from collector.record.things.papers import Issued, PeriodReport
from collector.record.things.people import Person, Role
from collector.record.things.references import Certificate, CertificatePoint, Mapping, Place, Reference
from collector.record.things.site import AlarmDelay, LastDay, MecPolicy, Policy
from collector.record.things.solutions import Bottle, Discarded, Fill, LabelConfirmed, Poured, Profile, Rinses, Strip
from collector.record.things.strips import ControlResult, Controls, MecResult, MecTest, StripBottle
from collector.record.things.upkeep import ClosureNote, Handover, NotKnown, Review, Transcript

__all__ = [
    "KINDS",
    "Alarm",
    "AlarmDelay",
    "Asked",
    "Attested",
    "BasinKey",
    "Bottle",
    "Certificate",
    "CertificatePoint",
    "ClockWrong",
    "ClosureNote",
    "Compared",
    "Concerned",
    "Confirmed",
    "ControlResult",
    "Controls",
    "Count",
    "Date",
    "Days",
    "Device",
    "DeviceType",
    "Discarded",
    "Drill",
    "Fill",
    "Handover",
    "Id",
    "Issued",
    "LabelConfirmed",
    "LastDay",
    "Load",
    "LookBack",
    "LookBackList",
    "Mapping",
    "MecPolicy",
    "MecResult",
    "MecTest",
    "Millilitres",
    "Millis",
    "NotKnown",
    "Note",
    "Outcome",
    "Override",
    "PeriodReport",
    "Person",
    "Place",
    "Policy",
    "Poured",
    "Profile",
    "Quarantine",
    "Reached",
    "Reference",
    "Resolved",
    "Review",
    "Rinsed",
    "Rinses",
    "Role",
    "Seen",
    "SensorCheck",
    "Stage",
    "Step",
    "Stood",
    "Strip",
    "StripBottle",
    "Text",
    "Thermometer",
    "Thing",
    "Told",
    "Transcript",
    "Turn",
    "Used",
]

KINDS: dict[str, type[Thing]] = {
    each.KIND: each
    for each in (
        Person,
        Policy,
        Profile,
        Bottle,
        Fill,
        StripBottle,
        MecTest,
        DeviceType,
        Device,
        Turn,
        Load,
        Reference,
        Mapping,
        SensorCheck,
        Thermometer,
        ClockWrong,
        Review,
        Handover,
        LookBack,
        LookBackList,
        ClosureNote,
        Transcript,
        Alarm,
        Drill,
        Issued,
        PeriodReport,
    )
}
"""Every kind of thing by its name."""
