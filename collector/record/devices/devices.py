"""Devices: each with its asset number, from its first day to its last. Rounds and storage are in other modules."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import UNSET, UnsetType

from collector.record import shelf
from collector.record.book import Book
from collector.record.deed import KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.said import given, need_reason
from collector.record.things import Device, DeviceType, Id, Stage, Turn
from collector.scan import read_udi

Serial = Annotated[str, msgspec.Meta(max_length=80)]
Udi = Annotated[str, msgspec.Meta(max_length=200)]


@deed
class RecordDevice(Deed, frozen=True, kw_only=True):
    """Record a device.

    Attributes:
        id: Its asset number, as on its own label.
        type: Its device type.
        serial: Serial number; taken from the UDI if that names one.
        udi: Unique device identification, as scanned or as printed with parentheses.
    """

    NAME = "record-device"
    ROLES = KEEPERS

    id: Id
    type: Id
    serial: Serial = ""
    udi: Udi = ""

    def perform(self, book: Book) -> Device:
        """An asset number is of one device for ever, whatever its letters' case."""
        taken = shelf.find_by(book.connection, Device, "id", self.id)
        if taken:
            raise RefusedError(
                "device-exists",
                f"{taken[0].id} is recorded already{' and retired' if taken[0].retired else ''}: "
                "an asset number is never given twice.",
                "Compare the label. To change what is on file, change that device.",
            )
        return _put(book, Device(id=self.id, type=self.type, serial=self.serial, udi=self.udi))


@deed
class ChangeDevice(Deed, frozen=True, kw_only=True):
    """Correct what is on file for a device. What is not given stays; a reason is asked for.

    Attributes:
        id: Its asset number.
        type: Its device type.
        serial: Serial number; empty takes it away.
        udi: Unique device identification; empty takes it away.
    """

    NAME = "change-device"
    ROLES = KEEPERS

    id: Id
    type: Id | UnsetType = UNSET
    serial: Serial | UnsetType = UNSET
    udi: Udi | UnsetType = UNSET

    def perform(self, book: Book) -> Device:
        """As for a new one, with a reason."""
        before = book.get(Device, self.id)
        need_reason(self, f"What is on file for {self.id} is changed only with a reason.", "Say why it was wrong.")
        return _put(book, msgspec.structs.replace(before, **given(self)))


@deed
class RetireDevice(Deed, frozen=True, kw_only=True):
    """Take a device out of service for good. Its history stays.

    Attributes:
        id: Its asset number.
    """

    NAME = "retire-device"
    ROLES = KEEPERS

    id: Id

    def perform(self, book: Book) -> Device:
        """Not while it lies in a basin. Its round ends, so that no release of it is left over."""
        device = book.get(Device, self.id)
        need_reason(self, f"{self.id} is retired only with a reason.", "Say why it goes, and where it goes.")
        turn = book.find(Turn, device.turn) if device.turn else None
        if turn and turn.stage is Stage.SOAKING:
            raise RefusedError(
                "device-in-basin", f"{self.id} lies in basin {turn.basin}.", "Take it out first, then retire it."
            )
        if turn and turn.open():
            book.put(msgspec.structs.replace(turn, stage=Stage.ENDED))
        stored_nowhere = {"stored_in": "", "stored_ms": None, "hang_until_ms": None}
        return book.put(msgspec.structs.replace(device, retired=True, **stored_nowhere))


@deed
class ReinstateDevice(Deed, frozen=True, kw_only=True):
    """Put a retired device back into service. It has to be reprocessed before its next use.

    Attributes:
        id: Its asset number.
    """

    NAME = "reinstate-device"
    ROLES = KEEPERS

    id: Id

    def perform(self, book: Book) -> Device:
        """With a reason; a quarantine that was on it stays."""
        device = book.get(Device, self.id)
        need_reason(self, f"{self.id} comes back into service only with a reason.", "Say why it is in service again.")
        return book.put(msgspec.structs.replace(device, retired=False))


def _put(book: Book, said: Device) -> Device:
    """Check a device against its type and all other devices."""
    device_type = book.get(DeviceType, said.type, _record_type_first(book))
    udi = read_udi(said.udi, book.local_date(book.at_ms))
    serial = said.serial.strip()
    if serial and udi.serial and serial != udi.serial:
        raise RefusedError(
            "serial-differs",
            f"The serial number {serial!r} is not the one in the UDI, {udi.serial!r}.",
            "Compare both with the device, and correct the wrong one.",
        )
    device = msgspec.structs.replace(said, serial=serial or udi.serial, udi=udi.text)
    if device.serial:
        _refuse_twin(book, device, udi.gtin, device_type.name)
    return book.put(device)


def _refuse_twin(book: Book, device: Device, gtin: str, type_name: str) -> None:
    """No two devices with one serial number of the same product or type."""
    today = book.local_date(book.at_ms)
    for other in shelf.find_by(book.connection, Device, "serial", device.serial):
        same_product = bool(gtin) and read_udi(other.udi, today).gtin == gtin
        if other.id != device.id and (same_product or other.type == device.type):
            what = "product code and serial number" if same_product else f"serial number among the {type_name} devices"
            raise RefusedError(
                "serial-taken",
                f"{other.id} has the same {what}: {device.serial}.",
                "Compare both devices. If it is one device with two labels, keep the asset number that is recorded.",
            )


def _record_type_first(book: Book) -> str:
    known = ", ".join(each.id for each in book.all(DeviceType, limit=20)) or "none yet"
    return f"Record the device type first, or choose one of those recorded: {known}."
