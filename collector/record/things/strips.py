"""Test strips and MEC tests."""

from __future__ import annotations

import enum
from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import Date, Days, Id, Text, Thing
from collector.record.things.solutions import Strip


class Controls(msgspec.Struct, frozen=True, omit_defaults=True):
    """Control tests of a strip bottle as its instructions ask for them.

    Attributes:
        per_control: Strips for each of the two controls.
        dilution: How the negative control is made, e.g. "1:1".
    """

    per_control: Annotated[int, msgspec.Meta(ge=0, le=20)]
    dilution: str = ""


class ControlResult(msgspec.Struct, frozen=True, omit_defaults=True):
    """Outcome of the control tests.

    Attributes:
        by: Who.
        at_ms: When.
        positives_passed: Strips in full-strength solution that read as passing.
        negatives_failed: Strips in the dilution that read as failing.
        passed: Every one of both read as it should.
    """

    by: str
    at_ms: int
    positives_passed: int
    negatives_failed: int
    passed: bool


class StripBottle(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A bottle of test strips.

    Attributes:
        profile: The solution it is meant for.
        lot: Printed on it.
        expires: Last day, printed on it.
        opened_ms: When it was opened.
        open_days: How long it may be used once open, as printed; sources disagree, so there is no default.
        use_by_ms: Latest use: the earliest of expiry and open life; expiry alone while closed.
        strip: Dip and read window as its own instructions print them.
        controls: Control tests that its instructions ask for on opening.
        no_controls_why: Where they ask for none: what they say, and where.
        control_results: Every set of control tests made, oldest first.
        gone: Used up or thrown away.
    """

    KIND: ClassVar[str] = "strip-bottle"
    PREFIX: ClassVar[str] = "S"
    profile: Id
    lot: Text
    expires: Date
    open_days: Days
    use_by_ms: int
    strip: Strip
    controls: Controls
    no_controls_why: str = ""
    opened_ms: int | None = None
    control_results: tuple[ControlResult, ...] = ()
    gone: bool = False

    def group(self) -> str:
        """By profile."""
        return self.profile

    def when_ms(self) -> int:
        """First-expiring first."""
        return self.use_by_ms

    def open(self) -> bool:
        """Not used up."""
        return not self.gone


class MecResult(enum.StrEnum):
    """What a strip said against its bottle's own chart. Doubtful is a fail."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    DOUBTFUL = "doubtful"
    NOT_READ = "not read"  # read too late or spoilt: says nothing


class MecTest(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """One test of a fill.

    Attributes:
        fill: Which.
        strip_bottle: With a strip of which bottle.
        by: Who dipped it.
        dipped_ms: When the strip went in.
        read_from_ms: Earliest reading.
        read_until_ms: Latest reading.
        result: None while it waits to be read.
        read_ms: When it was read.
        read_by: Who read it.
        screened: The reader's colour vision was on file as passed.
        used_for: The load that it cleared; a test before each use clears one.
    """

    KIND: ClassVar[str] = "mec-test"
    PREFIX: ClassVar[str] = "M"
    fill: str
    strip_bottle: str
    by: str
    dipped_ms: int
    read_from_ms: int
    read_until_ms: int
    result: MecResult | None = None
    read_ms: int | None = None
    read_by: str = ""
    screened: bool = False
    used_for: str = ""

    def group(self) -> str:
        """By fill."""
        return self.fill

    def when_ms(self) -> int:
        """By dip."""
        return self.dipped_ms

    def open(self) -> bool:
        """Waits to be read."""
        return self.result is None
