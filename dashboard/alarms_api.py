"""Alarms for programs: what stands, one with its life, the alarm load."""

from __future__ import annotations

from typing import Annotated

from litestar import Router, get
from litestar.params import FromPath, QueryParameter

from collector.alarms.load import Counts, Load, SeenTimes, ShiftLoad
from collector.record.book import Book
from collector.record.things import Alarm
from dashboard import alarms_load as load_view
from dashboard import query
from dashboard.alarms_query import life
from dashboard.alarms_shapes import (
    AlarmBody,
    AlarmLifeBody,
    AlarmsBody,
    BenchmarkBody,
    CountsBody,
    FrequentBody,
    LoadBody,
    SeenBody,
    SeenTimesBody,
    ShiftBody,
    StandingBody,
    StepBody,
)
from dashboard.alarms_words import name_of, todo_of, urgent_first
from dashboard.api import Last, Since, Until
from dashboard.record_pages import look
from dashboard.record_query import Names, needed
from dashboard.site import AskedSite, only_known_parameters
from dashboard.when import SiteTime
from soak.alarms import Priority

Text = str | None


@get("/api/alarms", summary="Alarms that stand, most urgent first; or all")
async def get_alarms(
    site: AskedSite,
    *,
    all: Annotated[Text, QueryParameter(description="yes: also those that are over, newest first.")] = None,  # noqa: A002
    since: Annotated[Text, QueryParameter(description="With all: raised at or after this time.")] = None,
    until: Annotated[Text, QueryParameter(description="With all: raised before this time.")] = None,
    limit: Annotated[Text, QueryParameter(description="At most so many, 1 to 1000; 200 if not given.")] = None,
    offset: Annotated[Text, QueryParameter(description="Leave out so many first.")] = None,
) -> AlarmsBody:
    """What stands now, unless all are asked for."""
    every = query.choice("all", all, ("no", "yes")) == "yes"
    if not every and (since or until):
        raise query.QueryError("since and until go with all=yes: what stands now stands now. Add all=yes.")
    since_ms = query.moment_ms("since", since, 0) if since else None
    until_ms = query.moment_ms("until", until, 0) if until else None
    most, skip = query.whole("limit", limit, 200, 1, query.MOST_ROWS), query.whole("offset", offset, 0, 0, 10**9)

    def question(book: Book) -> AlarmsBody:
        if every:
            found = book.all(Alarm, since_ms=since_ms, until_ms=until_ms, newest_first=True)
        else:
            found = urgent_first(book.all(Alarm, only_open=True))
        names = Names(book)
        bodies = [_body(each, names, site.when, book.at_ms) for each in found[skip : skip + most]]
        return AlarmsBody(site.when.rfc3339(book.at_ms), book.at_ms, len(found), most, skip, bodies)

    return await look(site, question)


@get("/api/alarms/{alarm_id:str}", summary="One alarm with its life")
async def get_alarm(site: AskedSite, alarm_id: FromPath[str]) -> AlarmLifeBody:
    """One alarm, and every record about it."""

    def question(book: Book) -> AlarmLifeBody:
        alarm = needed(book, Alarm, alarm_id, "/api/alarms")
        steps = [
            StepBody(each.number, site.when.rfc3339(each.at_ms), each.at_ms, each.who, each.text)
            for each in life(book, alarm, site.when)
        ]
        return AlarmLifeBody(_body(alarm, Names(book), site.when, book.at_ms), steps)

    return await look(site, question)


@get("/api/alarms/load", summary="The alarm load of a range, by shift and basin, beside published benchmarks")
async def get_load(
    site: AskedSite,
    *,
    since: Since = None,
    until: Until = None,
    last: Last = None,
    operators: Annotated[
        Text, QueryParameter(description="How many people look after the basins at a time; 1 if not given.")
    ] = None,
) -> LoadBody:
    """The last week, unless asked otherwise. Shifts begin at 06:00, 14:00 and 22:00 local time."""
    span = load_view.span_of(since, until, last, site.when, site.utc_now_ms())
    number = load_view.operators_of(operators)

    def question(book: Book) -> LoadBody:
        return _load_body(load_view.sheet(book, span, number, site.when), span, number, site.when)

    return await look(site, question)


def _body(alarm: Alarm, names: Names, when: SiteTime, now_ms: int) -> AlarmBody:
    seen = alarm.seen
    return AlarmBody(
        id=alarm.id,
        code=alarm.code,
        priority=alarm.priority,
        name=name_of(alarm.code),
        todo=todo_of(alarm.code),
        text=alarm.text,
        about=alarm.about,
        basin=alarm.basin,
        label=names.basin(alarm.basin),
        evidence=alarm.evidence,
        cause_at=when.rfc3339(alarm.cause_ms),
        cause_at_ms=alarm.cause_ms,
        raised_at=when.rfc3339(alarm.raised_ms),
        raised_at_ms=alarm.raised_ms,
        late=alarm.late,
        risen_at_ms=alarm.risen_ms,
        told=alarm.told,
        told_at_ms=alarm.told_ms,
        seen=SeenBody(seen.by, when.rfc3339(seen.at_ms), seen.at_ms, seen.done) if seen else None,
        silenced=alarm.open() and alarm.silenced(now_ms),
        silenced_until_ms=alarm.silenced_until_ms,
        cleared_at_ms=alarm.cleared_ms,
        ended_at_ms=alarm.ended_ms,
        standing=alarm.open(),
    )


def _load_body(found: load_view.Sheet, span: tuple[int, int], operators: int, when: SiteTime) -> LoadBody:
    load: Load = found.load
    times = {"all": load.all_times, **{each.value: load.times[each] for each in Priority}}
    return LoadBody(
        since=when.rfc3339(span[0]),
        since_ms=span[0],
        until=when.rfc3339(span[1]),
        until_ms=span[1],
        operators=operators,
        counts=_counts_body(load.counts),
        per_10_min=load.per_10_min,
        most_in_10_min=load.most_in_10_min,
        shifts=[_shift_body(each, when) for each in load.shifts],
        seen={name: _times_body(each) for name, each in times.items()},
        frequent=[
            FrequentBody(each.code, name_of(each.code), each.basin, each.times, each.share_percent)
            for each in load.frequent
        ],
        standing=[StandingBody(each.alarm.id, each.alarm.code, each.for_ms) for each in found.standing],
        benchmarks=[BenchmarkBody(*each) for each in load_view.benchmarks()],
        caution=load_view.CAUTION,
    )


def _counts_body(counts: Counts) -> CountsBody:
    return CountsBody(counts.high, counts.medium, counts.low, counts.total, counts.late)


def _times_body(times: SeenTimes) -> SeenTimesBody:
    return SeenTimesBody(*times)


def _shift_body(each: ShiftLoad, when: SiteTime) -> ShiftBody:
    shift = each.shift
    return ShiftBody(
        day=shift.day.isoformat(),
        name=shift.name,
        since=when.rfc3339(shift.since_ms),
        since_ms=shift.since_ms,
        until=when.rfc3339(shift.until_ms),
        until_ms=shift.until_ms,
        counts=_counts_body(each.counts),
        by_basin={basin: _counts_body(counts) for basin, counts in each.by_basin.items()},
        per_10_min=each.per_10_min,
        most_in_10_min=each.most_in_10_min,
    )


def alarms_router() -> Router:
    """All of it."""
    handlers = [get_alarms, get_load, get_alarm]
    return Router("/", route_handlers=handlers, guards=[only_known_parameters], tags=["alarms"])
