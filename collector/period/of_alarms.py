"""Alarms and response: by kind and priority, how soon they were seen, and by which role. Nobody is named or ranked."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from collector.alarms.keeper import AT_THE_BASIN
from collector.alarms.load import SeenTimes, seen_times
from collector.counting.responses import responses
from collector.period.looking import Looking, utc
from collector.period.parts import Part, Section, Shown, Table, number, plural
from collector.record.things import Alarm, Drill, Person
from soak.alarms import KINDS, Priority
from soak.quantity import in_words


def of_alarms(look: Looking) -> Part:
    """The section of alarms."""
    alarms = look.found.alarms
    tables = []
    if alarms:
        tables = [_by_priority(alarms), _by_kind(alarms)]
    section = Section(
        title="Alarms and response",
        source="recorded by the collector; what was done, declared",
        says=tuple(_says(look, alarms)),
        tables=tuple(tables),
        notes=(
            "Times are from raised to seen, of those that somebody saw while they stood; by the priority that an alarm "
            "has now. Late: readings came late, or the collector was away. This is no certified medical alarm system.",
        ),
    )
    return Part(section, [_table(look, alarms)])


def _says(look: Looking, alarms: Sequence[Alarm]) -> list[str]:
    late = sum(each.late for each in alarms)
    says = [f"{plural(len(alarms), 'alarm')} raised in the range."] if alarms else ["No alarm was raised."]
    if late:
        says.append(f"{number(late)} of them late, when the cause was long over: in the table by kind only.")
    seen = Counter(_role(look, each) for each in alarms if each.seen)
    if seen:
        says.append("Seen by: " + ", ".join(f"{role} {number(count)}" for role, count in sorted(seen.items())) + ".")
    if standing := [each for each in alarms if each.open()]:
        says.append(f"{number(len(standing))} of them still stood when this was issued.")
    if look.asked.everywhere and (drills := look.book.all(Drill, **look.range)):
        confirmed = sum(not each.open() for each in drills)
        says.append(f"{plural(len(drills), 'drill')} of the routes; {confirmed} confirmed by everybody on the list.")
    return says


def _role(look: Looking, alarm: Alarm) -> str:
    """Of who saw it, as on file now."""
    if alarm.seen is None:
        return ""
    if alarm.seen.by == AT_THE_BASIN:
        return "at the basin's button"
    person = look.book.find(Person, alarm.seen.by)
    return " and ".join(person.roles) if person and person.roles else "somebody whose role is not on file"


def _by_priority(alarms: Sequence[Alarm]) -> Shown:
    found = responses(alarms)
    rows = [
        (each.priority.value if each.priority else "All", number(each.raised), *_times(each.times))
        for each in found.by_priority
    ]
    return Shown(
        "By priority",
        ("Priority", "Raised", "Seen", "Half within", "Nine of ten within", "Over unseen", "Not seen yet"),
        tuple(rows),
        widths=(1, 0, 0, 0, 0, 0, 0),
        right=(1, 2, 3, 4, 5, 6),
        total=True,
    )


def _by_kind(alarms: Sequence[Alarm]) -> Shown:
    by_kind: dict[tuple[int, str], list[Alarm]] = defaultdict(list)
    for each in alarms:
        by_kind[each.priority.rank, each.code].append(each)
    rows = []
    for (rank, code), found in sorted(by_kind.items(), key=lambda each: (each[0][0], -len(each[1]), each[0][1])):
        late = sum(each.late for each in found)
        name = KINDS[code].name if code in KINDS else code.replace("-", " ")
        times = seen_times(each for each in found if not each.late)
        rows.append((list(Priority)[rank].value, name, number(len(found)), str(late), *_times(times)))
    head = ("Priority", "Kind", "All", "Late", "Seen", "Half within", "Nine of ten within", "Over unseen", "Not yet")
    return Shown("By kind", head, tuple(rows), widths=(0, 1, 0, 0, 0, 0, 0, 0, 0), right=(2, 3, 4, 5, 6, 7, 8))


def _times(times: SeenTimes) -> tuple[str, ...]:
    return (
        number(times.seen),
        "–" if times.median_ms is None else in_words(times.median_ms // 1000 * 1000),
        "–" if times.p90_ms is None else in_words(times.p90_ms // 1000 * 1000),
        number(times.ended_unseen),
        number(times.not_seen_yet),
    )


def _table(look: Looking, alarms: Sequence[Alarm]) -> Table:
    head = (
        "alarm",
        "code",
        "priority",
        "basin",
        "about",
        "cause_utc",
        "raised_utc",
        "late",
        "seen_utc",
        "seen_by_role",
    )
    more = ("cleared_utc", "ended_utc", "closure")
    rows = (
        (
            *(each.id, each.code, each.priority.value, each.basin, each.about, utc(each.cause_ms), utc(each.raised_ms)),
            "yes" if each.late else "no",
            utc(each.seen.at_ms) if each.seen else None,
            _role(look, each),
            *(utc(each.cleared_ms), utc(each.ended_ms), each.evidence.get("closure")),
        )
        for each in alarms
    )
    return Table("alarms.csv", "Alarms raised in the range", (*head, *more), rows)
