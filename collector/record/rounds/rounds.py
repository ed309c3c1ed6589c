"""What several deeds ask about a device and its round."""

from __future__ import annotations

from collector.record.book import Book
from collector.record.errors import RefusedError, UnknownThingError
from collector.record.things import Device, Stage, Turn


def basin_name(book: Book, basin: str) -> str:
    """A basin as people call it.

    Raises:
        UnknownThingError: There is no such basin.
    """
    node, _, name = basin.partition("/")
    row = book.connection.execute("SELECT label FROM basin WHERE node = ? AND name = ?", (node, name)).fetchone()
    if row is None:
        raise UnknownThingError("basin", basin, "Choose a basin of the list, or name it in the collector's settings.")
    return str(row[0])


def basins(book: Book) -> list[str]:
    """Every basin, "node/name"."""
    rows = book.connection.execute("SELECT node, name FROM basin ORDER BY node, name").fetchall()
    return [f"{node}/{name}" for node, name in rows]


def in_service(book: Book, device_id: str) -> Device:
    """A device that is not retired.

    Raises:
        RefusedError: It is, or nobody has recorded it.
    """
    device = book.get(Device, device_id)
    if device.retired:
        raise RefusedError(
            "device-retired",
            f"{device.id} was taken out of service for good.",
            "Scan the right device; if it is in service after all, a supervisor reinstates it.",
        )
    return device


def not_quarantined(book: Book, device: Device) -> None:
    """Raises: RefusedError: the device is in quarantine; says who, when, why and what next."""
    quarantine = device.quarantine
    if quarantine is not None:
        raise RefusedError(
            "quarantined",
            f"{device.id} is in quarantine since {book.local_text(quarantine.at_ms)}, "
            f"put there by {book.name_of(quarantine.by)}: {quarantine.reason}",
            f"Next: {quarantine.next_action} Then a supervisor lifts the quarantine.",
        )


def last_turn(book: Book, device: Device) -> Turn | None:
    """A device's present or last round."""
    return book.find(Turn, device.turn) if device.turn else None


def round_at(book: Book, device_id: str, *stages: Stage) -> tuple[Device, Turn]:
    """A device and its round, which must stand at one of these stages.

    Raises:
        RefusedError: It does not; the text says where it stands.
    """
    device = in_service(book, device_id)
    turn = last_turn(book, device)
    if turn is not None and turn.stage in stages:
        return device, turn
    if turn is not None and turn.stage is Stage.SOAKING:
        raise elsewhere(book, turn)
    raise RefusedError("stage", *_standing(book, device, turn))


def elsewhere(book: Book, turn: Turn) -> RefusedError:
    """The device lies in a basin: who put it there and when."""
    return RefusedError(
        "device-in-basin",
        f"{turn.device} is in {basin_name(book, turn.basin)} since {book.local_text(turn.in_ms or turn.began_ms)} "
        f"(load {turn.load}), put in by {book.name_of(turn.in_by)}.",
        "Take it out there first, or scan the right device.",
    )


def _standing(book: Book, device: Device, turn: Turn | None) -> tuple[str, str]:
    """Where a round stands and what may follow, in words."""
    begin = f"Begin a round with {device.id}."
    if turn is None:
        return f"{device.id} has no round: nobody has begun to reprocess it.", begin
    match turn.stage:
        case Stage.PREPARING:
            when = f"{book.local_text(turn.began_ms)} by {book.name_of(turn.by)}"
            return (
                f"{device.id} has not been soaked: its round {turn.id} was begun {when}.",
                "Attest its steps and start a load with it.",
            )
        case Stage.SOAKED:
            return (
                f"{device.id} was taken out {_when(book, turn.out_ms, turn.out_by)} and not released.",
                f"Rinse, dry and release it; if its soak was not met, begin a new round with {device.id}.",
            )
        case Stage.RELEASED:
            released = turn.released
            when = _when(book, released.at_ms, released.by) if released else ""
            return f"{device.id} was released {when}.", "Record its use, or begin a new round with it."
        case Stage.USED:
            used = turn.used
            return f"{device.id} was used {_when(book, used.at_ms, used.by) if used else ''}.", begin
        case _:
            return f"Round {turn.id} of {device.id} has ended.", begin


def _when(book: Book, at_ms: int | None, by: str) -> str:
    return f"{book.local_text(at_ms or 0)} by {book.name_of(by)}"
