"""What people and programs write into addresses, checked; a mistake is told with what would be right."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from datetime import date

from collector.read import Basin, Reader
from dashboard.texts import _
from dashboard.trend import FEWEST_POINTS
from dashboard.when import LATEST_MS, SiteTime
from soak.closure import Verdict
from soak.quantity import duration_ms, utc_ms

MOST_POINTS = 20_000
MOST_ROWS = 1_000
FINAL_VERDICTS = tuple(verdict for verdict in Verdict if verdict is not Verdict.RUNNING)


class QueryError(ValueError):
    """Something in the address cannot be used."""


class MissingError(LookupError):
    """There is no such thing."""


def moment_ms(name: str, text: str | None, default_ms: int) -> int:
    """A time: RFC 3339 with an offset, or whole milliseconds since 1970.

    Raises:
        QueryError: Neither, or out of all reason.
    """
    if not text:
        return default_ms
    plus_restored = text.replace(" ", "+") if "T" in text else text  # a bare + in an address means a space
    try:
        ms = int(text) if text.isascii() and text.isdigit() else utc_ms(plus_restored)
    except (ValueError, OverflowError):
        ms = -1
    if not 0 <= ms <= LATEST_MS:
        said = _(
            "{asked} is no time between 1970 and 2100. Write 2026-03-03T13:18:00Z, or whole milliseconds since 1970."
        )
        raise QueryError(said.format(asked=_asked(name, text)))
    return ms


def time_range(since: str | None, until: str | None, last: str | None, now_ms: int, default_ms: int) -> tuple[int, int]:
    """A time range: `last` so long, up to now; or from `since` to `until`.

    Without `until` it ends now, without `since` it is `default_ms` long.

    Raises:
        QueryError: A time or duration cannot be read, the range is empty, or both forms are given.
    """
    if last and (since or until):
        raise QueryError(_("last goes without since and until. Give either last=8h, or since and until."))
    if last:
        return max(0, now_ms - _duration_ms("last", last)), now_ms
    until_ms = moment_ms("until", until, now_ms)
    since_ms = moment_ms("since", since, max(0, until_ms - default_ms))
    if since_ms >= until_ms:
        text = _("since={since} is not before until={until}. Exchange them, or leave one out.")
        raise QueryError(text.format(since=since, until=until or _("now")))
    return since_ms, until_ms


def _duration_ms(name: str, text: str) -> int:
    try:
        ms = duration_ms(text)
    except ValueError as error:
        raise QueryError(f"{name}: {error}") from None
    if not 0 < ms <= LATEST_MS:
        said = _("{asked} is no length of time. Write more than 0, such as {name}=8h.")
        raise QueryError(said.format(asked=_asked(name, text), name=name))
    return ms


def whole(name: str, text: str | None, default: int, least: int, most: int) -> int:
    """A whole number within bounds.

    Raises:
        QueryError: It is not.
    """
    if not text:
        return default
    if not (text.isascii() and text.isdigit() and len(text) < 12 and least <= int(text) <= most):
        said = _("{asked} cannot be used. Write a whole number from {least} to {most}.")
        raise QueryError(said.format(asked=_asked(name, text), least=least, most=most))
    return int(text)


def choice(name: str, text: str | None, words: tuple[str, ...]) -> str:
    """One of some words; the first if nothing is written.

    Raises:
        QueryError: Another word.
    """
    if not text:
        return words[0]
    if text not in words:
        said = _("{asked} cannot be used. Write one of: {words}.")
        raise QueryError(said.format(asked=_asked(name, text), words=", ".join(words)))
    return text


def row(text: str) -> int | None:
    """A row's number; None if it cannot be one."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else None


def points(text: str | None) -> int:
    """How many points a line may have at most."""
    return whole("points", text, 2_000, FEWEST_POINTS, MOST_POINTS)


def verdict(text: str | None) -> Verdict | None:
    """A verdict by its word; None for all.

    Raises:
        QueryError: No such verdict.
    """
    if not text:
        return None
    if text not in FINAL_VERDICTS:
        raise QueryError(f"verdict={text[:60]!r} is none. Write one of: {', '.join(FINAL_VERDICTS)}.")
    return Verdict(text)


def local_day(text: str | None, when: SiteTime) -> tuple[int | None, int | None]:
    """Begin and end of a local day, in milliseconds since 1970; None and None for all days.

    Raises:
        QueryError: No such date.
    """
    if not text:
        return None, None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    if not 1970 < day.year < 2100 or len(text) != 10:
        said = _("{asked} is no date. Write year, month and day, such as 2026-03-03.")
        raise QueryError(said.format(asked=_asked("day", text)))
    return when.day_range(day)


def basin_named(reader: Reader, node: str, name: str) -> Basin:
    """A basin by node and name.

    Raises:
        MissingError: There is none of that name; the nearest is named.
    """
    basins = reader.basins()
    found = next((basin for basin in basins if (basin.node, basin.name) == (node, name)), None)
    if found is None:
        asked, known = f"{node}/{name}", [f"{basin.node}/{basin.name}" for basin in basins]
        said = _("There is no basin {basin}. {nearest}")
        raise MissingError(said.format(basin=repr(asked[:80]), nearest=_nearest(asked, known)))
    return found


def basin_filter(reader: Reader, text: str | None) -> Basin | None:
    """A basin written "node/name"; None for all.

    Raises:
        QueryError: Not written so, or there is none of that name.
    """
    if not text:
        return None
    node, _slash, name = text.partition("/")
    try:
        return basin_named(reader, node, name)
    except MissingError as error:
        raise QueryError(f"basin={text[:80]!r}: {error}") from None


def known_names(asked: Iterable[str], known: Iterable[str]) -> None:
    """Refuse parameters that mean nothing here, for a filter that is not applied shows the wrong rows.

    Raises:
        QueryError: One is not known; the nearest is named.
    """
    choices = sorted(known)
    for name in asked:
        if name not in choices:
            said = _("There is no parameter {name} here. {nearest}")
            raise QueryError(said.format(name=repr(name[:60]), nearest=_nearest(name, choices)))


def _nearest(asked: str, known: list[str]) -> str:
    if not known:
        return _("There are none at all.")
    near = difflib.get_close_matches(asked, known, 1)
    if near:
        return _("Did you mean {name}?").format(name=repr(near[0]))
    return _("Known: {names}.").format(names=", ".join(known[:20]))


def _asked(name: str, text: str) -> str:
    """A parameter as it stands in the address, cut short."""
    return f"{name}={text[:60]!r}"
