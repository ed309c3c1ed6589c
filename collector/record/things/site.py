"""The site's own rules."""

from __future__ import annotations

import datetime
import enum
from typing import Annotated, ClassVar

import msgspec

from collector.record.things.base import Date, Days, Millis, Note, Thing


class MecPolicy(enum.StrEnum):
    """How often the solution is tested. Each use is the published rule; daily only where label and policy say so."""

    EACH_USE = "each use"
    DAILY = "daily"


class LastDay(enum.StrEnum):
    """What "14 days" means: to the minute, or whole calendar days with the last one counting or not."""

    TO_THE_MINUTE = "to the minute"
    COUNTS = "counts"
    DOES_NOT_COUNT = "does not count"


AlarmDelay = Annotated[int, msgspec.Meta(ge=0, le=3_600_000)]


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
        alarm_on_ms: What is wrong with the temperature during a soak is an alarm after so long.
        alarm_off_ms: And no longer one after so long without it: what flickers is one alarm.
        alarm_cold_rises_ms: Solution too cold becomes a high alarm after so long unseen.
        alarm_next_person_ms: A high alarm that nobody has seen goes to the next person after so long.
        alarm_lid_open_ms: A lid may stand open over solution for so long.
        alarm_soak_waits_ms: A soak that has met may wait in the solution for so long.
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
    alarm_on_ms: AlarmDelay = 10_000
    alarm_off_ms: AlarmDelay = 30_000
    alarm_cold_rises_ms: AlarmDelay = 3 * 60_000
    alarm_next_person_ms: AlarmDelay = 2 * 60_000
    alarm_lid_open_ms: AlarmDelay = 10 * 60_000
    alarm_soak_waits_ms: AlarmDelay = 10 * 60_000

    def works_on(self, day: datetime.date) -> bool:
        """The site works on this day."""
        return day.weekday() in self.working_days and day.isoformat() not in self.closed_on
