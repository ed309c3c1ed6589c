"""The site's own rules, and where each default comes from."""

from __future__ import annotations

from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from msgspec import UNSET, UnsetType

from collector.record.book import Book, as_date
from collector.record.deed import KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.said import given
from collector.record.solutions.needs import need_reason
from collector.record.things import AlarmDelay, Date, LastDay, MecPolicy, Note, Policy

SOURCES: dict[str, str] = {
    "time_zone": "as this machine is set",
    "mec": "before each use: side-by-side summary of endoscope-reprocessing guidelines; HICPAC sample audit tool for "
    "flexible endoscopes (both published)",
    "last_day": "labels print days and do not say how they count (our own choice)",
    "longest_immersion_ms": "60 min where the label prints none (our own choice)",
    "thermometer": "off: the sensors measure before each use, as audit checklists ask (published, secondary)",
    "thermometer_valid_ms": "our own choice",
    "sensor_check_days": "none: the site sets its interval",
    "lid_moved_today": "our own choice: a switch that is stuck closed would fake a soak",
    "every_closing_is_a_load": "off: most closures hold nothing (our own choice)",
    "working_days": "Monday to Friday (our own choice)",
    "closed_on": "none: the site enters its holidays",
    "neutralise": "off: local codes decide; waste can be hazardous waste (US patent 6531634, background; published)",
    "disposal_rule": "none: the site enters what local codes ask",
    "glycine_g_per_us_gallon": "25 g as a minimum: common practice (from memory; several public sources repeat it)",
    "alarm_on_ms": "our own choice: a hand in the basin does not last ten seconds",
    "alarm_off_ms": "our own choice: longer than the way back on, so that one alarm stays one",
    "alarm_cold_rises_ms": "our own choice",
    "alarm_next_person_ms": "our own choice",
    "alarm_lid_open_ms": "our own choice: longer than loading a basin takes",
    "alarm_soak_waits_ms": "our own choice: well within the maximum immersion time",
    "retention_years": "10: the longest of 3 and 7 years (CDC/HICPAC guideline 2008; published) and 5 to 10 years "
    "(study guide for technicians; published)",
}
"""Where each default of the policy comes from."""

_Unset = UnsetType


@deed
class SetPolicy(Deed, frozen=True, kw_only=True):
    """Set the site's rules.

    Attributes:
        time_zone: IANA name, e.g. "Europe/Berlin".
        mec: How often the solution is tested.
        last_day: How use lives in days are counted; it holds for what is opened and poured from now on.
        longest_immersion_ms: Where the label prints no maximum immersion time.
        thermometer: An independent thermometer reading is asked for before each use.
        thermometer_valid_ms: For how long one counts.
        sensor_check_days: A sensor's check is due so many days after the last; null: no interval.
        lid_moved_today: The lid switch must have been seen to move today.
        every_closing_is_a_load: Treat every closing as a load.
        working_days: Weekdays on which the site works, Monday is 0.
        closed_on: Dates on which it does not.
        neutralise: Solution is neutralised before it goes to the drain.
        disposal_rule: What local rules say about it.
        glycine_g_per_us_gallon: For ortho-phthalaldehyde.
        retention_years: How long records are kept.
        alarm_on_ms: What is wrong with the temperature during a soak is an alarm after so long.
        alarm_off_ms: And no longer one after so long without it.
        alarm_cold_rises_ms: Solution too cold becomes a high alarm after so long unseen.
        alarm_next_person_ms: A high alarm that nobody has seen goes to the next person after so long.
        alarm_lid_open_ms: A lid may stand open over solution for so long.
        alarm_soak_waits_ms: A soak that has met may wait in the solution for so long.
    """

    NAME = "set-policy"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    time_zone: Annotated[str, msgspec.Meta(max_length=60)] | _Unset = UNSET
    mec: MecPolicy | _Unset = UNSET
    last_day: LastDay | _Unset = UNSET
    longest_immersion_ms: Annotated[int, msgspec.Meta(ge=60_000, le=400 * 24 * 3_600_000)] | _Unset = UNSET
    thermometer: bool | _Unset = UNSET
    thermometer_valid_ms: Annotated[int, msgspec.Meta(ge=60_000, le=400 * 24 * 3_600_000)] | _Unset = UNSET
    sensor_check_days: Annotated[int, msgspec.Meta(ge=1, le=3_660)] | _Unset | None = UNSET
    lid_moved_today: bool | _Unset = UNSET
    every_closing_is_a_load: bool | _Unset = UNSET
    working_days: (
        Annotated[tuple[Annotated[int, msgspec.Meta(ge=0, le=6)], ...], msgspec.Meta(min_length=1, max_length=7)]
        | _Unset
    ) = UNSET
    closed_on: Annotated[tuple[Date, ...], msgspec.Meta(max_length=400)] | _Unset = UNSET
    neutralise: bool | _Unset = UNSET
    disposal_rule: Note | _Unset = UNSET
    glycine_g_per_us_gallon: Annotated[int, msgspec.Meta(ge=25, le=1_000)] | _Unset = UNSET
    retention_years: Annotated[int, msgspec.Meta(ge=1, le=100)] | _Unset = UNSET
    alarm_on_ms: AlarmDelay | _Unset = UNSET
    alarm_off_ms: AlarmDelay | _Unset = UNSET
    alarm_cold_rises_ms: AlarmDelay | _Unset = UNSET
    alarm_next_person_ms: AlarmDelay | _Unset = UNSET
    alarm_lid_open_ms: AlarmDelay | _Unset = UNSET
    alarm_soak_waits_ms: AlarmDelay | _Unset = UNSET

    def perform(self, book: Book) -> Policy:
        """Only what is given changes."""
        need_reason(self, "Changing the site's rules")
        changes: dict[str, Any] = given(self)
        if zone := changes.get("time_zone"):
            _refuse_unknown_zone(zone)
        if "working_days" in changes:
            changes["working_days"] = tuple(sorted(set(changes["working_days"])))
        if "closed_on" in changes:
            changes["closed_on"] = tuple(sorted({as_date(date).isoformat() for date in changes["closed_on"]}))
        return book.put(msgspec.structs.replace(book.policy, **changes))


def _refuse_unknown_zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise RefusedError(
            "time-zone",
            f"{name!r} is no time zone that this machine knows.",
            "Type its IANA name, for instance Europe/Berlin or America/Chicago.",
        ) from None
