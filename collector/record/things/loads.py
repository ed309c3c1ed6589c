"""Loads, and the rounds of the devices in them."""

from __future__ import annotations

import enum
from typing import ClassVar

import msgspec

from collector.record.things.base import Attested, BasinKey, Thing
from collector.record.things.devices import Quarantine


class Stage(enum.StrEnum):
    """How far a device has come in its round."""

    PREPARING = "preparing"
    SOAKING = "soaking"
    SOAKED = "soaked"  # taken out; the verdict says what it is worth
    RELEASED = "released"
    USED = "used"
    ENDED = "ended"  # quarantined, or begun again


class Rinsed(msgspec.Struct, frozen=True, omit_defaults=True):
    """One rinse; `ended_ms` is None while it runs. `fresh`: whoever began it says that the water was fresh.

    `water`: its kind, in their words; empty: they did not say.
    """

    by: str
    began_ms: int
    ended_ms: int | None = None
    fresh: bool = False
    water: str = ""


class Used(msgspec.Struct, frozen=True, omit_defaults=True):
    """A device was used.

    Attributes:
        by: Who recorded it.
        at_ms: When.
        encounter: Opaque reference of the procedure; empty: none was given, which is a finding.
        released: It had been released.
    """

    by: str
    at_ms: int
    encounter: str = ""
    released: bool = True


class Turn(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """One round of one device: from the point of use through the soak to its next use.

    Attributes:
        device: Which.
        began_ms: When it was begun.
        came_from: Opaque reference of the encounter it came from.
        steps: Pre-soak steps attested, by name.
        stage: How far.
        load: The load it went into; empty before.
        basin: That load's basin.
        fill: That load's fill.
        in_ms: When it went into the solution: the load's start, or when it was added.
        out_ms: When it was taken out; None while it is in.
        closure: The closure that met for it, as "stream:first"; empty until one has.
        rinses: Rinses after the soak.
        dried: Drying attested.
        released: By whom.
        used: Its next use.
        quarantine: Why it was not released.
        late: It was assigned after the lid was opened, by whom besides and why.
        by: Who began it.
        in_by: Who recorded that it went in.
        out_by: Who recorded that it was taken out.
        notes: What people say of it or of a finding about it.
    """

    KIND: ClassVar[str] = "turn"
    PREFIX: ClassVar[str] = "T"
    device: str
    began_ms: int
    came_from: str = ""
    steps: dict[str, Attested] = msgspec.field(default_factory=dict)
    stage: Stage = Stage.PREPARING
    load: str = ""
    basin: str = ""
    fill: str = ""
    in_ms: int | None = None
    out_ms: int | None = None
    closure: str = ""
    rinses: tuple[Rinsed, ...] = ()
    dried: Attested | None = None
    released: Attested | None = None
    used: Used | None = None
    quarantine: Quarantine | None = None
    late: Attested | None = None
    by: str = ""
    in_by: str = ""
    out_by: str = ""
    notes: tuple[Attested, ...] = ()

    def group(self) -> str:
        """By device."""
        return self.device

    def when_ms(self) -> int:
        """By its beginning."""
        return self.began_ms

    def open(self) -> bool:
        """Neither used nor ended."""
        return self.stage not in (Stage.USED, Stage.ENDED)


class Override(msgspec.Struct, frozen=True, omit_defaults=True):
    """A supervisor let a load start that was not ready. It makes nothing releasable.

    Attributes:
        by: Who.
        at_ms: When.
        reason: Why.
        blocks: What stood against it, in words.
    """

    by: str
    at_ms: int
    reason: str
    blocks: tuple[str, ...]


class Load(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Devices in one basin together; may span closures.

    Attributes:
        basin: Where.
        fill: In which fill.
        began_ms: When the first device went in.
        by: Who started it.
        turns: The devices' rounds in it.
        mec_test: The test that cleared it; empty if none did.
        override: Set if it started though not ready.
        ended_ms: When the last device was taken out.
        late: Assigned after the lid was opened: by whom besides, why.
        not_known: Nobody knows what was in it: stays in the list.
        openings_ms: When somebody said, before opening the lid, that a device was to be added.
    """

    KIND: ClassVar[str] = "load"
    PREFIX: ClassVar[str] = "L"
    basin: BasinKey
    fill: str
    began_ms: int
    by: str
    turns: tuple[str, ...] = ()
    mec_test: str = ""
    override: Override | None = None
    ended_ms: int | None = None
    late: Attested | None = None
    not_known: bool = False
    openings_ms: tuple[int, ...] = ()

    def group(self) -> str:
        """By basin."""
        return self.basin

    def when_ms(self) -> int:
        """By its start."""
        return self.began_ms

    def open(self) -> bool:
        """Something is still in it."""
        return self.ended_ms is None
