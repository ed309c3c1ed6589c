"""What the pages of the ledger ask."""

from __future__ import annotations

from typing import NamedTuple

from collector import ledger
from collector.ledger import COLLECTOR, Record
from collector.machine import ClosureJudged
from collector.record.book import Book
from collector.record.things import KINDS, Mapping, MecTest, Turn
from dashboard import commissioned
from dashboard.query import MissingError
from dashboard.record_query import PER_PAGE, Names, Part
from dashboard.record_words import record_about
from dashboard.texts import N_, _
from dashboard.when import SiteTime

_PAGES = {
    "fill": "/fills/{}",
    "profile": "/profiles/{}",
    "device": "/devices/{}",
    "load": "/loads/{}",
    "alarm": "/alarms/{}",
    "issued": "/evidence/{}",
    "period-report": "/report/{}",
    "person": "/people",
    "reference": "/references#{}",
    "sensor-check": "/sensor-checks/{}",
    "bottle": "/solutions",
    "strip-bottle": "/solutions",
    "review": "/review?day={}",
    "handover": "/review",
    "transcript": "/review",
    "look-back": "/look-backs/{}",
    "look-back-list": "/api/look-back-lists/{}.pdf",
}


class About(NamedTuple):
    """What a record is about, in words, and the page that shows it; empty where there is none."""

    text: str
    href: str


def about(book: Book, names: Names, record: Record) -> About:
    """What a record is about."""
    if record.kind == ClosureJudged.KIND and (row := _judged(book, record.number)):
        return About(_("a closure in {basin}").format(basin=_basin_of(book, names, row)), f"/closures/{row}")
    said = record_about(record)
    kind, _slash, thing_id = said.partition("/")
    if kind not in KINDS or not thing_id:
        return About(names.basin(said), f"/basins/{said}" if said in names.basins else "")
    text = names.who(thing_id) if kind == "person" else f"{_kind_words(kind)} {thing_id}"
    return About(text, page_of(book, kind, thing_id))


def _judged(book: Book, number: int) -> int | None:
    """The closure whose verdict a record holds."""
    row = book.connection.execute("SELECT id FROM closure WHERE number = ?", (number,)).fetchone()
    return int(row[0]) if row else None


def _basin_of(book: Book, names: Names, row: int) -> str:
    (key,) = book.connection.execute(
        "SELECT b.node || '/' || b.name FROM closure c JOIN basin b ON b.id = c.basin_id WHERE c.id = ?", (row,)
    ).fetchone()
    return names.basin(key)


def page_of(book: Book, kind: str, thing_id: str) -> str:
    """The page that shows a thing; empty where there is none."""
    if kind == "turn" and (turn := book.find(Turn, thing_id)):
        return f"/devices/{turn.device}"
    if kind == "mec-test" and (test := book.find(MecTest, thing_id)):
        return f"/fills/{test.fill}"
    if kind == "mapping" and (study := book.find(Mapping, thing_id)):
        return f"/sensors/{study.sensor}"
    return _PAGES.get(kind, "").format(thing_id)


_KINDS = {
    "alarm": N_("alarm"),
    "bottle": N_("bottle"),
    "closure-note": N_("note on closure"),
    "device": N_("device"),
    "device-type": N_("type of device"),
    "drill": N_("drill"),
    "fill": N_("fill"),
    "handover": N_("handover note"),
    "issued": N_("paper"),
    "load": N_("load"),
    "look-back": N_("look-back"),
    "look-back-list": N_("list of a look-back"),
    "mapping": N_("mapping study"),
    "mec-test": N_("MEC test"),
    "period-report": N_("period report"),
    "policy": N_("rules of the"),
    "profile": N_("solution profile"),
    "reference": N_("reference thermometer"),
    "review": N_("review"),
    "strip-bottle": N_("strip bottle"),
    "transcript": N_("paper form"),
    "turn": N_("round"),
}


def _kind_words(kind: str) -> str:
    return _(_KINDS.get(kind, kind.replace("-", " ")))


def entries(book: Book, number: int, *, only_said: bool) -> dict[str, object]:
    """A page of records, newest first, and the end of the chain; `only_said`: what people said."""
    where = "who <> ?" if only_said else "? IS NOT NULL"
    rows = book.connection.execute(
        f"SELECT number FROM ledger WHERE {where} ORDER BY number DESC LIMIT ? OFFSET ?",  # noqa: S608 - of our own
        (COLLECTOR, PER_PAGE + 1, (number - 1) * PER_PAGE),
    ).fetchall()
    found = [each for (row,) in rows[:PER_PAGE] if (each := ledger.record(book.connection, row))]
    names = Names(book)
    abouts = {each.number: about(book, names, each) for each in found}
    return {
        "names": names,
        "about": lambda record: abouts[record.number],
        "head": ledger.head(book.connection),
        "part": Part(found, number, len(rows) > PER_PAGE),
    }


def entry(book: Book, number: int | None, asked: str, when: SiteTime) -> dict[str, object]:
    """One record, the hash before it, and whether its own hash holds.

    Raises:
        MissingError: There is no such record.
    """
    found = ledger.record(book.connection, number) if number else None
    if found is None:
        raise MissingError(f"There is no record {asked[:40]!r}. The newest are at /record.")
    previous = _previous(book, found)
    site = ledger.site_id(book.connection)
    names = Names(book)
    told = about(book, names, found)
    return {
        "names": names,
        "about": lambda _: told,
        "commissioned": commissioned.told(found, when),
        "head": ledger.head(book.connection),
        "site_id": site,
        "record": found,
        "previous": previous,
        "holds": ledger.hashed(site, found, previous) == found.hash,
    }


def _previous(book: Book, record: Record) -> str:
    before = ledger.record(book.connection, record.number - 1)
    return before.hash if before else ledger.BEFORE_THE_FIRST
