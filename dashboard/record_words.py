"""Words for what the record keeps: a solution's figures with their sources, where a device is, what a record says."""

from __future__ import annotations

from typing import Any, NamedTuple

from collector.ledger import Record
from collector.record import all as every_deed
from collector.record.things import Device, Profile, Rinses, Stage, Turn
from dashboard.when import SiteTime
from soak.quantity import celsius, in_words

_MACHINE = {
    "site-named": "the site was named",
    "basin": "a basin was described",
    "requirement": "the settings ask something else of a basin",
    "clock-synchronised": "a node's clock was set",
    "page": "readings were sealed",
    "stream": "a stream of readings began",
    "lost": "readings are missing",
    "found": "missing readings came",
    "closure": "a closure was judged",
    "alarm-raised": "an alarm was raised",
    "alarm-risen": "an alarm became more urgent: nobody had acted",
    "alarm-told": "somebody was told of an alarm",
    "alarm-cleared": "the cause of an alarm was over",
    "alarm-seen-there": "an alarm was seen at the basin",
}


class Figure(NamedTuple):
    """One figure of a solution profile: what it is called, what it says, where it came from."""

    name: str
    text: str
    source: str


class Where(NamedTuple):
    """Where a device is: a stage in a few words, and the rest of the sentence."""

    stage: str
    text: str


def figures(profile: Profile) -> list[Figure]:
    """Every figure of a profile in the order of a label."""
    none = "not printed"

    def days(count: int | None) -> str:
        return none if count is None else f"{count} day{'' if count == 1 else 's'}"

    def entered(text: str | None) -> str:
        return "to be entered from the label" if text is None else text

    rows = [
        ("jurisdiction", "Label of", profile.jurisdiction or "not said"),
        (
            "manual",
            "Claim for",
            "soaking by hand" if profile.manual else "automated reprocessors only: never in a basin",
        ),
        ("min_mc", "Minimum temperature", entered(_celsius(profile.min_mc))),
        ("max_mc", "Maximum temperature", _celsius(profile.max_mc) or none),
        ("contact_ms", "Contact time", entered(_duration(profile.contact_ms))),
        ("longest_immersion_ms", "Maximum immersion time", _duration(profile.longest_immersion_ms) or none),
        (
            "single_use",
            "Use",
            "one load, then discarded" if profile.single_use else "again and again, within its limits",
        ),
        ("reuse_days", "Reuse life", days(profile.reuse_days)),
        ("opened_days", "Opened-container use life", days(profile.opened_days)),
        ("activation", "Activation", "it must be activated" if profile.activation else "none"),
        ("activated_days", "Activated life", days(profile.activated_days)),
        ("mec_monitored", "MEC test", _testing(profile)),
        ("mec", "Minimum effective concentration", profile.mec or none),
        ("strip", "Strip", _strip(profile)),
        ("rinses", "Rinses", entered(rinse_words(profile.rinses))),
        ("excluded_kinds", "Devices that must not go in", ", ".join(profile.excluded_kinds) or "none named"),
        ("neutraliser", "Neutralised with", profile.neutraliser or "nothing named"),
        ("product_codes", "Product codes", ", ".join(profile.product_codes) or "none: bottles cannot be scanned"),
    ]
    return [Figure(name, text, profile.sources.get(field, "")) for field, name, text in rows]


def _testing(profile: Profile) -> str:
    if not profile.mec_monitored:
        return "not part of its use"
    return "each use, or daily where the site says so" if profile.mec_daily_allowed else "before each use"


def _celsius(mc: int | None) -> str | None:
    return None if mc is None else celsius(mc)


def _duration(ms: int | None) -> str | None:
    return None if ms is None else in_words(ms)


def _strip(profile: Profile) -> str:
    strip = profile.strip
    if strip is None:
        return "as its own bottle says"
    return f"dip {in_words(strip.dip_ms)}, read from {in_words(strip.read_from_ms)} to {in_words(strip.read_until_ms)}"


def rinse_words(rinses: Rinses | None) -> str | None:
    """How a device is rinsed after the soak; None where nobody has entered it."""
    if rinses is None:
        return None
    volume = "" if rinses.volume_ml is None else f", {rinses.volume_ml} ml each"
    water = f", {rinses.water} water" if rinses.water else ""
    return f"{rinses.count}, at least {in_words(rinses.each_ms)} each, fresh water each{volume}{water}"


def where(device: Device, turn: Turn | None, basin: str, now_ms: int, when: SiteTime) -> Where:
    """Where a device is; `basin` is what people call its round's basin."""
    if device.retired:
        return Where("out of service", "taken out for good")
    if device.quarantine is not None:
        return Where("in quarantine", f"since {when.near(device.quarantine.at_ms, now_ms)}: {device.quarantine.reason}")
    if turn is None:
        return Where("no round yet", "nobody has recorded reprocessing it")
    began, went_in, out = (_near(ms, now_ms, when) for ms in (turn.began_ms, turn.in_ms, turn.out_ms))
    released, used = (_near(each.at_ms if each else None, now_ms, when) for each in (turn.released, turn.used))
    stored = f", in {device.stored_in}" if device.stored_in else ""
    steps = f"{len(turn.steps)} step{'' if len(turn.steps) == 1 else 's'} attested"
    return {
        Stage.PREPARING: Where("being prepared", f"since {began}, {steps}"),
        Stage.SOAKING: Where("in the basin", f"{basin} since {went_in}, load {turn.load}"),
        Stage.SOAKED: Where("taken out", f"of {basin} {out}, not released"),
        Stage.RELEASED: Where("released", f"{released}{stored}"),
        Stage.USED: Where("used", used),
        Stage.ENDED: Where("round ended", "without release"),
    }[turn.stage]


def _near(ms: int | None, now_ms: int, when: SiteTime) -> str:
    return "at a time not recorded" if ms is None else when.near(ms, now_ms)


def record_title(kind: str) -> str:
    """What a record is, in words: a deed's own title, or what the collector did."""
    found = every_deed.DEEDS.get(kind)
    title = (found.__doc__ or kind).partition("\n")[0] if found else _MACHINE.get(kind, kind.replace("-", " "))
    short = title.partition(". ")[0].rstrip(".")
    return short[:1].upper() + short[1:]


def record_about(record: Record) -> str:
    """What a record is about: "fill/F3"; of the collector's own, the basin, node or stream."""
    content: Any = record.content()
    if not isinstance(content, dict):
        return ""
    for name in ("about", "basin", "node", "name", "stream"):
        if isinstance(content.get(name), str):
            return str(content[name])
    return ""
