"""What the timers of a basin's page are told: they count in the browser, by the server's time, without the server."""

from __future__ import annotations

import msgspec

from collector.record.things import MecTest, Rinses
from dashboard.basin_facts import BasinFacts, StripsAtHand
from dashboard.look import BasinSeen
from dashboard.when import SiteTime


class AboutTimers(msgspec.Struct, frozen=True):
    """What is needed to count.

    Attributes:
        offset_ms: What to add to UTC for the site's local time: a tablet may be set to another zone.
        now_ms: The server's time as this was made, milliseconds since 1970: a tablet's own clock may be wrong.
        fill: What may be tested; empty: nothing is in the basin, or no MEC test belongs to it.
        strips: With which strips, and their times; empty: the person types them from the strip bottle.
        waiting: A strip that the record knows to wait: every tablet counts for it.
        last_dip_ms: When a strip was last dipped in this fill, as the record has it: a timer up to there is done with.
        rinse_of: The load, or else the fill, after which is rinsed.
        devices: Those whose rinses are not complete on record.
        rinses: What is asked; None: the person types it from the label.
    """

    now_ms: int
    offset_ms: int
    fill: str
    strips: tuple[StripsAtHand, ...]
    waiting: MecTest | None
    last_dip_ms: int | None
    rinse_of: str
    devices: tuple[str, ...]
    rinses: Rinses | None


def about_timers(basin: BasinSeen, facts: BasinFacts, now_ms: int, when: SiteTime) -> str:
    """As JSON."""
    fill, profile, test = basin.standing.fill, basin.standing.profile, basin.standing.test
    tested = fill is not None and profile is not None and profile.mec_monitored
    about = AboutTimers(
        now_ms=now_ms,
        offset_ms=when.offset_ms(now_ms),
        fill=fill.id if fill and tested else "",
        strips=facts.strips,
        waiting=facts.waiting,
        last_dip_ms=test.dipped_ms if test else None,
        rinse_of=facts.rinsing.about,
        devices=facts.rinsing.devices,
        rinses=facts.rinsing.asked,
    )
    return msgspec.json.encode(about).decode()
