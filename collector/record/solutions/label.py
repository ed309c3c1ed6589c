"""What people copy from a label into a solution profile: the figures, which are missing, and whether they fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal

import msgspec

from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.errors import RefusedError
from collector.record.solutions import chemistries
from collector.record.solutions.chemistries import Default
from collector.record.solutions.needs import listed, past_date
from collector.record.solutions.printed import Row
from collector.record.things import (
    Date,
    Days,
    LabelConfirmed,
    Millis,
    Profile,
    Rinses,
    Strip,
    Text,
)
from soak.quantity import celsius, in_words

Degrees = Annotated[int, msgspec.Meta(ge=0, le=100_000)]
"""Millidegrees of a solution: water under its own vapour."""

ContactTime = Annotated[int, msgspec.Meta(ge=1_000, le=7 * 24 * 3_600_000)]
Sha256 = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}$", max_length=64)]
Kind = Annotated[str, msgspec.Meta(min_length=1, max_length=60)]
Printable = Literal[
    "max_mc", "reuse_days", "opened_days", "activated_days", "mec", "longest_immersion_ms", "neutraliser"
]


class Label(Deed, frozen=True, kw_only=True):
    """Figures of a label; what is not said stays as it is.

    Attributes:
        name: The generic chemistry, or what people type from their own label.
        jurisdiction: Whose label it is, e.g. "US".
        manual: The claim holds for soaking by hand.
        min_mc: Lowest temperature, millidegrees Celsius.
        max_mc: Highest.
        contact_ms: Contact time, milliseconds.
        single_use: A fill serves one load.
        reuse_days: Longest use from pouring.
        opened_days: Opened-container use life.
        activation: It must be activated.
        activated_days: Longest use from activation.
        mec: Minimum effective concentration as printed.
        mec_monitored: A MEC test is part of its use.
        mec_daily_allowed: The label allows testing daily instead of before each use.
        strip: Dip and read window of its strips.
        rinses: After the soak.
        longest_immersion_ms: Maximum immersion time.
        excluded_kinds: Kinds of device that must not go in.
        neutraliser: What neutralises it.
        not_printed: Figures that the label does not print; any that stand there are taken away.
    """

    name: Text | None = None
    jurisdiction: Text | None = None
    manual: bool | None = None
    min_mc: Degrees | None = None
    max_mc: Degrees | None = None
    contact_ms: ContactTime | None = None
    single_use: bool | None = None
    reuse_days: Days | None = None
    opened_days: Days | None = None
    activation: bool | None = None
    activated_days: Days | None = None
    mec: Text | None = None
    mec_monitored: bool | None = None
    mec_daily_allowed: bool | None = None
    strip: Strip | None = None
    rinses: Rinses | None = None
    longest_immersion_ms: Millis | None = None
    excluded_kinds: tuple[Kind, ...] | None = None
    neutraliser: Text | None = None
    not_printed: tuple[Printable, ...] = ()


class Confirmation(Label, frozen=True, kw_only=True):
    """The label that somebody has in hand.

    Attributes:
        label_revision: As printed on it.
        lot: Of the container whose label it is.
        label_date: Printed on it.
        picture_sha256: Digest of the picture of record.
    """

    label_revision: Text
    lot: Text
    label_date: Date
    picture_sha256: Sha256

    def confirmed(self, book: Book) -> LabelConfirmed:
        """Who compared it with what, and when."""
        date = past_date(book, self.label_date, "Label date")
        return LabelConfirmed(book.who, book.at_ms, self.label_revision, self.lot, date, self.picture_sha256)


FIGURES = tuple(name for name in Label.__struct_fields__ if name not in (*Deed.__struct_fields__, "not_printed"))
"""Every field of a profile that is copied from a label."""

WORDS = {
    "min_mc": "minimum temperature",
    "max_mc": "maximum temperature",
    "contact_ms": "contact time",
    "reuse_days": "reuse life",
    "opened_days": "opened-container use life",
    "activated_days": "activated life",
    "mec": "minimum effective concentration",
    "mec_monitored": "MEC monitoring",
    "mec_daily_allowed": "daily MEC testing",
    "strip": "read window of the strips",
    "longest_immersion_ms": "maximum immersion time",
    "manual": "use by hand",
}
"""What people call a field; the others are called by their name."""


def words_for(fields: Sequence[str]) -> str:
    """Fields as people call them, listed."""
    return listed([WORDS.get(field, field.replace("_", " ")) for field in fields])


def started(profile: Profile, defaults: dict[str, Default]) -> Profile:
    """A profile with published figures in it, each with its source."""
    sources = {field: default.source for field, default in defaults.items()}
    values = {field: default.value for field, default in defaults.items()}
    return msgspec.structs.replace(profile, **values, sources={**profile.sources, **sources})


def typed(profile: Profile, label: Label, book: Book) -> Profile:
    """A profile with what somebody typed in it.

    Raises:
        RefusedError: The figures do not fit each other, claim what only a reprocessor earns, or let in without a
            reason what must not go in.
    """
    said: dict[str, Any] = {field: value for field in FIGURES if (value := getattr(label, field)) is not None}
    if kinds := said.get("excluded_kinds"):
        said["excluded_kinds"] = tuple(dict.fromkeys(kind.strip().lower() for kind in kinds))
    _refuse_both(said, label)
    _refuse_let_in(profile, label, said)
    empty: dict[str, Any] = {field: "" if field in ("mec", "neutraliser") else None for field in label.not_printed}
    from_label = f"label, typed by {book.who}"
    sources: dict[str, str] = {
        **profile.sources,
        **dict.fromkeys(said, from_label),
        **dict.fromkeys(label.not_printed, f"not printed on the label, said by {book.who}"),
    }
    changed = msgspec.structs.replace(profile, **said, **empty, sources=sources)
    _refuse_misfit(changed)
    return changed


def missing(profile: Profile) -> list[str]:
    """What a profile still needs before it can be confirmed, in words."""
    monitored = profile.mec_monitored
    asked = (
        (profile.jurisdiction, "whose label it is (jurisdiction)"),
        (profile.min_mc is not None, "the minimum temperature"),
        (profile.contact_ms is not None, "the contact time"),
        (profile.single_use or profile.reuse_days is not None, "the reuse life in days, or single use"),
        (
            profile.opened_days is not None or "opened_days" in profile.sources,
            "the opened-container use life, or that none is printed",
        ),
        (not profile.activation or profile.activated_days is not None, "the activated life"),
        (not monitored or profile.mec, "the minimum effective concentration, or that none is monitored"),
        (not monitored or profile.strip, "the dip time and read window of its strips"),
        (profile.rinses is not None, "the rinses"),
    )
    return [words for there, words in asked if not there]


def refuse_unusable(profile: Profile) -> None:
    """Refuse to confirm what can be in no basin.

    Raises:
        RefusedError: The claim is not for soaking by hand, or figures are missing.
    """
    if not profile.manual:
        raise RefusedError(
            "automated-only",
            f"The claim of profile {profile.id} ({profile.name}) holds in automated reprocessors only: a soak by hand "
            "does not earn it.",
            "Enter the claim that the label prints for soaking by hand; if it prints none, do not soak in it.",
        )
    if words := missing(profile):
        raise RefusedError(
            "profile-incomplete",
            f"Profile {profile.id} ({profile.name}) lacks {listed(words)}.",
            "Enter what is missing from the label in hand, then confirm.",
        )


def _refuse_both(said: dict[str, object], label: Label) -> None:
    if both := [field for field in label.not_printed if field in said]:
        raise RefusedError(
            "profile-figures",
            f"The {words_for(both)} is both given and said not to be printed.",
            "Give the figure, or say that the label prints none.",
        )


def _refuse_let_in(profile: Profile, label: Label, said: dict[str, object]) -> None:
    """What sources exclude is let in only with a reason."""
    default = chemistries.of_substance(profile.chemistry or profile.name).get("excluded_kinds")
    if default is None or "excluded_kinds" not in said or label.reason.strip():
        return
    assert isinstance(default.value, tuple)  # noqa: S101 - for the type checker
    if let_in := sorted(set(default.value) - set(label.excluded_kinds or ())):
        raise RefusedError(
            "excluded-kinds",
            f"{profile.name} must not be used for {listed(let_in)} devices: {default.source}",
            "Leave them excluded, or give the reason why they may go in.",
        )


def _refuse_misfit(profile: Profile) -> None:
    if problem := _misfit(profile):
        raise RefusedError("profile-figures", problem, "Copy the figures again from the label.")
    if profile.min_mc is None or profile.contact_ms is None:
        return
    substance = profile.chemistry or profile.name
    row = chemistries.only_for_machines(substance, profile.min_mc, profile.contact_ms, profile.jurisdiction)
    if row:
        raise _trap(row, profile, profile.contact_ms, profile.min_mc)


def _misfit(profile: Profile) -> str:
    """Which figures contradict each other; empty: none."""
    strip = profile.strip
    if profile.min_mc is not None and profile.max_mc is not None and profile.max_mc < profile.min_mc:
        return (
            f"The maximum temperature ({celsius(profile.max_mc)}) is below the minimum ({celsius(profile.min_mc)}): "
            "no soak could meet it."
        )
    if profile.single_use and profile.reuse_days:
        return f"Single use and a reuse life of {profile.reuse_days} days exclude each other."
    if not profile.single_use and profile.reuse_days == 0:
        return "A reuse life of 0 days would be single use."
    if strip and strip.read_until_ms <= strip.read_from_ms:
        return (
            f"Strips would have to be read by {in_words(strip.read_until_ms)} and not before "
            f"{in_words(strip.read_from_ms)}."
        )
    if profile.longest_immersion_ms is not None and profile.longest_immersion_ms < (profile.contact_ms or 0):
        return (
            f"The maximum immersion time ({in_words(profile.longest_immersion_ms)}) is shorter than the contact time "
            f"({in_words(profile.contact_ms or 0)})."
        )
    return ""


def _trap(row: Row, profile: Profile, contact_ms: int, min_mc: int) -> RefusedError:
    by_hand = chemistries.defaults(profile.chemistry)
    contact, warm = (by_hand[field].value if field in by_hand else None for field in ("contact_ms", "min_mc"))
    example = ""
    if isinstance(contact, int) and isinstance(warm, int):
        example = f"; published: {in_words(contact)} at {celsius(warm)}"
    what = "is printed for automated reprocessors only"
    if isinstance(row.min_mc, int) and min_mc < row.min_mc:
        what = f"asks for less than what, at {celsius(row.min_mc)}, {what}"
    return RefusedError(
        "automated-only",
        f"{in_words(contact_ms)} at {celsius(min_mc)} {what} ({row.source}). {row.note}",
        f"Enter the claim that the label prints for soaking by hand{example}.",
    )
