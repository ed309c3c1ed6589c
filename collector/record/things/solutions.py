"""Solutions: what a label asks, containers, and fills in basins."""

from __future__ import annotations

from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import BasinKey, Date, Days, Id, Millilitres, Millis, Text, Thing
from soak.requirement import Requirement


class Rinses(msgspec.Struct, frozen=True, omit_defaults=True):
    """Rinsing after the soak, as the label prints it.

    Attributes:
        count: How many, each with fresh water.
        each_ms: The least time of each.
        volume_ml: Water for each; nothing if the label does not say.
        water: Its kind, e.g. "sterile" or "potable".
    """

    count: Annotated[int, msgspec.Meta(ge=0, le=20)]
    each_ms: Millis
    volume_ml: Millilitres | None = None
    water: str = ""


class Strip(msgspec.Struct, frozen=True, omit_defaults=True):
    """How a test strip is used, as its instructions print it.

    Attributes:
        dip_ms: How long it is dipped.
        read_from_ms: Earliest reading, counted from taking it out of the solution.
        read_until_ms: Latest reading; after that a new strip is used.
    """

    dip_ms: Millis
    read_from_ms: Millis
    read_until_ms: Millis


class LabelConfirmed(msgspec.Struct, frozen=True, omit_defaults=True):
    """Somebody compared a profile with the label.

    Attributes:
        by: Who.
        at_ms: When.
        label_revision: As printed on the label.
        lot: Lot of the container whose label it was.
        label_date: Date printed on the label.
        picture_sha256: Digest of the picture of record, kept beside the data.
    """

    by: str
    at_ms: int
    label_revision: Text
    lot: Text
    label_date: str
    picture_sha256: str


