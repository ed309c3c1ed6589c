"""The doctor's looks at the record and the settings: backups, nodes, people, notifications."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

from collector.backup.schedule import last_backup
from collector.clock_watch import OFF_MS
from collector.credentials import Kind
from collector.read import NodeNow, Reader
from collector.record.book import Book
from collector.record.things import Person, Role
from collector.settings import BackupSettings, Settings
from collector.upkeep import HEARD_MS
from host.disk import judge_wear
from host.doctor import MANY_WAITING, Found, Mark
from host.journal import one_line
from soak.quantity import in_words, utc_ms


def backups(reader: Reader, settings: Settings | None, now_ms: int) -> Iterator[Found]:
    """How old the last one is, whether more are planned, and whether there is room."""
    last, planned = last_backup(reader.connection), settings.backup if settings else None
    limit_ms = (planned or BackupSettings(folder="")).too_old_ms()
    if last is None:
        todo = "Set [backup] in collector.toml, or run `soakledger backup` now."
        yield Found("backup", Mark.WRONG, "None is on record: if this disk fails, everything is lost.", todo)
    else:
        age_ms = max(0, now_ms - last.made_ms)
        text = f"The last one is {in_words(age_ms // 60_000 * 60_000)} old: {last.name} in {last.folder}."
        todo = "Run `soakledger backup`; look at the folder's disk." if age_ms > limit_ms else ""
        yield Found("backup", Mark.WRONG if todo else Mark.GOOD, text, todo)
        if not (Path(last.folder) / last.name).is_dir():
            text = f"{last.name} is not in {last.folder} now."
            yield Found("backup", Mark.NOTE, text, "Good if it was moved to a safe place; else find it.")
    if planned is None and settings is not None:
        text = "The collector takes none by itself."
        yield Found("backup plan", Mark.NOTE, text, "Set [backup] in collector.toml unless other means take them.")
    elif planned is not None:
        yield Found("backup plan", Mark.GOOD, f"Each day at {planned.at}, to {planned.folder}.")
        yield from _room(Path(planned.folder), last.bytes if last else 0)


def _room(folder: Path, copy_bytes: int) -> Iterator[Found]:
    if not folder.is_dir():
        text = f"{folder} is not there."
        yield Found("backup folder", Mark.NOTE, text, "The first backup makes it; check that its disk is mounted.")
        return
    free_bytes = shutil.disk_usage(folder).free
    text = f"{free_bytes / 1e6:,.0f} MB are free, the last copy took {copy_bytes / 1e6:,.0f} MB."
    short = free_bytes < 2 * copy_bytes
    todo = "Move old backups elsewhere: none is ever taken away by this program." if short else ""
    yield Found("backup folder", Mark.WRONG if short else Mark.GOOD, text, todo)


def nodes(reader: Reader, now_ms: int) -> Iterator[Found]:
    """Each node: when it was last heard, what it says, its version, clock and card."""
    known = reader.nodes()
    if not known:
        yield Found("nodes", Mark.NOTE, "None has spoken yet.", "Install one, and enrol it: `soakledger enrol`.")
    for each in known:
        yield from _node(each, now_ms)


def _node(node: NodeNow, now_ms: int) -> Iterator[Found]:
    what, state = f"node {node.node}", node.state
    age_ms = max(0, now_ms - node.heard_ms)
    ago = in_words(age_ms // 1000 * 1000)
    if not node.up or age_ms > HEARD_MS:
        todo = f"Check its power and network; run `soakledger doctor` on {node.node}."
        yield Found(what, Mark.WRONG, f"Last heard {ago} ago: its basins are not watched from here.", todo)
        return
    wrong = list(_wrong(node))
    for text, todo in wrong:
        yield Found(what, Mark.WRONG, text, todo)
    own = version("soakledger")
    if state.version and state.version != own:
        yield Found(what, Mark.NOTE, f"Its version is {state.version}, here it is {own}.", "Upgrade the older one.")
    yield judge_wear(f"{what}, card", state.disk)
    if not wrong:
        yield Found(what, Mark.GOOD, f"Heard {ago} ago; {state.outbox} readings wait for a receipt.")


def _wrong(node: NodeNow) -> Iterator[tuple[str, str]]:
    """What is wrong with a node that speaks, and what to do."""
    state = node.state
    if state.outbox > MANY_WAITING:
        todo = "They follow by themselves; if they do not, check the broker's access rules for this node."
        yield f"{state.outbox} readings wait in its outbox.", todo
    if state.dropped:
        yield f"It gave {state.dropped} readings up since its boot.", "Look at its disk; they are on record as lost."
    if state.clock is not None and not state.clock.synced:
        yield "Its clock is not synchronised: times of day may be off.", "Check its time server."
    elif state.clock is not None and abs(utc_ms(state.clock.utc) - node.heard_ms) > OFF_MS:
        yield "Its clock differs from the collector's.", "Check the time server of both machines."
    for trouble in state.troubles:
        yield f"It says: {one_line(trouble)}.", f"Run `soakledger doctor` on {node.node}."


def people(reader: Reader) -> Iterator[Found]:
    """Whether somebody can administer the site, with a secret that nobody else knows."""
    everybody = [each for each in Book.looking(reader.connection, 0).all(Person) if each.active]
    administrators = [each.id for each in everybody if Role.ADMINISTRATOR in each.roles]
    if not administrators:
        todo = "Run `soakledger people first` on the collector, see `soakledger people --help`."
        yield Found("people", Mark.WRONG, "Nobody is an administrator: nobody can add people or set secrets.", todo)
        return
    secrets: dict[str, list[bool]] = {}
    rows = reader.connection.execute(
        "SELECT person, temporary FROM credential WHERE kind IN (?, ?)", (Kind.PIN, Kind.PASSWORD)
    )
    for person, temporary in rows.fetchall():
        secrets.setdefault(person, []).append(bool(temporary))
    able = [each for each in administrators if not all(secrets.get(each, [True]))]
    if not able:
        todo = "Let one of them sign in and choose a secret of their own."
        yield Found("people", Mark.WRONG, "No administrator has a secret of their own.", todo)
    waiting = [each.id for each in everybody if secrets.get(each.id) and all(secrets[each.id])]
    if waiting:
        text = f"{len(waiting)} of {len(everybody)} people have only a secret that somebody else chose."
        yield Found("people", Mark.NOTE, text, "They choose their own when they next sign in.")
    if able:
        yield Found("people", Mark.GOOD, f"{len(everybody)} work here, {len(administrators)} administer.")


def routes(settings: Settings) -> Iterator[Found]:
    """Whether anybody is told of alarms."""
    if not settings.notify:
        todo = "Name people under [[notify]] in collector.toml."
        yield Found("notifications", Mark.NOTE, "Nobody is told of alarms away from the basins and pages.", todo)
        return
    text = f"{len(settings.notify)} people are told of alarms."
    if settings.drill_at is None:
        yield Found("notifications", Mark.NOTE, text, "Set drill_at, so that each day shows whether it reaches them.")
    else:
        yield Found("notifications", Mark.GOOD, f"{text} A drill is held each day at {settings.drill_at}.")
