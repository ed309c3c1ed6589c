"""Who on the list is told of what, and when. Pure."""

from __future__ import annotations

import datetime

from collector.settings import NotifySettings
from soak.alarms import Priority


def reaches(person: NotifySettings, priority: Priority, local: datetime.datetime, *, closed_day: bool) -> bool:
    """Whether somebody is told of an alarm now. High always is: quiet hours and closed days never mute it.

    Args:
        person: Of the list.
        priority: Of the alarm as it stands.
        local: Now, in the site's local time.
        closed_day: The site does not work today.
    """
    if priority is Priority.HIGH:
        return True
    if priority.rank > person.least.rank or (closed_day and not person.closed_days):
        return False
    return not quiet_now(person, local.time())


def quiet_now(person: NotifySettings, time: datetime.time) -> bool:
    """It is within the person's quiet hours: from their first minute, until their end."""
    hours = person.quiet_hours()
    if hours is None:
        return False
    begin, end = hours
    return begin <= time < end if begin < end else time >= begin or time < end
