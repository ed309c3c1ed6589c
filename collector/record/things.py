"""The things that the record is about. Each is one frozen document; only deeds change it.

Times are milliseconds since 1970 (`…_ms`), dates are ISO text ("2026-11-25") in the site's local time, temperatures
millidegrees Celsius (`…_mc`), volumes millilitres (`…_ml`). People are named by their id.
"""

from __future__ import annotations

import enum
from typing import Annotated, ClassVar

import msgspec

from soak.requirement import Requirement

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Note = Annotated[str, msgspec.Meta(max_length=1_000)]
Date = Annotated[str, msgspec.Meta(pattern=r"^\d{4}-\d{2}-\d{2}$", max_length=10)]
Id = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$", max_length=64)]
BasinKey = Annotated[str, msgspec.Meta(pattern=r"^[a-z0-9-]{1,40}/[a-z0-9-]{1,40}$", max_length=81)]
"""A basin as "node/name"."""

Count = Annotated[int, msgspec.Meta(ge=0, le=1_000)]
Days = Annotated[int, msgspec.Meta(ge=0, le=3_660)]
Millis = Annotated[int, msgspec.Meta(ge=0, le=400 * 24 * 3_600_000)]
Millilitres = Annotated[int, msgspec.Meta(ge=0, le=1_000_000)]


