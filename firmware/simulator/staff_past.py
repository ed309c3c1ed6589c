"""The past days as the invented staff lived them: the same loads that the nodes send as readings. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import msgspec

from firmware.simulator.clinic import CLINIC, node_names
from firmware.simulator.history import History, make_history
from firmware.simulator.memory import MEMORY_FILE, Memory, recall
from firmware.simulator.past import PastStream, past_script
from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_days import REVIEW_MS, SHUT_MS, Day, Special, working
from firmware.simulator.staff_plan import Occasion, occasions
from soak.reading import Lid

_MEANINGFUL_MS = 60_000
_MATCH_MS = 1_500


class Lived(msgspec.Struct, frozen=True):
    """One closure of one stream, as the node saw it.

    Attributes:
        key: "stream:first".
        closed_ms: Its first reading, milliseconds since 1970.
        opened_ms: It was opened, or the node saw no more of it.
        whole: The node saw both.
    """

    key: str
    closed_ms: int
    opened_ms: int
    whole: bool


def memories(folder: Path) -> dict[str, Memory] | None:
    """What each node remembers; None until every one has begun."""
    found = {name: recall(folder / name / MEMORY_FILE) for name in node_names()}
    whole = {name: memory for name, memory in found.items() if memory is not None}
    return whole if len(whole) == len(found) else None


def past_streams(nodes: Mapping[str, Memory], seed: int) -> set[str]:
    """Ids of all that the nodes send of the past days; each remembers those of which everything has been taken in."""
    return {stream for name, memory in nodes.items() for stream in history_of(name, memory, seed).past}


def finished(folder: Path) -> set[str]:
    """Ids of past streams that the collector has in full, as the nodes remember it."""
    nodes = memories(folder)
    return {stream for memory in nodes.values() for stream in memory.finished} if nodes else set()


def start_ms(nodes: Mapping[str, Memory]) -> int:
    """When the past days begin, on the first node."""
    return min(memory.history_end_ms - memory.history_days * DAY_MS for memory in nodes.values())


def end_ms(nodes: Mapping[str, Memory]) -> int:
    """When they end, on the last node."""
    return max(memory.history_end_ms for memory in nodes.values())


def utc_offset_ms(nodes: Mapping[str, Memory]) -> int:
    """Local time less UTC, the same for all."""
    return next(iter(nodes.values())).utc_offset_ms


def past_days(nodes: Mapping[str, Memory], seed: int) -> list[Day]:
    """Every past day with its loads, oldest first.

    Args:
        nodes: What each node remembers: the same figures from which it makes its readings.
        seed: The clinic's.
    """
    found: list[Occasion] = []
    lived: dict[str, list[Lived]] = {}
    for name, memory in nodes.items():
        history = history_of(name, memory, seed)
        for basin in CLINIC:
            if basin.node != name:
                continue
            key = f"{name}/{basin.name}"
            begins_ms = memory.history_end_ms - memory.history_days * DAY_MS
            script = past_script(
                *(basin.played(), seed, key),
                start_ms=begins_ms,
                end_ms=memory.history_end_ms,
                utc_offset_ms=memory.utc_offset_ms,
            )
            lived[key] = list(lived_of(history, basin.name))
            found += [_keyed(occasion, lived[key]) for occasion in occasions(key, script)]
    found.sort(key=lambda occasion: occasion.lifted_ms)
    offset_ms = utc_offset_ms(nodes)
    return list(_days(found, lived, start_ms(nodes), end_ms(nodes), offset_ms))


def special_days(days: list[Day]) -> Special:
    """On which days the things happen that happen once: moved where the clinic is shut."""
    plain = Special()
    open_days = [day.number for day in days if working(day.local_day)]

    def moved(number: int) -> int:
        return min((each for each in open_days if each >= number), default=number)

    names = Special.__struct_fields__
    return Special(**{name: moved(getattr(plain, name)) for name in names})


def history_of(node: str, memory: Memory, seed: int) -> History:
    """What a node sends of its past."""
    basins = {basin.name: (basin.played(), tuple(basin.sensors)) for basin in CLINIC if basin.node == node}
    return make_history(
        node,
        basins,
        seed=seed,
        days=memory.history_days,
        end_ms=memory.history_end_ms,
        utc_offset_ms=memory.utc_offset_ms,
    )


def lived_of(history: History, basin: str) -> Iterator[Lived]:
    """Every closure of one basin, as its node saw it."""
    for stream in history.past.values():
        if stream.basin == basin:
            yield from _of_stream(stream)


def _of_stream(stream: PastStream) -> Iterator[Lived]:
    boot = stream.boot
    closed = (1, boot.first_ms, False) if stream.lid is Lid.CLOSED else None
    for move in stream.moves:
        at_ms = boot.booted_ms + move.ms
        if move.lid is Lid.CLOSED and closed is None:
            closed = (move.number, at_ms, True)
        elif move.lid is Lid.OPEN and closed is not None:
            number, closed_ms, seen = closed
            yield Lived(f"{stream.stream}:{number}", closed_ms, at_ms, seen)
            closed = None
    if closed is not None:
        number, closed_ms, _ = closed
        yield Lived(f"{stream.stream}:{number}", closed_ms, boot.end_ms, whole=False)


def _keyed(occasion: Occasion, lived: list[Lived]) -> Occasion:
    for each in lived:
        if (
            abs(each.closed_ms - occasion.closed_ms) < _MATCH_MS
            and abs(each.opened_ms - occasion.opened_ms) < _MATCH_MS
        ):
            return msgspec.structs.replace(occasion, closure=each.key)
    return occasion


def _days(
    found: list[Occasion], lived: Mapping[str, list[Lived]], from_ms: int, until_ms: int, offset_ms: int
) -> Iterator[Day]:
    held = {
        each.key
        for occasion in found
        for each in lived[occasion.basin]
        if each.closed_ms < occasion.out_ms and each.opened_ms > occasion.in_ms
    }
    first = (from_ms + offset_ms) // DAY_MS
    for local_day in range(first, (until_ms + offset_ms) // DAY_MS + 1):
        midnight_ms = local_day * DAY_MS - offset_ms
        after_ms = midnight_ms + DAY_MS
        review_ms = midnight_ms + REVIEW_MS
        nothing = {
            basin: [
                each
                for each in closures
                if midnight_ms <= each.opened_ms < midnight_ms + SHUT_MS
                and each.opened_ms - each.closed_ms >= _MEANINGFUL_MS
                and each.key not in held
            ]
            for basin, closures in lived.items()
        }
        broken = [[each.key] for closures in nothing.values() for each in closures if not each.whole]
        seen = [[each.key for each in closures if each.whole] for closures in nothing.values()]
        yield Day(
            number=local_day - first,
            local_day=local_day,
            midnight_ms=midnight_ms,
            from_ms=from_ms if local_day == first else midnight_ms,
            until_ms=min(after_ms, until_ms),
            occasions=tuple(each for each in found if midnight_ms <= each.lifted_ms < after_ms),
            empty=tuple(tuple(keys) for keys in (*seen, *broken) if keys),
            later=frozenset(each.key for closures in lived.values() for each in closures if each.opened_ms > review_ms),
        )
