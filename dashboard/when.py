"""Times as people at the site read them, and back: the zone is given, nothing asks a clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo

from dashboard.texts import N_, _

_DAYS = (N_("Mon"), N_("Tue"), N_("Wed"), N_("Thu"), N_("Fri"), N_("Sat"), N_("Sun"))
_MONTHS = (
    *(N_("Jan"), N_("Feb"), N_("Mar"), N_("Apr"), N_("May"), N_("Jun")),
    *(N_("Jul"), N_("Aug"), N_("Sep"), N_("Oct"), N_("Nov"), N_("Dec")),
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
LATEST_MS = 4_102_444_800_000
"""Start of the year 2100: later times are taken for mistakes."""


class SiteTime:
    """The site's local time.

    Args:
        zone: Time zone; None for the one this machine is set to.
        twelve: Times of day on a clock of twelve hours: "1:18 PM".
    """

    def __init__(self, zone: tzinfo | None = None, *, twelve: bool = False) -> None:
        self._zone, self.twelve = zone, twelve

    def local(self, ms: int) -> datetime:
        """Milliseconds since 1970 as local date and time; out of all reason they stay in UTC at the nearest end."""
        return (_EPOCH + min(max(ms, 0), LATEST_MS) * _MILLISECOND).astimezone(self._zone)

    def clock(self, ms: int) -> str:
        """Time of day: "13:18", or "1:18 PM"."""
        return self._of_day(ms, "%H:%M", "%M")

    def clock_seconds(self, ms: int) -> str:
        """Time of day to the second: "13:18:05", or "1:18:05 PM"."""
        return self._of_day(ms, "%H:%M:%S", "%M:%S")

    def _of_day(self, ms: int, whole: str, after_hour: str) -> str:
        moment = self.local(ms)
        if not self.twelve:
            return f"{moment:{whole}}"
        text = _("{time} AM") if moment.hour < 12 else _("{time} PM")
        return text.format(time=f"{(moment.hour - 1) % 12 + 1}:{moment:{after_hour}}")

    def day(self, ms: int) -> str:
        """Date: "Tue 3 Mar 2026"."""
        moment = self.local(ms)
        weekday, month = _(_DAYS[moment.weekday()]), _(_MONTHS[moment.month - 1])
        return _("{weekday} {day} {month} {year}").format(
            weekday=weekday, day=moment.day, month=month, year=moment.year
        )

    def full(self, ms: int) -> str:
        """Date and time to the second: "Tue 3 Mar 2026 13:18:05"."""
        return f"{self.day(ms)} {self.clock_seconds(ms)}"

    def evidence(self, ms: int) -> str:
        """Date and time to the tenth of a second with the offset, always 24 h: "Tue 3 Mar 2026 13:18:05.2 +01:00"."""
        return f"{self.day(ms)} {self.local(ms):%H:%M:%S}.{ms % 1000 // 100} {self.rfc3339(ms)[-6:]}"

    def near(self, ms: int, now_ms: int) -> str:
        """Time of day, with the date in front unless it is today."""
        return self.clock(ms) if self.local_date(ms) == self.local_date(now_ms) else f"{self.day(ms)} {self.clock(ms)}"

    def ready(self, ms: int, now_ms: int) -> str:
        """The whole minute by which something will be ready: rounded up, so that it never promises too much."""
        return self.near(-(-ms // 60_000) * 60_000, now_ms)

    def rfc3339(self, ms: int) -> str:
        """For programs: "2026-03-03T13:18:05.250+01:00"."""
        return self.local(ms).isoformat(timespec="milliseconds")

    def local_date(self, ms: int) -> date:
        """The local date."""
        return self.local(ms).date()

    def day_range(self, day: date) -> tuple[int, int]:
        """First millisecond of a local day and of the next one; a day may have 23 or 25 hours."""
        return self._midnight(day), self._midnight(day + timedelta(days=1))

    def _midnight(self, day: date) -> int:
        return self.moment_ms(datetime.combine(day, time()))

    def moment_ms(self, local: datetime) -> int:
        """A local date and time, written without a zone, as milliseconds since 1970; of one that comes twice, the
        first.
        """
        moment = local.replace(tzinfo=self._zone) if self._zone else local.astimezone()
        return (moment - _EPOCH) // _MILLISECOND

    def offset_ms(self, ms: int) -> int:
        """Local time minus UTC."""
        return (self.local(ms).utcoffset() or timedelta()) // _MILLISECOND

    def offsets(self, since_ms: int, until_ms: int) -> list[tuple[int, int]]:
        """When which offset from UTC holds within a range.

        Returns:
            Pairs of the time from which it holds and the offset, both in milliseconds; the first is `since_ms`.
        """
        found = [(since_ms, self.offset_ms(since_ms))]
        for start_ms in range(since_ms, until_ms, DAY_MS):
            end_ms = min(start_ms + DAY_MS, until_ms)
            if self.offset_ms(end_ms) != found[-1][1]:
                found.append((self._change(start_ms, end_ms), self.offset_ms(end_ms)))
        return found

    def _change(self, low_ms: int, high_ms: int) -> int:
        """The first millisecond with the offset of `high_ms`."""
        offset_ms = self.offset_ms(high_ms)
        while high_ms - low_ms > 1:
            middle_ms = (low_ms + high_ms) // 2
            if self.offset_ms(middle_ms) == offset_ms:
                high_ms = middle_ms
            else:
                low_ms = middle_ms
        return high_ms
