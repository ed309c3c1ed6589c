"""What the pages of the record ask: things and what belongs to them, a part of a list at a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Generic, NamedTuple, TypeVar

from collector.alarms.keeper import AT_THE_BASIN
from collector.ledger import COLLECTOR
from collector.record.book import Book
from collector.record.rounds.release import release_facts
from collector.record.solutions.due import due_before_next_working_day
from collector.record.solutions.fills import fill_block
from collector.record.solutions.mec import mec_block
from collector.record.things import (
    Bottle,
    Device,
    DeviceType,
    Fill,
    Load,
    LookBack,
    MecTest,
    Person,
    Profile,
    Stage,
    StripBottle,
    Thing,
    Turn,
)
from dashboard.query import MissingError
from dashboard.texts import N_, _

PER_PAGE = 50
RECENT = 20
ON_ONE_PAGE = 200
"""Lists that a site keeps short, such as bottles, are cut here."""

_NO_PERSON = {COLLECTOR: N_("the collector"), AT_THE_BASIN: N_("somebody at the basin")}
"""Who is said to have done something where the record has no person for it; the button's word is the engine's."""

_Thing = TypeVar("_Thing", bound=Thing)
_Row = TypeVar("_Row")


class Part(NamedTuple, Generic[_Row]):
    """A page of a list.

    Attributes:
        rows: What is on it.
        number: Its number, from 1.
        more: There are others behind it.
    """

    rows: Sequence[_Row]
    number: int
    more: bool


class Names:
    """People and basins as they are called."""

    def __init__(self, book: Book) -> None:
        self._people = {person.id: person.name for person in book.all(Person)}
        rows = book.connection.execute("SELECT node, name, label FROM basin ORDER BY id")
        self.basins = {f"{node}/{name}": str(label) for node, name, label in rows}

    def who(self, person: str) -> str:
        """A person, the collector, or whoever pressed a basin's button."""
        return _(_NO_PERSON[person]) if person in _NO_PERSON else self._people.get(person, person)

    def basin(self, key: str) -> str:
        """A basin."""
        return self.basins.get(key, key)


class FillRow(NamedTuple):
    """A fill with what belongs to it.

    Attributes:
        fill: It.
        profile: Its solution.
        block: Why it must not be used; empty: it may be.
        tests: Its last MEC tests, newest first.
        mec_due: A MEC test must pass before the next load.
    """

    fill: Fill
    profile: Profile | None
    block: str
    tests: list[TestRow]
    mec_due: bool


class TestRow(NamedTuple):
    """A MEC test, its fill, and the lot of the strip's bottle."""

    test: MecTest
    fill: Fill | None
    lot: str


class DeviceRow(NamedTuple):
    """A device, its type, its present or last round, the look-backs that hold it, and what to do next."""

    device: Device
    type: DeviceType | None
    turn: Turn | None
    lookbacks: list[LookBack]
    next: str


class LoadRow(NamedTuple):
    """A load, its fill's solution, and its devices' rounds."""

    load: Load
    profile: Profile | None
    turns: list[Turn]


def part(book: Book, kind: type[_Thing], number: int, per_page: int = PER_PAGE, **where: Any) -> Part[_Thing]:
    """A page of the things of a kind; `where` as in `shelf.find_all`."""
    found = book.all(kind, limit=per_page + 1, offset=(number - 1) * per_page, **where)
    return Part(found[:per_page], number, len(found) > per_page)


def needed(book: Book, kind: type[_Thing], thing_id: str, listed_at: str) -> _Thing:
    """A thing by its id.

    Raises:
        MissingError: There is none.
    """
    thing = book.find(kind, thing_id)
    if thing is None:
        raise MissingError(f"There is no {kind.KIND.replace('-', ' ')} {thing_id[:80]!r}. The list is at {listed_at}.")
    return thing


def look_backs_of(
    book: Book, *, devices: Sequence[str] = (), turns: Sequence[str] = (), fills: Sequence[str] = ()
) -> list[LookBack]:
    """Look-backs that concern one of these, the newest first."""
    wanted = {*devices}, {*turns}, {*fills}
    return [
        each
        for each in book.all(LookBack, newest_first=True)
        if any(some & set(of) for some, of in zip(wanted, (each.devices, each.turns, each.fills), strict=True))
    ]


def solutions(book: Book) -> dict[str, object]:
    """Everything that is poured, or may be, and its tests."""
    names = Names(book)
    by_basin = [book.all(Fill, group=basin, only_open=True, newest_first=True, limit=1) for basin in names.basins]
    return {
        "names": names,
        "fills": [fill_row(book, fill, 1) for found in by_basin for fill in found],
        "due": due_before_next_working_day(book),
        "tests": [_test_row(book, test) for test in book.all(MecTest, newest_first=True, limit=RECENT)],
        "bottles": book.all(Bottle, only_open=True, limit=ON_ONE_PAGE),
        "strip_bottles": book.all(StripBottle, only_open=True, limit=ON_ONE_PAGE),
        "profiles": book.all(Profile, only_open=True, limit=ON_ONE_PAGE),
        "profile_names": profile_names(book),
    }