class Thing(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A document of the record.

    Attributes:
        id: Its name among its kind.
    """

    KIND: ClassVar[str]
    PREFIX: ClassVar[str] = ""
    """Of ids that the program gives, e.g. "F" for fills: F1, F2, …"""

    id: str

    def group(self) -> str:
        """What its kind is looked up by: a fill by its basin, a MEC test by its fill."""
        return ""

    def when_ms(self) -> int:
        """Where it stands in time among its kind."""
        return 0

    def open(self) -> bool:
        """Whether it still needs somebody; lists of what is current show only these."""
        return True


class Attested(msgspec.Struct, frozen=True, omit_defaults=True):
    """Somebody says that they did something.

    Attributes:
        by: Who.
        at_ms: When.
        note: In their words.
        recorded_ms: When they said so, if later than when they did it.
    """

    by: str
    at_ms: int
    note: str = ""
    recorded_ms: int | None = None

    @property
    def on_record_ms(self) -> int:
        """Since when the record has it."""
        return self.at_ms if self.recorded_ms is None else max(self.at_ms, self.recorded_ms)


# People


class Role(enum.StrEnum):
    """What somebody may do; an auditor only reads."""

    TECHNICIAN = "technician"
    SUPERVISOR = "supervisor"
    AUDITOR = "auditor"
    ADMINISTRATOR = "administrator"


class Person(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Somebody who works here. Credentials are kept elsewhere, outside ledger and evidence.

    Attributes:
        name: As on the badge.
        roles: What they may do.
        trained_on: When trained or last assessed for this work.
        training_expires: Last day on which that holds.
        colour_vision_on: When their colour vision was screened; strips are read by colour.
        colour_vision_passed: Its outcome.
        active: False once they have left.
    """

    KIND: ClassVar[str] = "person"
    name: Text
    roles: tuple[Role, ...]
    trained_on: str | None = None
    training_expires: str | None = None
    colour_vision_on: str | None = None
    colour_vision_passed: bool | None = None
    active: bool = True

    def open(self) -> bool:
        """Still here."""
        return self.active


# Site


class MecPolicy(enum.StrEnum):
    """How often the solution is tested. Each use is the published rule; daily only where label and policy say so."""

    EACH_USE = "each use"
    DAILY = "daily"


class LastDay(enum.StrEnum):
    """What "14 days" means: to the minute, or whole calendar days with the last one counting or not."""

    TO_THE_MINUTE = "to the minute"
    COUNTS = "counts"
    DOES_NOT_COUNT = "does not count"


class Policy(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """The site's own rules, one document with the id "site".

    Attributes:
        time_zone: IANA name; dates are in it. Empty: as this machine is set.
        mec: How often the solution is tested; a profile whose label does not allow daily is tested at each use.
        last_day: How use lives in days are counted.
        longest_immersion_ms: Where the label prints no maximum immersion time (design: 60 min; our own choice).
        thermometer: An independent thermometer reading is asked for before each use.
        thermometer_valid_ms: For how long one counts.
        sensor_check_days: A sensor's check is due so many days after the last; None: the site has set none.
        lid_moved_today: The lid switch must have been seen to move today before a soak starts.
        every_closing_is_a_load: Treat every closing as a load.
        working_days: Weekdays on which the site works, Monday is 0.
        closed_on: Dates on which it does not.
        neutralise: Solution is neutralised before it goes to the drain.
        disposal_rule: What local rules say about it, in words.
        glycine_g_per_us_gallon: For ortho-phthalaldehyde; 25 is common practice (published figures say "minimum").
        retention_years: How long records are kept: the longest of the published figures by default.
    """

    KIND: ClassVar[str] = "policy"
    time_zone: str = ""
    mec: MecPolicy = MecPolicy.EACH_USE
    last_day: LastDay = LastDay.TO_THE_MINUTE
    longest_immersion_ms: Millis = 60 * 60_000
    thermometer: bool = False
    thermometer_valid_ms: Millis = 60 * 60_000
    sensor_check_days: Days | None = None
    lid_moved_today: bool = True
    every_closing_is_a_load: bool = False
    working_days: tuple[Annotated[int, msgspec.Meta(ge=0, le=6)], ...] = (0, 1, 2, 3, 4)
    closed_on: tuple[Date, ...] = ()
    neutralise: bool = False
    disposal_rule: Note = ""
    glycine_g_per_us_gallon: Annotated[int, msgspec.Meta(ge=25, le=1_000)] = 25
    retention_years: Annotated[int, msgspec.Meta(ge=1, le=100)] = 10


# Solutions


class Rinses(msgspec.Struct, frozen=True, omit_defaults=True):
    """Rinsing after the soak, as the label prints it.

    Attributes:
        count: How many, each with fresh water.
        each_ms: The least time of each.
        volume_ml: Water for each; None if the label does not say.
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
    sources: dict[str, str] = {}
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
    """

    by: str
    at_ms: int
    reason: str
    volume_ml: int
    neutralised_g: int | None = None
    rule: str = ""
    not_neutralised: str = ""


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


# Strips and tests


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


# Devices


class Step(enum.StrEnum):
    """Steps before the soak."""

    POINT_OF_USE = "point-of-use clean"
    LEAK_TEST = "leak test"
    CLEAN = "clean"
    RINSE = "rinse"
    DRIED = "dried"
    PARTS_OFF = "detachable parts off"
    CHANNELS_FILLED = "channels filled"
    NO_BUBBLES = "no bubbles"


class DeviceType(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A kind of device as its maker's instructions describe it.

    Attributes:
        name: E.g. "gastroscope".
        kind: What solutions are excluded for, e.g. "urological"; free words in lower case.
        profiles: Solution profiles that its maker permits.
        steps: What must be attested before the soak.
        rinses: If its maker asks for more than the label: count and time.
        dry_ms: The least drying time; common practice where its maker prints none.
        hang_days: Longest storage before it is reprocessed; sources disagree, so there is no default.
    """

    KIND: ClassVar[str] = "device-type"
    name: Text
    kind: str
    profiles: tuple[Id, ...]
    steps: tuple[Step, ...]
    rinses: Rinses | None = None
    dry_ms: Millis = 0
    hang_days: Days | None = None


class Quarantine(msgspec.Struct, frozen=True, omit_defaults=True):
    """A device that must not be used.

    Attributes:
        by: Who said so, or "collector".
        at_ms: When.
        reason: Why.
        next_action: What to do about it.
    """

    by: str
    at_ms: int
    reason: str
    next_action: str


class Device(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A reusable medical device.

    Attributes:
        type: Its device type.
        serial: Serial number.
        udi: Unique device identification as scanned, element strings in parentheses.
        turn: Its present or last round of reprocessing.
        quarantine: Set while it must not be used.
        lookbacks: Open look-backs that it is part of.
        stored_in: Storage cabinet; empty if it is not stored.
        stored_ms: Since when.
        hang_until_ms: When it must be reprocessed if it was not used.
        retired: Taken out of service.
    """

    KIND: ClassVar[str] = "device"
    type: Id
    serial: str = ""
    udi: str = ""
    turn: str = ""
    quarantine: Quarantine | None = None
    lookbacks: tuple[str, ...] = ()
    stored_in: str = ""
    stored_ms: int | None = None
    hang_until_ms: int | None = None
    retired: bool = False

    def group(self) -> str:
        """By type."""
        return self.type

    def open(self) -> bool:
        """In service."""
        return not self.retired


# Loads


class Stage(enum.StrEnum):
    """How far a device has come in its round."""

    PREPARING = "preparing"
    SOAKING = "soaking"
    SOAKED = "soaked"  # taken out; the verdict says what it is worth
    RELEASED = "released"
    USED = "used"
    ENDED = "ended"  # quarantined, or begun again


class Rinsed(msgspec.Struct, frozen=True, omit_defaults=True):
    """One rinse; `ended_ms` is None while it runs. `fresh`: whoever began it says that the water was fresh."""

    by: str
    began_ms: int
    ended_ms: int | None = None
    fresh: bool = False


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
    steps: dict[str, Attested] = {}
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


# Checks, shifts, look-backs


class SensorCheck(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A sensor compared with a reference.

    Attributes:
        sensor: Its 1-Wire id.
        basin: Where it is.
        at_ms: When.
        by: Who.
        reference: The reference thermometer, with its certificate.
        correction_mc: To be added to what the sensor indicates from now on.
        u_mc: Expanded uncertainty (k = 2) of the corrected value.
        due: Last day on which this check holds; None: the site sets none.
        error_mc: What it read too high (+) or too low (−) before the check.
    """

    KIND: ClassVar[str] = "sensor-check"
    PREFIX: ClassVar[str] = "C"
    sensor: str
    basin: BasinKey
    at_ms: int
    by: str
    reference: Text
    correction_mc: Annotated[int, msgspec.Meta(ge=-20_000, le=20_000)]
    u_mc: Annotated[int, msgspec.Meta(ge=0, le=20_000)]
    due: str | None = None
    error_mc: int | None = None

    def group(self) -> str:
        """By sensor."""
        return self.sensor

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms


class Thermometer(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A reading of an independent thermometer in a basin.

    Attributes:
        basin: Where.
        at_ms: When.
        by: Who.
        read_mc: What it showed.
        indicated_mc: The coldest that the basin's sensors indicated then; None if none was alive.
    """

    KIND: ClassVar[str] = "thermometer"
    PREFIX: ClassVar[str] = "R"
    basin: BasinKey
    at_ms: int
    by: str
    read_mc: Annotated[int, msgspec.Meta(ge=-55_000, le=125_000)]
    indicated_mc: int | None = None

    def group(self) -> str:
        """By basin."""
        return self.basin

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms


class ClockWrong(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Somebody said that the clock had been ahead when records were made.

    Attributes:
        by: Who.
        at_ms: When, by the clock put right.
        first: The first record known to have been made with the wrong clock.
        last: The last of them.
        ahead_ms: How far the last one is ahead of the clock put right, at least.
        text: In words.
    """

    KIND: ClassVar[str] = "clock-wrong"
    PREFIX: ClassVar[str] = "W"
    by: str
    at_ms: int
    first: int
    last: int
    ahead_ms: int
    text: str

    def when_ms(self) -> int:
        """By when it was said."""
        return self.at_ms


class NotKnown(msgspec.Struct, frozen=True, omit_defaults=True):
    """An answer to one question of the daily log review.

    Attributes:
        subject: What was open: "closure:…", "turn:T12", "fill:F3".
        answer: In words; "not known" is allowed.
    """

    subject: Text
    answer: Note


class Review(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A day's log review, signed. Its id is the day.

    Attributes:
        by: Who signed.
        at_ms: When.
        answers: To what was unassigned or open.
        open_subjects: Everything that was open when it was signed.
    """

    KIND: ClassVar[str] = "review"
    by: str
    at_ms: int
    answers: tuple[NotKnown, ...] = ()
    open_subjects: tuple[str, ...] = ()

    def when_ms(self) -> int:
        """By its signature."""
        return self.at_ms


class Handover(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A note from one shift to the next."""

    KIND: ClassVar[str] = "handover"
    PREFIX: ClassVar[str] = "H"
    by: str
    at_ms: int
    note: Note

    def when_ms(self) -> int:
        """By its time."""
        return self.at_ms


class LookBack(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Something turned out to have been wrong: whatever it may concern, until somebody has closed it.

    Attributes:
        cause: "mec-fail", "profile-corrected", "used-without-release", …
        text: In words.
        opened_ms: When.
        by: Who, or "collector".
        from_ms: Loads that ended after this may be concerned: the last good evidence.
        until_ms: Loads that began before this.
        fills: Fills concerned.
        turns: Devices' rounds concerned.
        devices: Their devices.
        closed: By whom, with the conclusion.
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

    def when_ms(self) -> int:
        """By its opening."""
        return self.opened_ms

    def open(self) -> bool:
        """Not concluded."""
        return self.closed is None


class ClosureNote(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """What somebody says of a closure or a finding. Its id is "stream:first".

    Attributes:
        notes: In the order in which they were written.
        assignment: "empty" (nothing was in it), "not known", or the load's id; empty: nobody has said.
    """

    KIND: ClassVar[str] = "closure-note"
    basin: BasinKey
    at_ms: int
    notes: tuple[Attested, ...] = ()
    assignment: str = ""

    def group(self) -> str:
        """By basin."""
        return self.basin

    def when_ms(self) -> int:
        """By the closure's closing."""
        return self.at_ms


class Transcript(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """A paper downtime form typed in later; nothing in it was watched.

    Attributes:
        by: Who typed it.
        at_ms: When.
        from_ms: Beginning of the downtime.
        until_ms: Its end.
        lines: As on the paper, one for each soak.
        picture_sha256: Digest of the picture of the paper; empty if none was kept.
    """

    KIND: ClassVar[str] = "transcript"
    PREFIX: ClassVar[str] = "P"
    by: str
    at_ms: int
    from_ms: int
    until_ms: int
    lines: tuple[Text, ...]
    picture_sha256: str = ""

    def when_ms(self) -> int:
        """By the downtime."""
        return self.from_ms


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
        SensorCheck,
        Thermometer,
        ClockWrong,
        Review,
        Handover,
        LookBack,
        ClosureNote,
        Transcript,
    )
}
"""Every kind of thing by its name."""
