"""Figures, days and weeks as people read them. Pure but for the language."""

from __future__ import annotations

from collector.counting.groups import Group, Step
from dashboard.degrees import difference
from dashboard.texts import _
from dashboard.when import SiteTime
from soak.quantity import in_words


def percent(share: float | None) -> str:
    """A share from 0 to 1: "2.8 %"; what is not nothing never reads as nothing, nor what is not all as all."""
    if share is None:
        return _("none")
    if 0 < share < 0.001:
        return _("under 0.1 %")
    if 0.999 < share < 1:
        return _("over 99.9 %")
    return f"{100 * share:.1f}".removesuffix(".0") + " %"


def lasted(ms: float | None) -> str:
    """A duration, also a negative one: "2 min 3 s", "−40 s"; to the second."""
    if ms is None:
        return _("none")
    whole = round(abs(ms) / 1000) * 1000
    return f"−{in_words(whole)}" if ms < 0 and whole else in_words(whole)


def degrees(mc: float | None) -> str:
    """A difference of temperatures, also a negative one: "0.31 °C"; rounded down, the safe way."""
    return _("none") if mc is None else difference(int(mc // 1)).replace("-", "−")


def label(group: Group, step: Step, when: SiteTime, now_ms: int) -> str:
    """What people call a day or a week: "Tue 3 Mar 2026", "Week 10, from Mon 2 Mar 2026 (so far)"."""
    name = when.day(group.since_ms)
    if step is Step.WEEK:
        name = _("Week {week}, from {day}").format(week=group.first.isocalendar().week, day=name)
    return _("{name} (so far)").format(name=name) if group.since_ms <= now_ms < group.until_ms else name


def short(group: Group, step: Step, when: SiteTime) -> str:
    """The same where there is little room: "3 Mar", "week 10"."""
    if step is Step.DAY:
        return " ".join(when.day(group.since_ms).split()[1:3])
    return _("week {week}").format(week=group.first.isocalendar().week)


def between(from_ms: int, until_ms: int | None) -> str:
    """A bar of waits: "under 15 min", "15 min to 30 min", "24 h or more"."""
    if until_ms is None:
        return _("{least} or more").format(least=in_words(from_ms))
    if not from_ms:
        return _("under {most}").format(most=in_words(until_ms))
    return _("{least} to {most}").format(least=in_words(from_ms), most=in_words(until_ms))


def thousands(count: int) -> str:
    """With a thin space: a comma or a point means something else elsewhere."""
    return f"{count:,}".replace(",", "\u202f") if count >= 10_000 else str(count)
