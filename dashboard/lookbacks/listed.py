"""What one look-back concerns, in the groups in which people act, and what is to be done first. Asks the record."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from collector.lookback.causes import CAUSES, found_again, said
from collector.lookback.described import standing
from collector.lookback.issued import as_csv, as_pdf
from collector.lookback.paper import rows_of
from collector.lookback.people import people_of
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Concerned, Device, LookBack, LookBackList, Outcome, Resolved, Stood, Turn
from dashboard.query import MissingError
from dashboard.record_query import Names, Part
from dashboard.texts import N_, _

MOST_ROWS = 200
"""Of one group on a page; the list that is issued has all."""

PER_PAGE = 50

_TOO_LONG = frozenset({"software-fault"})
"""Causes whose soaks are judged anew: that takes too long for every look at a page."""

GROUPS = {
    Stood.CABINET: (
        N_("In a storage cabinet"),
        N_("Quarantined when it was found. Take them out, then reprocess them."),
    ),
    Stood.RELEASED: (
        N_("Released, no use recorded"),
        N_("Held back. Find them before somebody uses them; nobody recorded where they are."),
    ),
    Stood.IN_PROCESS: (N_("In process"), N_("Held back: they cannot be released from this round.")),
    Stood.USED: (N_("Used"), N_("For infection prevention: the encounters that are on record.")),
    Stood.QUARANTINED: (N_("In quarantine before"), N_("They are not used while that lasts.")),
    Stood.BEGUN_ANEW: (
        N_("Begun anew since"),
        N_("This round was not used as far as the record has it; the newer round stands on its own evidence."),
    ),
    Stood.RETIRED: (N_("Out of service"), N_("Taken out for good.")),
}
"""In the order in which minutes matter."""

_NOW = {
    Stood.CABINET: N_("stored in a cabinet"),
    Stood.RELEASED: N_("released"),
    Stood.IN_PROCESS: N_("in process"),
    Stood.USED: N_("used"),
    Stood.QUARANTINED: N_("put into quarantine"),
    Stood.BEGUN_ANEW: N_("a new round was begun"),
    Stood.RETIRED: N_("taken out of service"),
}

OUTCOMES = {
    Outcome.REPROCESSED: N_("reprocessed"),
    Outcome.CULTURE: N_("culture"),
    Outcome.DESTROYED: N_("destroyed"),
    Outcome.WITHDRAWN: N_("withdrawn"),
    Outcome.NO_RISK: N_("no risk"),
}


class Row(NamedTuple):
    """One round: as it was found, and what has become of it.

    Attributes:
        turn: The round's id.
        found: As it was found.
        since: What has changed since, in words; empty: nothing.
        encounter: The encounter by what is on record now.
        used_ms: When it was used, by what is on record now.
        resolved: What became of its device.
    """

    turn: str
    found: Concerned
    since: str
    encounter: str
    used_ms: int | None
    resolved: Resolved | None


class Group(NamedTuple):
    """Rounds of which the same is to be done."""

    stood: Stood
    title: str
    meaning: str
    rows: list[Row]

    @property
    def waiting(self) -> list[str]:
        """Devices in it that nobody has resolved and that are still where they were found."""
        return list(dict.fromkeys(each.found.device for each in self.rows if each.resolved is None and not each.since))


class Summary(NamedTuple):
    """A look-back in a list: how many devices, how many unresolved, how many uses."""

    look_back: LookBack
    cause: str
    devices: int
    unresolved: int
    used: int


def summary(look_back: LookBack) -> Summary:
    """A look-back in a few figures."""
    used = sum(each.used_ms is not None for each in look_back.concerned.values())
    unresolved = len(look_back.unresolved())
    return Summary(look_back, _(said(look_back.cause)), len(look_back.devices), unresolved, used)


def listed(book: Book, number: int) -> dict[str, object]:
    """Every open one, then a page of those that are closed, the newest first."""
    closed = [each for each in book.all(LookBack, newest_first=True) if not each.open()]
    begin = (number - 1) * PER_PAGE
    return {
        "names": Names(book),
        "open": [summary(each) for each in book.all(LookBack, only_open=True, newest_first=True)],
        "part": Part(
            [summary(each) for each in closed[begin : begin + PER_PAGE]], number, len(closed) > begin + PER_PAGE
        ),
    }


def one(book: Book, look_back_id: str) -> dict[str, object]:
    """One look-back with everything that belongs to it."""
    look_back = book.find(LookBack, look_back_id)
    if look_back is None:
        raise MissingError(
            _("There is no look-back {id}. The list is at /look-backs.").format(id=repr(look_back_id[:80]))
        )
    groups = groups_of(book, look_back, rows_of(book, look_back))
    return {
        "names": Names(book),
        "summary": summary(look_back),
        "look_back": look_back,
        "meaning": _(CAUSES[look_back.cause].meaning) if look_back.cause in CAUSES else "",
        "groups": groups,
        "cabinets": _cabinets(groups),
        "flips": [each for group in groups for each in group.rows if each.found.flips],
        "uses": sum(each.used_ms is not None for group in groups for each in group.rows),
        "new": _new(book, look_back) if look_back.open() else 0,
        "most_rows": MOST_ROWS,
        "people": people_of(book, look_back),
        "lists": book.all(LookBackList, group=look_back.id, newest_first=True),
        "outcome_words": OUTCOMES,
        "to_resolve": look_back.unresolved(),
    }


class File(NamedTuple):
    """A file to be kept: its name, media type and bytes."""

    name: str
    media_type: str
    content: bytes


def issued(book: Book, name: str) -> File:
    """A list that was issued, by its file's name: "KL1.pdf" or "KL1.csv".

    Raises:
        MissingError: There is none.
    """
    list_id, _dot, kind = name.partition(".")
    found = book.find(LookBackList, list_id)
    if found is None or kind not in ("pdf", "csv"):
        said = _("There is no list {name}. A look-back's page names those that were issued.")
        raise MissingError(said.format(name=repr(name[:80])))
    file = f"look-back-{found.look_back}-{name}"
    return File(file, "application/pdf", as_pdf(found)) if kind == "pdf" else File(file, "text/csv", as_csv(found))


def groups_of(book: Book, look_back: LookBack | None, rows: dict[str, Concerned]) -> list[Group]:
    """Rounds in groups, those that would flip first, then the smallest margin."""
    turns = {each.id: each for each in book.many(Turn, rows)}
    devices = {each.id: each for each in book.many(Device, (each.device for each in rows.values()))}
    by_stood: dict[Stood, list[Row]] = {}
    for turn_id, found in rows.items():
        row = _row(look_back, turn_id, found, turns.get(turn_id), devices.get(found.device))
        by_stood.setdefault(found.stood, []).append(row)
    groups = []
    for stood, (title, meaning) in GROUPS.items():
        some = sorted(by_stood.get(stood, ()), key=_urgency)
        if some:
            groups.append(Group(stood, _(title), _(meaning), some))
    return groups


def _row(look_back: LookBack | None, turn_id: str, found: Concerned, turn: Turn | None, device: Device | None) -> Row:
    used = turn.used if turn else None
    since = ""
    if turn is not None:
        now = standing(device, turn)[0]
        quarantined_by_it = now is Stood.QUARANTINED and found.stood is Stood.CABINET
        since = "" if now is found.stood or quarantined_by_it else _(_NOW[now])
    return Row(
        turn_id,
        found,
        since,
        used.encounter if used else found.encounter,
        used.at_ms if used else found.used_ms,
        look_back.resolved.get(found.device) if look_back else None,
    )


def _urgency(row: Row) -> tuple[bool, bool, bool, int, int]:
    found = row.found
    margin = found.allowance_mc if found.allowance_mc is not None else -1
    return row.resolved is not None, not found.flips_drifting, not found.flips, margin, -(found.in_ms or 0)


def _cabinets(groups: Iterable[Group]) -> dict[str, list[str]]:
    """By cabinet, the devices that are to be taken out of it."""
    found: dict[str, list[str]] = {}
    for group in groups:
        for row in group.rows:
            if row.found.stood is Stood.CABINET and row.resolved is None and not row.since:
                found.setdefault(row.found.place, []).append(row.found.device)
    return dict(sorted(found.items()))


def _new(book: Book, look_back: LookBack) -> int:
    """How many rounds the record has for it by now that it does not list; of what is judged anew nobody counts them."""
    if look_back.cause in _TOO_LONG:
        return 0
    try:
        reach = found_again(book, look_back)
    except RefusedError:
        return 0
    return len(reach.concerned.keys() - look_back.concerned.keys()) if reach and look_back.concerned else 0
