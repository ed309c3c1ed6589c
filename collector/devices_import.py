"""Devices out of a CSV file: every line a deed of the person who imports it, all of them or none."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from typing import NamedTuple, TypeVar

import msgspec

from collector.devices_csv import CsvError, Problem, Row
from collector.record import shelf
from collector.record.deed import Deed
from collector.record.desk import Desk
from collector.record.devices.devices import ChangeDevice, RecordDevice, ReinstateDevice, RetireDevice
from collector.record.errors import RefusedError
from collector.record.things import Device, DeviceType
from collector.scan_pieces import ScanError
from soak.decoding import converted

_Deed = TypeVar("_Deed", bound=Deed)

_FIELD_OF = {"type": "type", "serial": "serial", "udi": "udi"}
_COLUMN_OF_RULE = {
    "unknown-device-type": "type",
    "serial-differs": "serial",
    "serial-taken": "serial",
    "device-in-basin": "retired",
    "device-exists": "asset_number",
}
_NOT_OF_A_LINE = frozenset({"role", "not-signed-in", "second-factor", "clock-behind"})
"""Refusals of the whole import."""

_MOST_PROBLEMS = 50


class Imported(NamedTuple):
    """What an import does.

    Attributes:
        lines: For each device that is new or changes, what happens to it, in words.
        unchanged: Devices that stay as they are.
    """

    lines: list[str]
    unchanged: int


class _OnlyLookedError(Exception):
    """Takes back what was tried."""


def import_devices(desk: Desk, rows: list[Row], who: str, reason: str, *, write: bool) -> Imported:
    """Record and change devices as a file says. Devices that are not in it stay as they are.

    Args:
        desk: Where.
        rows: Of the file.
        who: The person who does it, as they have proven it.
        reason: Why, for every change.
        write: False: only say what would happen.

    Raises:
        CsvError: Lines that a rule stands against; nothing was recorded.
        RefusedError: The person may not do it; nothing was recorded.
    """
    imported = Imported([], 0)
    with suppress(_OnlyLookedError), desk.transaction():
        imported = _import(desk, rows, who, reason)
        if not write:
            raise _OnlyLookedError
    return imported


def _import(desk: Desk, rows: list[Row], who: str, reason: str) -> Imported:
    types = _types(desk)
    problems: list[Problem] = []
    lines: list[str] = []
    first_line: dict[str, int] = {}
    unchanged = 0
    for row in rows:
        asset = row.cells["asset_number"]
        if asset.lower() in first_line:
            text = f"{asset!r} stands in line {first_line[asset.lower()]} already. Keep one of them."
            problems.append(Problem(row.line, "asset_number", text))
            continue
        first_line[asset.lower()] = row.line
        try:
            done = [words for deed, words in _deeds(desk, row, types, reason) if _do(desk, deed, who)]
        except msgspec.ValidationError as error:
            problems.append(_invalid(row, error))
        except RefusedError as error:
            if error.rule in _NOT_OF_A_LINE:
                raise
            column = "udi" if isinstance(error, ScanError) else _COLUMN_OF_RULE.get(error.rule, "")
            problems.append(Problem(row.line, column, f"{error.text} {error.next_step}"))
        else:
            unchanged += not done
            lines += [f"{asset}: {'; '.join(done)}"] if done else []
    if problems:
        raise CsvError(problems[:_MOST_PROBLEMS])
    return Imported(lines, unchanged)


def _do(desk: Desk, deed: Deed, who: str) -> bool:
    """Do it; False if nothing changes by it."""
    try:
        desk.do_within(deed, who, second_factor=True)
    except RefusedError as error:
        if error.rule == "no-change":
            return False
        raise
    return True


def _deeds(desk: Desk, row: Row, types: dict[str, str], reason: str) -> Iterator[tuple[Deed, str]]:
    """What has to be done for a line, each with what it is in words; the next is made when the one before is done."""
    asset = row.cells["asset_number"]
    said = {field: row.cells[column] for field, column in _FIELD_OF.items() if column in row.cells}
    said["type"] = types.get(said["type"].lower(), said["type"])
    device = shelf.find(desk.connection, Device, asset)
    if device is None:
        yield _checked(RecordDevice, id=asset, **said), f"new, {said['type']}"
    else:
        differing = {field: text for field, text in said.items() if text != getattr(device, field)}
        if differing:
            words = ", ".join(
                f"{field} from {getattr(device, field) or 'nothing'} to {text or 'nothing'}"
                for field, text in differing.items()
            )
            yield _checked(ChangeDevice, id=asset, reason=reason, **differing), words
    if "retired" not in row.cells:
        return
    retired, was = row.cells["retired"].lower() == "yes", device is not None and device.retired
    if retired and not was:
        yield _checked(RetireDevice, id=asset, reason=reason), "retired"
    elif was and not retired:
        yield _checked(ReinstateDevice, id=asset, reason=reason), "in service again"


def _types(desk: Desk) -> dict[str, str]:
    """Device types by their id and, where only one has it, by their name."""
    known = shelf.find_all(desk.connection, DeviceType)
    names = [each.name.lower() for each in known]
    by_name = {each.name.lower(): each.id for each in known if names.count(each.name.lower()) == 1}
    return by_name | {each.id.lower(): each.id for each in known}


def _checked(kind: type[_Deed], **said: str) -> _Deed:
    """A deed as if it came from outside: msgspec checks lengths and letters."""
    return converted(said, kind)


def _invalid(row: Row, error: msgspec.ValidationError) -> Problem:
    """What is wrong with a text's form."""
    field = str(error).rpartition("$.")[2].strip("`")
    column = {"id": "asset_number"}.get(field, field)
    cell = row.cells.get(column, "")
    if column in ("asset_number", "type"):
        text = f"{cell[:40]!r} is more than letters without accents, digits and . _ - (at most 64, no sign in front)."
        return Problem(row.line, column, f"{text} Use the number as it is on the device's label.")
    return Problem(row.line, column, f"{cell[:40]!r} has {len(cell)} characters, more than are kept. Shorten it.")