class Profile(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """What a label asks: a solution profile. Usable only once confirmed against the label.

    Attributes:
        name: The generic chemistry, or what people typed from their own label.
        chemistry: Key of the published row it came from; empty when typed.
        revision: Rises with every correction.
        jurisdiction: Whose label it is, e.g. "US"; claims differ between them.
        manual: The claim holds for soaking by hand; a claim for automated reprocessors only can be in no basin.
        min_mc: Lowest temperature; None until entered.
        max_mc: Highest, where printed.
        contact_ms: Contact time; None until entered.
        single_use: A fill serves one load.
        reuse_days: Longest use of a fill from pouring.
        opened_days: Opened-container use life: longest time from opening a bottle to pouring it.
        activated_days: Longest use from activation, where it is activated.
        activation: It must be activated.
        mec: Minimum effective concentration as printed, e.g. "0.3 %"; empty where none is monitored.
        mec_monitored: A MEC test is part of its use.
        mec_daily_allowed: The label allows testing daily instead of before each use.
        strip: Dip and read window of its strips.
        rinses: After the soak; None until entered.
        longest_immersion_ms: Maximum immersion time, where printed.
        excluded_kinds: Kinds of device that must not go in.
        neutraliser: What neutralises it, e.g. "glycine"; empty if nothing is named.
        sources: Where each figure came from, by field.
        confirmed: Against the label; None: not yet, and not usable.
        product_codes: GTINs of containers that hold it: a scanned bottle finds its profile by them.
        retired: No longer bought; nothing new may be poured from it.
    """

    KIND: ClassVar[str] = "profile"
    name: Text
    chemistry: str = ""
    revision: int = 1
    jurisdiction: str = ""
    manual: bool = True
    min_mc: int | None = None
    max_mc: int | None = None
    contact_ms: int | None = None
    single_use: bool = False
    reuse_days: Days | None = None
    opened_days: Days | None = None
    activated_days: Days | None = None
    activation: bool = False
    mec: str = ""
    mec_monitored: bool = True
    mec_daily_allowed: bool = False
    strip: Strip | None = None
    rinses: Rinses | None = None
    longest_immersion_ms: Millis | None = None
    excluded_kinds: tuple[str, ...] = ()
    neutraliser: str = ""
    sources: dict[str, str] = msgspec.field(default_factory=dict)
    confirmed: LabelConfirmed | None = None
    product_codes: tuple[str, ...] = ()
    retired: bool = False

    def open(self) -> bool:
        """Still bought."""
        return not self.retired

    def requirement(self, max_gap_ms: int) -> Requirement | None:
        """What a soak in it must fulfil; None while temperature or time are missing."""
        if self.min_mc is None or self.contact_ms is None:
            return None
        return Requirement(self.min_mc, self.contact_ms, self.max_mc, max_gap_ms)


class Bottle(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A container of solution.

    Attributes:
        profile: Its solution profile, by the product code on it.
        lot: Printed on it.
        expires: Last day on which it may be used, printed on it.
        volume_ml: When full.
        left_ml: Still in it.
        received_ms: When it was recorded.
        gtin: Product code, if scanned.
        serial: Serial number, if printed.
        opened_ms: When it was opened; None: it is closed.
        activated_ms: When it was activated.
        use_by_ms: Latest pouring: the earliest of expiry and opened-container use life.
        gone: Empty or thrown away.
    """

    KIND: ClassVar[str] = "bottle"
    PREFIX: ClassVar[str] = "B"
    profile: Id
    lot: Text
    expires: Date
    volume_ml: Millilitres
    left_ml: Millilitres
    received_ms: int
    gtin: str = ""
    serial: str = ""
    opened_ms: int | None = None
    activated_ms: int | None = None
    use_by_ms: int
    gone: bool = False

    def group(self) -> str:
        """By profile."""
        return self.profile

    def when_ms(self) -> int:
        """First-expiring first."""
        return self.use_by_ms

    def open(self) -> bool:
        """Something is in it."""
        return not self.gone


class Poured(msgspec.Struct, frozen=True, omit_defaults=True):
    """What went from one bottle into a fill."""

    bottle: str
    lot: str
    volume_ml: int
    by: str
    at_ms: int


class Discarded(msgspec.Struct, frozen=True, omit_defaults=True):
    """A fill went to the drain.

    Attributes:
        by: Who.
        at_ms: When.
        reason: Why.
        volume_ml: How much.
        neutralised_g: Neutraliser used, grams; None where nothing was neutralised.
        rule: The disposal rule that was followed.
        not_neutralised: Why less neutraliser was used than the site's rule asks for.
        how_neutralised: What was done, where no amount was known.
        rest: What became of the rest, where much less was discarded than had been poured.
    """

    by: str
    at_ms: int
    reason: str
    volume_ml: int
    neutralised_g: int | None = None
    rule: str = ""
    not_neutralised: str = ""
    how_neutralised: str = ""
    rest: str = ""


class Fill(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """One pour of solution in one basin until discarded.

    Attributes:
        basin: Where.
        profile: What is in it; every bottle in it shares it.
        poured: From which bottles; the first entry is the pour, later ones are toppings-up.
        poured_ms: When it was poured: its reuse life counts from here, whatever is added later.
        poured_by: Who.
        use_by_ms: The last moment at which a soak in it may still end.
        use_by_why: Which limit that is, in words.
        tested_after_ms: A MEC test counts only from here on: the pour, or the last topping-up.
        failed_ms: When a MEC test failed; it is out of use from then on.
        discarded: Set once it is gone.
        loads: How many loads it has had.
    """

    KIND: ClassVar[str] = "fill"
    PREFIX: ClassVar[str] = "F"
    basin: BasinKey
    profile: Id
    poured: tuple[Poured, ...]
    poured_ms: int
    poured_by: str
    use_by_ms: int
    use_by_why: str
    tested_after_ms: int
    failed_ms: int | None = None
    discarded: Discarded | None = None
    loads: int = 0

    def group(self) -> str:
        """By basin."""
        return self.basin

    def when_ms(self) -> int:
        """By pour."""
        return self.poured_ms

    def open(self) -> bool:
        """Still in its basin."""
        return self.discarded is None

    def volume_ml(self) -> int:
        """All that was poured."""
        return sum(each.volume_ml for each in self.poured)
