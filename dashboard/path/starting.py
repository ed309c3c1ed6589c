"""From scans to a load on record: the deeds that a basin's scan stands for, done together or not at all.

No rule stands here that a deed has: `rehearse` performs the deeds in a book that is thrown away.
"""

from __future__ import annotations

import enum
from typing import NamedTuple

from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.rounds.admission import refuse_solution
from collector.record.rounds.loads import AddDevice, AnnounceOpening, StartLoad, load_in, turns_of
from collector.record.rounds.rounds import basin_name, in_service, last_turn, not_quarantined
from collector.record.rounds.soaks import soak_of
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.things import Device, DeviceType, Fill, Load, Profile, Stage, Step, Turn
from dashboard.door import Signed
from dashboard.texts import _

DECLARED = "Declared on the start page, all at once, as done before this moment."
"""The note of steps that were attested so: the record says how it was said, in the record's own language."""

IN_SOLUTION = (Step.CHANNELS_FILLED, Step.NO_BUBBLES)
"""Steps that are done with the device in the basin: nobody can have done them under a lid that is on."""


class Phase(enum.StrEnum):
    """What the lid has to do for a load."""

    OPEN_FIRST = "open first"
    CLOSE = "close"
    SOAKING = "soaking"
    OPENED = "opened"
    OUT = "out"


class Started(NamedTuple):
    """A load that holds what was scanned.

    Attributes:
        load: Its id.
        again: It did already; nothing was recorded now.
    """

    load: str
    again: bool


def before_soak(book: Book, device_id: str) -> tuple[Deed, ...]:
    """What is not on record yet for a device that is to be soaked: its round begun, its type's steps attested.

    Raises:
        RefusedError: It is retired, in quarantine, or not recorded at all.
    """
    device = in_service(book, device_id)
    not_quarantined(book, device)
    turn = last_turn(book, device)
    going_on = turn is not None and turn.stage is Stage.PREPARING
    begin: tuple[Deed, ...] = () if going_on else (BeginTurn(device=device.id),)
    steps = missing_steps(book, device)
    return (*begin, AttestSteps(device=device.id, steps=steps, note=DECLARED)) if steps else begin


def missing_steps(book: Book, device: Device) -> tuple[Step, ...]:
    """Pre-soak steps of its type that are not on record for the round that is, or will be, begun."""
    turn = last_turn(book, device)
    done = turn.steps if turn is not None and turn.stage is Stage.PREPARING else {}
    return tuple(step for step in book.get(DeviceType, device.type).steps if step.value not in done)


def rehearse(book: Book, device_id: str, basin: str = "") -> None:
    """Whether a device could go into a load now, as far as that concerns the device.

    Args:
        book: Of one who looks; what is put into it goes nowhere.
        device_id: Its asset number.
        basin: Into which, if that is known.

    Raises:
        RefusedError: It could not.
    """
    for deed in before_soak(book, device_id):
        deed.perform(book)
    profile = profile_in(book, basin) if basin else None
    if profile is not None:
        refuse_solution(book, book.get(Device, device_id), profile)


def profile_in(book: Book, basin: str) -> Profile | None:
    """The solution that is in a basin now."""
    fill = next(iter(book.all(Fill, group=basin, only_open=True, newest_first=True, limit=1)), None)
    return book.find(Profile, fill.profile) if fill else None


def record_steps(desk: Desk, signed: Signed, devices: tuple[str, ...]) -> int:
    """Begin rounds and attest steps without a basin: whoever puts the devices in may be somebody else.

    Returns:
        How many deeds were done.

    Raises:
        RefusedError: A rule stands against one; none was recorded.
    """
    with desk.transaction():
        return sum(_prepare(desk, signed, each) for each in devices)


def begin_round(desk: Desk, signed: Signed, device_id: str) -> None:
    """Begin a device's round if none is open, so that its steps can be attested one by one.

    Raises:
        RefusedError: A rule stands against it; nothing was recorded.
    """
    with desk.transaction():
        for deed in before_soak(Book.looking(desk.connection, desk.clock()), device_id):
            if isinstance(deed, BeginTurn):
                _do(desk, signed, deed)


def start(desk: Desk, signed: Signed, devices: tuple[str, ...], basin: str, *, adding: bool) -> Started:
    """Put devices on record as going into a basin: a new load, or more of the one that is there.

    Args:
        desk: Where.
        signed: Who says so.
        devices: Asset numbers.
        basin: Which basin.
        adding: They have been told that a soak runs there and that its time starts again.

    Raises:
        RefusedError: A rule stands against it; nothing was recorded.
    """
    with desk.transaction():
        book = Book.looking(desk.connection, desk.clock())
        load = load_in(book, basin)
        inside = {turn.device for turn in _in_it(book, load)} if load else set()
        new = tuple(each for each in devices if each not in inside)
        if load is not None and not new:
            return Started(load.id, again=True)
        _refuse_under_lid(book, new, basin)
        for each in new:
            _prepare(desk, signed, each)
        if load is None:
            return Started(_do(desk, signed, StartLoad(basin=basin, devices=new)), again=False)
        if phase_of(book, load) not in (Phase.CLOSE, Phase.OPEN_FIRST):
            if not adding:
                raise busy(book, load)
            if book.closed_since_ms(basin) is not None:
                _do(desk, signed, AnnounceOpening(basin=basin))
        return Started(_do(desk, signed, AddDevice(basin=basin, devices=new)), again=False)


def busy(book: Book, load: Load) -> RefusedError:
    """Another load is in the basin and has been closed over already."""
    return RefusedError(
        "basin-busy",
        f"{basin_name(book, load.basin)} holds load {load.id} since {book.near_text(load.began_ms)}, "
        f"started by {book.name_of(load.by)}.",
        "Use another basin and scan that. If they are to go in with it, its time starts again for all not yet met.",
    )


def phase_of(book: Book, load: Load) -> Phase:
    """What the lid has to do next, by the device that went in last."""
    if not load.open():
        return Phase.OUT
    newest = max(_in_it(book, load), key=lambda turn: turn.in_ms or 0, default=None)
    if newest is None:
        return Phase.OUT
    soak = soak_of(book, newest)
    if soak.running_since_ms is not None:
        return Phase.SOAKING
    if soak.closures:
        return Phase.OPENED
    return Phase.CLOSE if book.closed_since_ms(load.basin) is None else Phase.OPEN_FIRST


def _in_it(book: Book, load: Load) -> list[Turn]:
    return [turn for turn in turns_of(book, load) if turn.stage is Stage.SOAKING]


def _refuse_under_lid(book: Book, devices: tuple[str, ...], basin: str) -> None:
    if book.closed_since_ms(basin) is None:
        return
    for each in devices:
        device = book.find(Device, each)
        early = [step for step in (missing_steps(book, device) if device else ()) if step in IN_SOLUTION]
        if early:
            raise RefusedError(
                "lid-closed",
                _("The lid of {basin} is on: {device} cannot lie in it yet, and “{step}” is done in the basin.").format(
                    basin=basin_name(book, basin), device=each, step=early[0].value
                ),
                _("Open the lid, put it in, do that step, then scan the basin and close the lid."),
            )


def _prepare(desk: Desk, signed: Signed, device_id: str) -> int:
    book = Book.looking(desk.connection, desk.clock())
    return len([_do(desk, signed, deed) for deed in before_soak(book, device_id)])


def _do(desk: Desk, signed: Signed, deed: Deed) -> str:
    return desk.do_within(deed, signed.person.id, second_factor=signed.second_factor).id
