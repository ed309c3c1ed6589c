"""The collector's part of `soakledger doctor`: what is wrong with it, its data and its site, and what to do.

Only looks. Each look stands alone: what one of them cannot see hides nothing of the others.
"""

from __future__ import annotations

import datetime
import sqlite3
import subprocess
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from collector import doctor_computer, doctor_record
from collector.conditions import Condition
from collector.errors import DataError, SettingsError
from collector.health import WHOLE_CHECK_BYTES, check, in_full
from collector.read import Reader
from collector.schema import FILE_NAME
from collector.settings import Settings, load
from collector.status import read
from host.doctor import AS_ADMINISTRATOR, Found, Mark
from host.journal import one_line
from soak.quantity import in_words
from soak.wear import RATED_TB

Look = Callable[[], Iterable[Found]]


def look(settings: Path, data: Path) -> list[Found]:
    """Everything that can be looked at.

    Args:
        settings: collector.toml.
        data: The collector's data folder.

    Returns:
        One or more things found for each look; never raises for what is wrong with the site.
    """
    loaded, found = _settings(settings)
    now = datetime.datetime.now(datetime.UTC)
    now_ms = int(now.timestamp() * 1000)
    found += _each("collector", lambda: _collector(data))
    found += _each("database", lambda: _database(data))
    found += _each("disk", lambda: doctor_computer.disk(data, loaded.card_rated_tb if loaded else RATED_TB))
    found += _each("record", lambda: _record(data, loaded, now_ms))
    found += _each("clock", doctor_computer.clock)
    found += _each("services", doctor_computer.services)
    found += _each("certificates", lambda: doctor_computer.certificates(settings, loaded, now))
    if loaded is not None:
        found += _each("broker", lambda: doctor_computer.broker(loaded.broker))
        found += _each("notifications", lambda: doctor_record.routes(loaded))
    return found


def _each(what: str, look_at: Look) -> list[Found]:
    """What a look finds; where it fails, that it could not be made."""
    try:
        return list(look_at())
    except (OSError, sqlite3.Error, DataError, subprocess.SubprocessError) as error:
        said = in_full(error) if isinstance(error, sqlite3.Error) else str(error)
        todo = f"{AS_ADMINISTRATOR} If it stays so, look at the folder and its disk."
        return [Found(what, Mark.UNKNOWN, f"It could not be looked at ({one_line(said)}).", todo)]


def _settings(path: Path) -> tuple[Settings | None, list[Found]]:
    try:
        settings = load(path)
    except SettingsError as error:
        if isinstance(error.__cause__, PermissionError):
            return None, [Found("settings", Mark.UNKNOWN, one_line(str(error)), AS_ADMINISTRATOR)]
        todo = "Mend the settings, then run `soakledger collector --check` with them."
        return None, [Found("settings", Mark.WRONG, f"The collector cannot start: {one_line(str(error))}", todo)]
    without = [basin.label for basin in settings.basin if basin.requirement is None]
    found = [Found("settings", Mark.GOOD, f"{path} is right: {settings.site}, {len(settings.basin)} basins.")]
    if not settings.basin:
        found.append(Found("settings", Mark.NOTE, "No basin is described.", "Describe each under [[basin]]."))
    if without:
        text = f"No requirement in the settings for {', '.join(without)}: only a poured fill sets one."
        found.append(Found("settings", Mark.NOTE, text))
    return settings, found


def _collector(data: Path) -> Iterator[Found]:
    """Whether it runs, by its status file, and everything that it says itself."""
    seen = read(data)
    if seen.closed:
        text = f"Whether it runs cannot be seen: {seen.problem}"
        yield Found("collector", Mark.UNKNOWN, text, AS_ADMINISTRATOR)
        return
    if seen.problem or seen.status is None:
        todo = "Start it: `systemctl start soakledger-collector`; why it ended: `journalctl -u soakledger-collector`."
        yield Found("collector", Mark.WRONG, f"It does not run: nothing new is stored. {seen.problem}", todo)
        return
    status = seen.status
    if status.stored_ms is None:
        yield Found("collector", Mark.NOTE, "It runs, and has stored nothing since its start.")
    else:
        ago = in_words(max(0, (status.said_ms - status.stored_ms) // 1000 * 1000))
        yield Found("collector", Mark.GOOD, f"It runs; it last stored something {ago} ago.")
    for each in status.conditions:
        yield _condition(each)
    if status.left_out:
        text = f"{status.left_out} more conditions stand."
        yield Found("conditions", Mark.WRONG, text, "See `journalctl -u soakledger-collector`.")


def _condition(each: Condition) -> Found:
    words = each.words
    said = " ".join(filter(None, (words.happened, words.means)))
    return Found(f"condition {each.code}", Mark.WRONG, one_line(said), words.todo)


def _database(data: Path) -> Iterator[Found]:
    path = data / FILE_NAME
    if not path.exists() and not data.is_dir():
        text = f"There is no folder {data}."
        yield Found("database", Mark.WRONG, text, "Name the data with --var, or start the collector once.")
        return
    try:
        check(data)
        if not path.exists():
            text = "There is none yet."
            yield Found("database", Mark.NOTE, text, "The collector makes it at its first start.")
            return
        with Reader(data) as reader:
            name = reader.site().get("name", "a site without a name")
    except DataError as error:
        todo = "Keep all files as they are; see the administrator's page on backup and restore."
        yield Found("database", Mark.WRONG, one_line(str(error)), todo)
        return
    size_bytes = path.stat().st_size
    whole = "whole" if size_bytes <= WHOLE_CHECK_BYTES else "in the tables that every message needs"
    text = f"{path.name} of {name} was looked through {whole}: it holds; {size_bytes / 1e6:,.0f} MB."
    yield Found("database", Mark.GOOD, text)


def _record(data: Path, settings: Settings | None, now_ms: int) -> Iterator[Found]:
    """What the database says of backups, nodes and people."""
    if not (data / FILE_NAME).exists():
        return
    try:
        reader = Reader(data)
    except DataError:
        return  # named above
    with reader:
        yield from doctor_record.backups(reader, settings, now_ms)
        yield from doctor_record.nodes(reader, now_ms)
        yield from doctor_record.people(reader)
