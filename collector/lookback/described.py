"""What the record has of rounds that a look-back concerns: margins of their soaks, and where their devices are.

For a year of five basins at once: closures are read once for each basin, not once for each round.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from msgspec.structs import replace

from collector.record.book import Book, Watched
from collector.record.rounds.soaks import lain_in
from collector.record.things import Concerned, Device, Stage, Stood, Turn


def described(
    book: Book, turns: Sequence[Turn], *, sensors: Collection[str] = (), why: Mapping[str, str] | None = None
) -> dict[str, Concerned]:
    """By round, what is known of it at the book's moment.

    Args:
        book: Whose moment it is.
        turns: The rounds.
        sensors: The sensors in question: the allowance is the least of theirs, and not of all sensors together.
        why: By round, what connects it with the cause, where that is not the same for all.
    """
    devices = {each.id: each for each in book.many(Device, (turn.device for turn in turns))}
    soaks = {turn.id: watched for turn, watched in counting(book, turns)}
    found = {}
    for turn in turns:
        stood, place = standing(devices.get(turn.device), turn)
        row = Concerned(
            device=turn.device,
            found_ms=book.at_ms,
            load=turn.load,
            basin=turn.basin,
            fill=turn.fill,
            in_ms=turn.in_ms,
            out_ms=turn.out_ms,
            stood=stood,
            place=place,
            used_ms=turn.used.at_ms if turn.used else None,
            encounter=turn.used.encounter if turn.used else "",
            came_from=turn.came_from,
            why=why.get(turn.id, "") if why else "",
        )
        watched = soaks.get(turn.id)
        found[turn.id] = row if watched is None else _with_margins(row, watched, sensors)
    return found


def counting(book: Book, turns: Iterable[Turn]) -> Iterator[tuple[Turn, Watched]]:
    """Each round that lay in a closure, with the closure that counts for it."""
    by_basin: dict[str, list[Turn]] = {}
    for turn in turns:
        if turn.in_ms is not None:
            by_basin.setdefault(turn.basin, []).append(turn)
    for basin, some in by_basin.items():
        begin_ms = min(turn.in_ms or 0 for turn in some)
        end_ms = max(book.at_ms if turn.out_ms is None else turn.out_ms for turn in some) + 1
        closures = book.closures(basin, begin_ms, end_ms)
        closings = [each.closing_ms for each in closures]
        for turn in some:
            first = bisect_left(closings, turn.in_ms or 0)
            last = len(closings) if turn.out_ms is None else bisect_right(closings, turn.out_ms)
            _, best = lain_in(book, turn, closures[first:last])
            if best is not None:
                yield turn, best


def standing(device: Device | None, turn: Turn) -> tuple[Stood, str]:
    """Where a round's device is, and the cabinet or basin by name."""
    if device is None or device.retired:
        return Stood.RETIRED, ""
    if turn.used is not None:
        return Stood.USED, ""
    if device.turn != turn.id:
        return Stood.BEGUN_ANEW, ""
    if device.quarantine is not None:
        return Stood.QUARANTINED, ""
    if turn.stage is Stage.RELEASED:
        return (Stood.CABINET, device.stored_in) if device.stored_in else (Stood.RELEASED, "")
    return Stood.IN_PROCESS, turn.basin if turn.stage is Stage.SOAKING else ""


def _with_margins(row: Concerned, watched: Watched, sensors: Collection[str]) -> Concerned:
    closure = watched.closure
    allowance_mc = closure.allowance_mc
    if sensors:
        own = [closure.sensor_allowances_mc[each] for each in sensors if each in closure.sensor_allowances_mc]
        allowance_mc = min((each for each in own if each is not None), default=None)
    return replace(
        row,
        closure=watched.key,
        verdict=closure.verdict.value,
        credited_ms=closure.credited_ms,
        contact_ms=closure.requirement.contact_ms if closure.requirement else 0,
        allowance_mc=allowance_mc,
    )