def fill_row(book: Book, fill: Fill, most_tests: int) -> FillRow:
    """A fill with what belongs to it."""
    refusal = fill_block(book, fill, book.at_ms)
    tests = book.all(MecTest, group=fill.id, newest_first=True, limit=most_tests)
    profile = book.find(Profile, fill.profile)
    due = profile is not None and refusal is None and mec_block(book, fill, profile, book.at_ms) is not None
    return FillRow(fill, profile, refusal.text if refusal else "", [_test_row(book, test) for test in tests], due)


def profile_names(book: Book) -> dict[str, str]:
    """Solutions by their id."""
    return {profile.id: profile.name for profile in book.all(Profile)}


def fills(book: Book, number: int) -> dict[str, object]:
    """All fills there have been, newest first."""
    return {
        "names": Names(book),
        "part": part(book, Fill, number, newest_first=True),
        "profile_names": profile_names(book),
    }


def one_fill(book: Book, fill_id: str) -> dict[str, object]:
    """One fill: pour, tests, loads, discard."""
    fill = needed(book, Fill, fill_id, "/fills")
    loads = [each for each in book.all(Load, group=fill.basin, since_ms=fill.poured_ms) if each.fill == fill.id]
    return {
        "names": Names(book),
        "row": fill_row(book, fill, ON_ONE_PAGE),
        "loads": loads[:ON_ONE_PAGE],
        "lookbacks": look_backs_of(book, fills=[fill.id]),
    }


def devices(book: Book, number: int, show: str, find: str) -> dict[str, object]:
    """Devices by asset number; the few that are held back are found among all."""
    wanted = find.strip().lower()

    def fits(device: Device) -> bool:
        held = device.quarantine is not None or bool(device.lookbacks)
        shown = device.retired if show == "retired" else not device.retired and (held or show != "held back")
        return shown and (not wanted or any(wanted in text.lower() for text in (device.id, device.serial, device.type)))

    found = [device for device in book.all(Device) if fits(device)]
    begin = (number - 1) * PER_PAGE
    rows = [device_row(book, device) for device in found[begin : begin + PER_PAGE]]
    return {"names": Names(book), "part": Part(rows, number, len(found) > begin + PER_PAGE), "total": len(found)}


def device_row(book: Book, device: Device) -> DeviceRow:
    """A device with what belongs to it."""
    lookbacks = [found for each in device.lookbacks if (found := book.find(LookBack, each))]
    turn, device_type = book.find(Turn, device.turn) if device.turn else None, book.find(DeviceType, device.type)
    return DeviceRow(device, device_type, turn, lookbacks, _next(book, device, device_type, turn))


_NEXT = {
    Stage.SOAKING: N_("Keep the lid closed until its soak is met."),
    Stage.RELEASED: N_("It may be used."),
    Stage.USED: N_("Begin a round when it comes from use."),
    Stage.ENDED: N_("Begin a round when it comes from use."),
}


def _next(book: Book, device: Device, device_type: DeviceType | None, turn: Turn | None) -> str:
    if device.retired:
        return ""
    if device.quarantine is not None:
        return device.quarantine.next_action
    if device.lookbacks:
        return _("Do not use it: a supervisor concludes look-back {id}.").format(id=device.lookbacks[0])
    stage = Stage.ENDED if turn is None else turn.stage
    if turn is None or stage in _NEXT:
        return _(_NEXT[stage])
    missing = release_facts(book, turn)[1] if device_type else ()
    return missing[0].next_step if missing else _("Release it.")


def loads(book: Book, number: int) -> dict[str, object]:
    """Loads, newest first."""
    found = part(book, Load, number, newest_first=True)
    rows = [load_row(book, load) for load in found.rows]
    return {"names": Names(book), "part": Part(rows, found.number, found.more)}


def load_row(book: Book, load: Load) -> LoadRow:
    """A load with what belongs to it."""
    fill = book.find(Fill, load.fill)
    turns = [turn for each in load.turns if (turn := book.find(Turn, each))]
    return LoadRow(load, book.find(Profile, fill.profile) if fill else None, turns)


def _test_row(book: Book, test: MecTest) -> TestRow:
    bottle = book.find(StripBottle, test.strip_bottle)
    return TestRow(test, book.find(Fill, test.fill), bottle.lot if bottle else "")
