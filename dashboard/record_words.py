"""Words for what the record keeps: a solution's figures with their sources, where a device is, what a record says."""

from __future__ import annotations

from typing import Any, NamedTuple

from collector.ledger import Record
from collector.record import all as every_deed
from collector.record.things import Device, Profile, Rinses, Stage, Turn
from dashboard.degrees import shown
from dashboard.forms import title
from dashboard.texts import N_, _, many
from dashboard.when import SiteTime
from soak.quantity import in_words

_MACHINE = {
    "site-named": N_("the site was named"),
    "basin": N_("a basin was described"),
    "requirement": N_("the settings ask something else of a basin"),
    "clock-synchronised": N_("a node's clock was set"),
    "clock-noted": N_("a clock was found synchronised or not"),
    "page": N_("readings were sealed"),
    "node-commissioned": N_("a node was commissioned"),
    "backup-made": N_("a backup was taken and verified"),
    "node-enrolled": N_("a node got its login at the broker"),
    "node-revoked": N_("a node's login at the broker was ended"),
    "stream": N_("a stream of readings began"),
    "lost": N_("readings are missing"),
    "found": N_("missing readings came"),
    "closure": N_("a closure was judged"),
    "alarm-raised": N_("an alarm was raised"),
    "alarm-risen": N_("an alarm became more urgent: nobody had acted"),
    "alarm-told": N_("somebody was told of an alarm"),
    "alarm-cleared": N_("the cause of an alarm was over"),
    "alarm-seen-there": N_("an alarm was seen at the basin"),
}


_LOOKED_UP = (
    *(N_("met"), N_("not met"), N_("unproven"), N_("running")),
    *(N_("preparing"), N_("soaking"), N_("soaked"), N_("released"), N_("used"), N_("ended")),
    *(N_("point-of-use clean"), N_("leak test"), N_("clean"), N_("rinse"), N_("dried")),
    *(N_("detachable parts off"), N_("channels filled"), N_("no bubbles")),
    *(N_("pass"), N_("fail"), N_("doubtful"), N_("not read")),
    *(N_("technician"), N_("supervisor"), N_("administrator"), N_("auditor")),
    *(N_("high"), N_("medium"), N_("low")),
)
"""Words of the record's own lists, which templates look up where they show them; marked here for the catalogue."""


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
    none = _("not printed")

    def days(count: int | None) -> str:
        return none if count is None else many("{n} day", "{n} days", count).format(n=count)

    def entered(text: str | None) -> str:
        return _("to be entered from the label") if text is None else text

    rows = [
        ("jurisdiction", _("Label of"), profile.jurisdiction or _("not said")),
        (
            "manual",
            _("Claim for"),
            _("soaking by hand") if profile.manual else _("automated reprocessors only: never in a basin"),
        ),
        ("min_mc", _("Minimum temperature"), entered(_celsius(profile.min_mc))),
        ("max_mc", _("Maximum temperature"), _celsius(profile.max_mc) or none),
        ("contact_ms", _("Contact time"), entered(_duration(profile.contact_ms))),
        ("longest_immersion_ms", _("Maximum immersion time"), _duration(profile.longest_immersion_ms) or none),
        (
            "single_use",
            _("Use"),
            _("one load, then discarded") if profile.single_use else _("again and again, within its limits"),
        ),
        ("reuse_days", _("Reuse life"), days(profile.reuse_days)),
        ("opened_days", _("Opened-container use life"), days(profile.opened_days)),
        ("activation", _("Activation"), _("it must be activated") if profile.activation else _("none")),
        ("activated_days", _("Activated life"), days(profile.activated_days)),
        ("mec_monitored", _("MEC test"), _testing(profile)),
        ("mec", _("Minimum effective concentration"), profile.mec or none),
        ("strip", _("Strip"), _strip(profile)),
        ("rinses", _("Rinses"), entered(rinse_words(profile.rinses))),
        ("excluded_kinds", _("Devices that must not go in"), ", ".join(profile.excluded_kinds) or _("none named")),
        ("neutraliser", _("Neutralised with"), profile.neutraliser or _("nothing named")),
        ("product_codes", _("Product codes"), ", ".join(profile.product_codes) or _("none: bottles cannot be scanned")),
    ]
    return [Figure(name, text, profile.sources.get(field, "")) for field, name, text in rows]


def _testing(profile: Profile) -> str:
    if not profile.mec_monitored:
        return _("not part of its use")
    return _("each use, or daily where the site says so") if profile.mec_daily_allowed else _("before each use")


def _celsius(mc: int | None) -> str | None:
    return None if mc is None else shown(mc)


def _duration(ms: int | None) -> str | None:
    return None if ms is None else in_words(ms)


def _strip(profile: Profile) -> str:
    strip = profile.strip
    if strip is None:
        return _("as its own bottle says")
    return _("dip {dip}, read from {begin} to {end}").format(
        dip=in_words(strip.dip_ms), begin=in_words(strip.read_from_ms), end=in_words(strip.read_until_ms)
    )


def rinse_words(rinses: Rinses | None) -> str | None:
    """How a device is rinsed after the soak; None where nobody has entered it."""
    if rinses is None:
        return None
    volume = "" if rinses.volume_ml is None else _(", {volume} ml each").format(volume=rinses.volume_ml)
    water = _(", {water} water").format(water=rinses.water) if rinses.water else ""
    return _("{count}, at least {time} each, fresh water each{volume}{water}").format(
        count=rinses.count, time=in_words(rinses.each_ms), volume=volume, water=water
    )


def where(device: Device, turn: Turn | None, basin: str, now_ms: int, when: SiteTime) -> Where:
    """Where a device is; `basin` is what people call its round's basin."""
    if device.retired:
        return Where(_("out of service"), _("taken out for good"))
    if device.quarantine is not None:
        since = when.near(device.quarantine.at_ms, now_ms)
        text = _("since {at}: {reason}").format(at=since, reason=device.quarantine.reason)
        return Where(_("in quarantine"), text)
    if turn is None:
        return Where(_("no round yet"), _("nobody has recorded reprocessing it"))
    began, went_in, out = (_near(ms, now_ms, when) for ms in (turn.began_ms, turn.in_ms, turn.out_ms))
    released, used = (_near(each.at_ms if each else None, now_ms, when) for each in (turn.released, turn.used))
    stored = _(", in {cabinet}").format(cabinet=device.stored_in) if device.stored_in else ""
    steps = many("{n} step attested", "{n} steps attested", len(turn.steps)).format(n=len(turn.steps))
    return {
        Stage.PREPARING: Where(_("being prepared"), _("since {at}, {steps}").format(at=began, steps=steps)),
        Stage.SOAKING: Where(
            _("in the basin"), _("{basin} since {at}, load {load}").format(basin=basin, at=went_in, load=turn.load)
        ),
        Stage.SOAKED: Where(_("taken out"), _("of {basin} {at}, not released").format(basin=basin, at=out)),
        Stage.RELEASED: Where(_("released"), f"{released}{stored}"),
        Stage.USED: Where(_("used"), used),
        Stage.ENDED: Where(_("round ended"), _("without release")),
    }[turn.stage]


def _near(ms: int | None, now_ms: int, when: SiteTime) -> str:
    return _("at a time not recorded") if ms is None else when.near(ms, now_ms)


def record_title(kind: str) -> str:
    """What a record is, in words: a deed's own title, or what the collector did."""
    found = every_deed.DEEDS.get(kind)
    short = title(found) if found else _(_MACHINE.get(kind, kind.replace("-", " ")))
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
