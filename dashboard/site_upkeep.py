"""What the page of the site's health says of clocks, disks and their wear. Pure."""

from __future__ import annotations

from collector.conditions import Condition
from dashboard.texts import _, many
from soak.wear import YEAR_MS, wear
from soak.wire import DiskUse

_DAY_MS = 86_400_000
_TB = 10**12


def wear_text(disk: DiskUse | None) -> str:
    """How long a card lasts at the rate at which it is written, and by what that is known; one or two sentences."""
    if disk is None or disk.over_ms == 0:
        return _("How much is written to it is not known.")
    found = wear(disk)
    if found is None:
        return _("How long it lasts is not yet known: less than a day of counting.")
    days = disk.over_ms // _DAY_MS
    counted = many("{size} in {n} day", "{size} in {n} days", days).format(size=bytes_words(disk.written_bytes), n=days)
    return _("At this rate ({counted}) a card rated at {rated} TB lasts {years}.").format(
        counted=counted, rated=f"{disk.rated_tb:,}", years=years_words(found.life_ms)
    )


def years_words(ms: int) -> str:
    """A length of time in years, as exact as an estimate deserves; rounded down."""
    if ms < YEAR_MS:
        return _("less than a year")
    if ms < 2 * YEAR_MS:
        return _("less than two years")
    if ms > 50 * YEAR_MS:
        return _("more than 50 years")
    return _("about {n} years").format(n=ms // YEAR_MS)


def free_text(disk: DiskUse) -> str:
    """How much is free."""
    return _("{free} of {all} free").format(free=bytes_words(disk.free_bytes), all=bytes_words(disk.total_bytes))


def of_own(conditions: list[Condition], *codes: str) -> Condition | None:
    """The first of these conditions that stands and concerns the collector itself."""
    return next((each for each in conditions if each.code in codes and not each.subject), None)


def bytes_words(count: int) -> str:
    """A size as people say it: "163 MB"; 1 MB is a million bytes."""
    for unit, name in ((_TB, "TB"), (10**9, "GB"), (10**6, "MB")):
        if count >= 10 * unit:
            return f"{count // unit:,} {name}"
        if count >= unit:
            return f"{count / unit:.1f} {name}"
    return f"{-(-count // 1000):,} kB"
