"""What one press on the release page records: one deed for each device, whatever becomes of the others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from collector.record.book import Book
from collector.record.deed import Deed
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.rounds.loads import TakeOut
from collector.record.rounds.release import Release
from collector.record.rounds.rinses import AttestDried, BeginRinse, EndRinse, rinses_needed
from collector.record.rounds.rounds import last_turn
from collector.record.things import Device, Stage
from dashboard.door import Signed
from dashboard.path.waiting import Step
from dashboard.query import QueryError
from dashboard.texts import _


class Outcome(NamedTuple):
    """What became of a press.

    Attributes:
        done: Devices for which it is on record now.
        before: What somebody had done already, in words; nothing was recorded twice.
        refused: Why not, in words with what to do.
    """

    done: tuple[str, ...]
    before: tuple[str, ...]
    refused: tuple[RefusedError, ...]


def release_all(
    desk: Desk, signed: Signed, devices: Sequence[str], note: str, *, second_factor: bool, once: str
) -> Outcome:
    """Release devices, each by a record of its own.

    Args:
        desk: Where.
        signed: Who releases.
        devices: Asset numbers.
        note: In their words.
        second_factor: They have given PIN or password.
        once: The form's key: sent again, nothing is released twice.

    Raises:
        RefusedError: No PIN was given; nothing was recorded.
    """
    if not second_factor:
        raise RefusedError("second-factor", "This takes a PIN or password besides the badge.", "Enter your PIN.")

    def deed(device: str) -> Deed:
        return Release(devices=(device,), note=note)

    return _each(desk, signed, devices, deed, once, second_factor=second_factor, before=_released_before)


def step_all(desk: Desk, signed: Signed, step: Step, devices: Sequence[str], once: str) -> Outcome:
    """Record the same step after the soak for several devices.

    Raises:
        QueryError: No press records this step.
    """
    if step in (Step.TAKE_OUT, Step.CAME_OUT):
        return _take_out(desk, signed, devices, once, at_last_opening=step is Step.CAME_OUT)

    def deed(device: str) -> Deed:
        match step:
            case Step.RINSE:
                return BeginRinse(device=device, fresh_water=True, water=_water(desk, device))
            case Step.END_RINSE:
                return EndRinse(device=device)
            case Step.DRY:
                return AttestDried(device=device)
        raise QueryError(f"No press records {step.value!r}. Go to /release and look again.")

    return _each(desk, signed, devices, deed, once, second_factor=signed.second_factor, before=_rinsed_before)


def _each(
    desk: Desk,
    signed: Signed,
    devices: Sequence[str],
    deed: Callable[[str], Deed],
    once: str,
    *,
    second_factor: bool,
    before: Callable[[Desk, str, RefusedError], str],
) -> Outcome:
    done, earlier, refused = list[str](), list[str](), list[RefusedError]()
    for device in devices:
        try:
            desk.do(deed(device), signed.person.id, second_factor=second_factor, once=f"{once}.{device}")
            done.append(device)
        except RefusedError as refusal:
            words = before(desk, device, refusal)
            if words:
                earlier.append(words)
            else:
                refused.append(refusal)
    return Outcome(tuple(done), tuple(earlier), tuple(refused))


def _released_before(desk: Desk, device_id: str, refusal: RefusedError) -> str:
    """Somebody else was quicker: no mistake of anybody's."""
    if refusal.rule != "stage":
        return ""
    book = Book.looking(desk.connection, desk.clock())
    device = book.find(Device, device_id)
    turn = last_turn(book, device) if device else None
    return refusal.text if turn is not None and turn.stage is Stage.RELEASED else ""


def _rinsed_before(_desk: Desk, _device_id: str, refusal: RefusedError) -> str:
    return refusal.text if refusal.rule in ("rinse-running", "no-rinse", "dried-twice") else ""


def _water(desk: Desk, device_id: str) -> str:
    """The water that the button named: what the label, or the device's maker, asks for."""
    book = Book.looking(desk.connection, desk.clock())
    turn = last_turn(book, book.get(Device, device_id))
    needed = rinses_needed(book, turn) if turn else None
    return needed.water if needed else ""


def _take_out(desk: Desk, signed: Signed, devices: Sequence[str], once: str, *, at_last_opening: bool) -> Outcome:
    """One deed for a load: its devices come out of the basin together."""
    book = Book.looking(desk.connection, desk.clock())
    turn = last_turn(book, book.get(Device, devices[0]))
    if turn is None or turn.stage is not Stage.SOAKING:
        text = _("{device} has been taken out already.").format(device=devices[0])
        return Outcome((), (text,), ())
    deed = TakeOut(basin=turn.basin, devices=tuple(devices), at_last_opening=at_last_opening)
    try:
        desk.do(deed, signed.person.id, second_factor=signed.second_factor, once=f"{once}.{turn.load}")
    except RefusedError as refusal:
        return Outcome((), (), (refusal,))
    return Outcome(tuple(devices), (), ())
