"""Where one can go from every page, and which help fits it. Pure."""

from __future__ import annotations

from typing import NamedTuple

from dashboard.texts import N_, _


class Way(NamedTuple):
    """One link of the navigation.

    Attributes:
        key: What a page calls itself (`here`) to be marked as the one that is open.
        address: Where it leads.
        text: Its word, in English.
        room: How wide a page must be for it to stand in the bar: "" always, "mid" from a tablet on, "wide" on a desk.
            Where there is no room, it stands under More.
    """

    key: str
    address: str
    text: str
    room: str = ""

    @property
    def word(self) -> str:
        """Its word."""
        return _(self.text)


BAR = (
    Way("today", "/", N_("Today")),
    Way("loads", "/loads", N_("Loads")),
    Way("devices", "/devices", N_("Devices"), "mid"),
    Way("solutions", "/solutions", N_("Solutions"), "mid"),
    Way("alarms", "/alarms", N_("Alarms")),
    Way("audit", "/audit", N_("Audit"), "wide"),
    Way("statistics", "/statistics", N_("Statistics"), "wide"),
    Way("help", "/help", N_("Help"), "wide"),
)
DOING = (
    Way("start", "/start", N_("Start a soak")),
    Way("release", "/release", N_("Release")),
    Way("do", "/do", N_("Record something"), "mid"),
)
MORE = (
    Way("report", "/report", N_("Period report")),
    Way("look-backs", "/look-backs", N_("Look-backs")),
    Way("unassigned", "/unassigned", N_("Unassigned")),
    Way("closures", "/closures", N_("Closures")),
    Way("review", "/review", N_("Review")),
    Way("evidence", "/evidence", N_("Evidence")),
    Way("sensors", "/sensors", N_("Sensors")),
    Way("record", "/record", N_("Record")),
    Way("people", "/people", N_("People")),
    Way("site", "/site", N_("Site")),
    Way("about", "/about", N_("About")),
)

_HELP = {
    "technician": ("today", "start", "release", "loads", "do", "me", "sign-in", "sensors"),
    "supervisor": ("devices", "solutions", "review", "people", "statistics", "unassigned", "look-backs"),
    "auditor": ("audit", "closures", "evidence", "report", "record"),
    "keeper": ("site", "about", "sign-ins"),
    "alarms": ("alarms",),
}
_HELP_OF = {here: page for page, keys in _HELP.items() for here in keys}


def help_for(here: str) -> str:
    """The address of the help for a page that calls itself so."""
    return f"/help/{_HELP_OF[here]}" if here in _HELP_OF else "/help"
