"""What is required of a basin, and since when: what its settings say, then what was poured into it."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

from collector.record import shelf
from collector.record.things import Fill, Profile, SensorCheck
from soak.decoding import from_json
from soak.requirement import MAX_GAP_MS, Requirement, SensorTerms


class Required(NamedTuple):
    """What was required of a basin from `since_ms` (milliseconds since 1970) on.

    Attributes:
        since_ms: From then on.
        requirement: What a soak must fulfil; None: nothing is required, so that it is unproven.
        terms: Every required sensor.
        until_ms: Until when the check of each sensor holds that has one with a day on which it is due; later it is
            overdue, and its terms hold all the same.
    """

    since_ms: int
    requirement: Requirement | None
    terms: dict[str, SensorTerms]
    until_ms: Mapping[str, int] = MappingProxyType({})


class Use(NamedTuple):
    """A fill in a basin.

    Attributes:
        from_ms: When it was poured, milliseconds since 1970.
        until_ms: When it was discarded; None while it is in.
        profile: What its label asks as it stands now; None while temperature or time are missing.
    """

    from_ms: int
    until_ms: int | None
    profile: Requirement | None


def required_of(connection: sqlite3.Connection, basin_id: int) -> list[Required]:
    """What has been required of a basin, oldest first."""
    settings = settings_of(connection, basin_id)
    node, name = connection.execute("SELECT node, name FROM basin WHERE id = ?", (basin_id,)).fetchone()
    fills = shelf.find_all(connection, Fill, group=f"{node}/{name}")
    if not settings:
        return settings
    checks = [check for sensor in _sensors(settings) for check in shelf.find_all(connection, SensorCheck, group=sensor)]
    profiles = {fill.profile: shelf.find(connection, Profile, fill.profile) for fill in fills}
    uses = [
        Use(
            fill.poured_ms,
            fill.discarded.at_ms if fill.discarded else None,
            profile.requirement(_max_gap_ms(settings)) if (profile := profiles[fill.profile]) else None,
        )
        for fill in fills
    ]
    return timeline(settings, uses, checks)


def settings_of(connection: sqlite3.Connection, basin_id: int) -> list[Required]:
    """What the settings have required of a basin, oldest first."""
    rows = connection.execute(
        "SELECT since_ms, requirement, sensors FROM requirement WHERE basin_id = ? ORDER BY since_ms, id", (basin_id,)
    ).fetchall()
    return [
        Required(
            since_ms,
            from_json(requirement, Requirement) if requirement else None,
            from_json(sensors, dict[str, SensorTerms]),
        )
        for since_ms, requirement, sensors in rows
    ]


class TermsTold(NamedTuple):
    """Other figures of sensors hold since `since_ms` (milliseconds since 1970); `record` says so."""

    since_ms: int
    record: int


def terms_told(connection: sqlite3.Connection, basin_id: int) -> list[TermsTold]:
    """Which records have changed the figures of a basin's sensors, by the time from which these hold."""
    node, name = connection.execute("SELECT node, name FROM basin WHERE id = ?", (basin_id,)).fetchone()
    told: list[TermsTold] = []
    terms: dict[str, SensorTerms] | None = None
    rows = connection.execute(
        """SELECT json_extract(body, '$.since_ms'), number, json_extract(body, '$.sensors') FROM ledger
           WHERE kind = 'requirement' AND json_extract(body, '$.basin') = ? ORDER BY 1, 2""",
        (f"{node}/{name}",),
    ).fetchall()
    sensors: set[str] = set()
    for since_ms, number, body in rows:
        now = from_json(body, dict[str, SensorTerms])
        if now != terms:
            told.append(TermsTold(since_ms, number))
        terms, sensors = now, sensors | now.keys()
    for sensor in sorted(sensors):
        checks = connection.execute(
            "SELECT at_ms, number FROM thing WHERE kind = ? AND grp = ?", (SensorCheck.KIND, sensor)
        )
        told += [TermsTold(*row) for row in checks]
    return sorted(told)


def timeline(settings: Sequence[Required], uses: Sequence[Use], checks: Sequence[SensorCheck]) -> list[Required]:
    """The three put together.

    From the first pour on a basin is governed by what is in it: between two fills nothing is required, and a soak then
    is unproven. Sensors and their figures come from the settings; a sensor's check changes its figures from then on.

    Args:
        settings: As the settings said, oldest first.
        uses: Fills, by their pour.
        checks: Of the basin's sensors; one that does not count changes nothing.
    """
    moments = {each.since_ms for each in settings} | {check.at_ms for check in checks}
    for use in uses:
        moments |= {use.from_ms} if use.until_ms is None else {use.from_ms, use.until_ms}
    found: list[Required] = []
    for moment in sorted(moments):
        base = [each for each in settings if each.since_ms <= moment]
        requirement, terms = (base[-1].requirement, base[-1].terms) if base else (None, settings[0].terms)
        poured = [use for use in uses if use.from_ms <= moment]
        if poured:
            last = poured[-1]
            requirement = last.profile if last.until_ms is None or moment < last.until_ms else None
        elif not base:
            continue
        newest = _newest(terms, checks, moment)
        checked = {sensor: SensorTerms(check.u_mc, check.correction_mc) for sensor, check in newest.items()}
        until_ms = {sensor: held for sensor, check in newest.items() if (held := check.holds_until_ms()) is not None}
        now = Required(moment, requirement, terms | checked, until_ms)
        if not found or now[1:] != found[-1][1:]:
            found.append(now)
    return found


def _newest(terms: dict[str, SensorTerms], checks: Sequence[SensorCheck], moment: int) -> dict[str, SensorCheck]:
    """The newest check that counts of each required sensor that has one."""
    newest: dict[str, SensorCheck] = {}
    for check in checks:
        if check.counts and check.at_ms <= moment and check.sensor in terms:
            known = newest.get(check.sensor)
            newest[check.sensor] = check if known is None or known.at_ms <= check.at_ms else known
    return newest


def _sensors(settings: Sequence[Required]) -> list[str]:
    return sorted({sensor for each in settings for sensor in each.terms})


def _max_gap_ms(settings: Sequence[Required]) -> int:
    return next((each.requirement.max_gap_ms for each in reversed(settings) if each.requirement), MAX_GAP_MS)
