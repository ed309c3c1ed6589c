"""What is known of one device's round, for `releasable`. Times are milliseconds on one scale, e.g. since 1970."""

from __future__ import annotations

import msgspec

from soak.closure import Verdict


class Lay(msgspec.Struct, frozen=True):
    """The closure that counts for a device, and when the device was in the solution.

    Attributes:
        closing_ms: The lid was closed.
        opened_ms: It was opened, or watched last.
        verdict: What the closure is worth.
        in_ms: The device went in.
        out_ms: It was taken out; None while it is in.
        outdated: It was judged by less than the label asks for as it stands on file now, and not yet again.
        unseen_until_ms: Nobody saw it opened; that it was, the record shows only from here on. None: it was seen.
    """

    closing_ms: int
    opened_ms: int
    verdict: Verdict
    in_ms: int
    out_ms: int | None
    outdated: bool = False
    unseen_until_ms: int | None = None

    @property
    def opened_by_ms(self) -> int:
        """The latest moment at which the lid can have been opened: the fill has to hold until then."""
        return self.opened_ms if self.unseen_until_ms is None else self.unseen_until_ms

    def throughout(self) -> bool:
        """It lay in it from the closing to the opening."""
        return self.in_ms <= self.closing_ms and (self.out_ms is None or self.out_ms >= self.opened_ms)


class MecFact(msgspec.Struct, frozen=True):
    """The MEC test that cleared the load.

    Attributes:
        fill: Whose solution it tested.
        passed: It passed; doubtful is not passed.
        for_this_use: It counts for this load under label and policy: claimed by no other, or the day's own.
        dipped_ms: When the strip went in.
        read_ms: When it was read; None: it was not.
        proven: Its strips have not turned out to prove nothing.
    """

    fill: str
    passed: bool
    for_this_use: bool
    dipped_ms: int
    read_ms: int | None
    proven: bool = True


class FillFact(msgspec.Struct, frozen=True):
    """The fill in which it soaked.

    Attributes:
        id: Which.
        poured_ms: When it was poured.
        changed_ms: When solution was last added before the opening, the latest that it can have been: a test counts
            only from here on.
        use_by_ms: The last moment at which a soak in it may still end.
        failed_ms: When a MEC test of it failed.
        gone_ms: When it was discarded.
    """

    id: str
    poured_ms: int
    changed_ms: int
    use_by_ms: int
    failed_ms: int | None = None
    gone_ms: int | None = None


class RinseFact(msgspec.Struct, frozen=True):
    """One rinse.

    Attributes:
        began_ms: When it began.
        ended_ms: When it ended; None while it runs.
        fresh: Its water was fresh.
    """

    began_ms: int
    ended_ms: int | None
    fresh: bool


class Facts(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of one device's round.

    Attributes:
        device: Its asset number.
        required_steps: Pre-soak steps that its type asks for.
        steps: When each was done and on record, whichever is later.
        profile: The solution it soaked in; empty if it has not.
        permitted_profiles: Those that its type permits.
        kind: Its kind, e.g. "urological".
        excluded_kinds: Kinds that the solution excludes.
        mec_needed: The solution's MEC is monitored.
        mec: The test that cleared its load; None if none did.
        fill: What it soaked in; None if it has not.
        soak: The closure that counts for it; None if there is none.
        rinses: Its rinses, oldest first.
        rinse_count: How many are needed; None: nobody has entered it.
        rinse_ms: The least time of each.
        dried_ms: When it was attested to be dry.
        dry_ms: The least time from the end of the last rinse to that.
        quarantine: Why it is in quarantine; empty if it is not.
        look_backs: Open look-backs that hold it.
    """

    device: str
    required_steps: tuple[str, ...] = ()
    steps: dict[str, int] = {}
    profile: str = ""
    permitted_profiles: tuple[str, ...] = ()
    kind: str = ""
    excluded_kinds: tuple[str, ...] = ()
    mec_needed: bool = True
    mec: MecFact | None = None
    fill: FillFact | None = None
    soak: Lay | None = None
    rinses: tuple[RinseFact, ...] = ()
    rinse_count: int | None = None
    rinse_ms: int = 0
    dried_ms: int | None = None
    dry_ms: int = 0
    quarantine: str = ""
    look_backs: tuple[str, ...] = ()
