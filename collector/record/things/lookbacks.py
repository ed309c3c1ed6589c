"""Look-backs: what was wrong, which rounds it concerns, what became of each device, who was told."""

from __future__ import annotations

import enum
from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import Attested, BasinKey, Id, Text, Thing


class Asked(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """Where a look-back looks: what its cause needs to know. What a cause does not ask stays empty.

    Attributes:
        mec_test: The MEC test that failed.
        strip_bottle: The bottle of test strips.
        sensor: The sensor's 1-Wire id.
        reference: The reference thermometer, as it is named in sensor checks.
        off_mc: By how much it read too high (+) or too low (−).
        profile: The solution profile.
        lot: Lot of the bottles of solution.
        fill: The fill.
        basin: The basin.
        node: The node, where all its basins are meant.
        device: The device's asset number.
        person: The person's id.
        software_from: The first software version that is faulty, e.g. "0.9.0".
        software_until: The first one in which it is mended.
        from_ms: Since when. Empty: it is not known, then everything before is concerned.
        until_ms: Until when. Empty: it lasts, or it is not known.
    """

    mec_test: Id | None = None
    strip_bottle: Id | None = None
    sensor: Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$(?!\n)", max_length=64)] | None = (
        None
    )
    reference: Text | None = None
    off_mc: Annotated[int, msgspec.Meta(ge=-20_000, le=20_000)] | None = None
    profile: Id | None = None
    lot: Text | None = None
    fill: Id | None = None
    basin: BasinKey | None = None
    node: Annotated[str, msgspec.Meta(pattern=r"^[a-z0-9-]{1,40}$(?!\n)", max_length=40)] | None = None
    device: Id | None = None
    person: Id | None = None
    software_from: Annotated[str, msgspec.Meta(pattern=r"^\d{1,4}(\.\d{1,4}){0,3}$(?!\n)", max_length=20)] | None = None
    software_until: Annotated[str, msgspec.Meta(pattern=r"^\d{1,4}(\.\d{1,4}){0,3}$(?!\n)", max_length=20)] | None = (
        None
    )
    from_ms: int | None = None
    until_ms: int | None = None


class Stood(enum.StrEnum):
    """Where a device was when its round was found to be concerned."""

    CABINET = "in the storage cabinet"
    RELEASED = "released, no use recorded"
    IN_PROCESS = "in process"
    USED = "used"
    QUARANTINED = "in quarantine"
    BEGUN_ANEW = "begun anew since"
    RETIRED = "out of service"


class Concerned(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """One round that a look-back concerns, as the record had it when it was found: evidence of what was known then.

    Attributes:
        device: Whose round.
        found_ms: When it was found.
        load: The load it went into; empty: it went into none.
        basin: That load's basin.
        fill: That load's fill.
        in_ms: When it went into the solution.
        out_ms: When it was taken out.
        closure: The closure that counts for it, as "stream:first".
        verdict: Of that closure; empty: it lay in none.
        credited_ms: What it was credited.
        contact_ms: What was asked.
        allowance_mc: By how much all sensors could be lowered with the soak still met; of the one sensor in question
            where one is.
        flips: By what was found, in the worst case its soak was not met.
        flips_drifting: Nor where the error grew evenly.
        stood: Where the device was.
        place: Its storage cabinet, or the basin that it lay in.
        used_ms: When it was used in this round.
        encounter: The encounter's reference; empty: none was given.
        came_from: The encounter that it came from.
        why: What connects it with the cause, where that is not the same for all.
    """

    device: str
    found_ms: int
    load: str = ""
    basin: str = ""
    fill: str = ""
    in_ms: int | None = None
    out_ms: int | None = None
    closure: str = ""
    verdict: str = ""
    credited_ms: int = 0
    contact_ms: int = 0
    allowance_mc: int | None = None
    flips: bool = False
    flips_drifting: bool = False
    stood: Stood = Stood.IN_PROCESS
    place: str = ""
    used_ms: int | None = None
    encounter: str = ""
    came_from: str = ""
    why: str = ""


class Outcome(enum.StrEnum):
    """What became of a device."""

    REPROCESSED = "reprocessed"
    CULTURE = "culture"
    DESTROYED = "destroyed"
    WITHDRAWN = "withdrawn"
    NO_RISK = "no risk"


class Resolved(msgspec.Struct, frozen=True, omit_defaults=True):
    """What became of one device of a look-back.

    Attributes:
        outcome: How it was resolved.
        by: Who says so.
        at_ms: When.
        note: In their words: the culture's result, why there is no risk.
    """

    outcome: Outcome
    by: str
    at_ms: int
    note: str = ""


class Told(msgspec.Struct, frozen=True, omit_defaults=True):
    """Infection prevention was told.

    Attributes:
        whom: Who was told, as they are called.
        how: E.g. "by telephone".
        at_ms: When.
        by: Who told them.
        note: In their words.
    """

    whom: str
    how: str
    at_ms: int
    by: str
    note: str = ""


class LookBack(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Something turned out to have been wrong: whatever it may concern, until somebody has closed it.

    Attributes:
        cause: One of `collector.lookback.causes.CAUSES`.
        text: In words.
        opened_ms: When.
        by: Who, or "collector".
        from_ms: Loads that ended after this may be concerned: the last good evidence.
        until_ms: Loads that began before this.
        fills: Fills concerned.
        turns: Devices' rounds concerned.
        devices: Their devices.
        closed: By whom, with the conclusion.
        how_found: How it was found, in the words of who opened it.
        asked: What the look through the record asks for; None: it opened by itself.
        concerned: By round, what was found when it was opened or looked at again.
        unexplained: How many closures in its range no load explains: nobody has said what was in them.
        looked_ms: When the record was last looked through again.
        resolved: By device, what became of it.
        told: Each time that infection prevention was told.
        closed_although: What was still open when it was closed, in words, and why it was closed all the same.
    """

    KIND: ClassVar[str] = "look-back"
    PREFIX: ClassVar[str] = "K"
    cause: str
    text: str
    opened_ms: int
    by: str
    from_ms: int
    until_ms: int
    fills: tuple[str, ...] = ()
    turns: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    closed: Attested | None = None
    how_found: str = ""
    asked: Asked | None = None
    concerned: dict[str, Concerned] = msgspec.field(default_factory=dict)
    unexplained: int = 0
    looked_ms: int | None = None
    resolved: dict[str, Resolved] = msgspec.field(default_factory=dict)
    told: tuple[Told, ...] = ()
    closed_although: str = ""

    def when_ms(self) -> int:
        """By its opening."""
        return self.opened_ms

    def open(self) -> bool:
        """Not concluded."""
        return self.closed is None

    def unresolved(self) -> tuple[str, ...]:
        """Devices of which nobody has said what became of them."""
        return tuple(each for each in self.devices if each not in self.resolved)


class LookBackList(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A list for infection prevention as it was issued: the paper is made of this, and the same bytes come again.

    Attributes:
        look_back: Of which look-back.
        by: Who issued it.
        at_ms: When.
        content: All that stands in it, as JSON.
    """

    KIND: ClassVar[str] = "look-back-list"
    PREFIX: ClassVar[str] = "KL"
    look_back: str
    by: str
    at_ms: int
    content: str

    def group(self) -> str:
        """By look-back."""
        return self.look_back

    def when_ms(self) -> int:
        """By its issue."""
        return self.at_ms
