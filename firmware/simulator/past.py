"""The past days of one simulated node, planned: its boots, and what each basin went through in each of them.

Pure and seeded. Only the plan is made at once; `firmware.simulator.history` makes readings of it when asked.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from random import Random

import msgspec

from firmware.simulator.scenario import PlayedBasin
from firmware.simulator.script import DAY_MS, Act, Mistake, Planned, Script, Step, Trouble, day_script
from soak.reading import Lid, Why

_MINUTE_MS = 60_000
_SHORTEST_BOOT_MS, _LONGEST_BOOT_MS = 2 * DAY_MS, 6 * DAY_MS
_RESTART_AT_MS = 3 * 60 * _MINUTE_MS  # local time of day of a planned restart
_CUT_SHARE = 0.5
_STARTING_MS = (17_000, 26_000)  # from power-up to the first reading
_BOUNCE_MS = (2, 18)
_CLEAR_OF_TICK_MS = (25, 975)


class Boot(msgspec.Struct, frozen=True):
    """One boot of the node, on the wall clock in milliseconds.

    Attributes:
        boot_id: Its id.
        booted_ms: Power-up.
        first_ms: First reading.
        end_ms: Nothing is read at or after this.
        cut: The power was cut.
    """

    boot_id: str
    booted_ms: int
    first_ms: int
    end_ms: int
    cut: bool


class Moved(msgspec.Struct, frozen=True):
    """A reading between the ticks.

    Attributes:
        number: Its number in the stream.
        ms: Its time on the boot's clock.
        tick: How many ticks come before it.
        why: What made the node take it.
        lid: The lid from here on.
    """

    number: int
    ms: int
    tick: int
    why: Why
    lid: Lid


class Spell(msgspec.Struct, frozen=True):
    """A sensor in trouble, on the boot's clock in milliseconds."""

    sensor: int
    trouble: Trouble
    begins_ms: int
    ends_ms: int


class PastStream(msgspec.Struct, frozen=True):
    """One basin in one boot: everything but the temperatures.

    Attributes:
        stream: Its id.
        basin: Its basin.
        boot: Its boot.
        first_ms: Time of reading 1 on the boot's clock; tick n is n seconds later, give or take.
        ticks: How many ticks follow reading 1.
        lid: The lid at reading 1.
        moves: The readings between the ticks, in order.
        spells: When its sensors were in trouble.
        loads: The loads that overlap it, on the boot's clock; the times may lie outside the stream.
    """

    stream: str
    basin: str
    boot: Boot
    first_ms: int
    ticks: int
    lid: Lid
    moves: tuple[Moved, ...]
    spells: tuple[Spell, ...]
    loads: tuple[Planned, ...]

    @property
    def newest(self) -> int:
        """Number of its last reading."""
        return 1 + self.ticks + len(self.moves)


def past_script(basin: PlayedBasin, seed: int, key: str, *, start_ms: int, end_ms: int, utc_offset_ms: int) -> Script:
    """What one basin goes through, day after day.

    Args:
        basin: As the simulator plays it.
        seed: The clinic's.
        key: Node and basin.
        start_ms: Nothing before this; on the wall clock.
        end_ms: Nothing after this; a load that would not be over by then is left out.
        utc_offset_ms: Local time less UTC.

    Returns:
        Acts and loads on the wall clock; the lid is on at both ends.
    """
    steps: list[Step] = []
    loads: list[Planned] = []
    for day in range((start_ms + utc_offset_ms) // DAY_MS, (end_ms + utc_offset_ms) // DAY_MS + 1):
        midnight_ms = day * DAY_MS - utc_offset_ms
        script = day_script(basin.habits, seed, key, day)
        inside = [step for step in script.steps if start_ms < step.at_ms + midnight_ms < end_ms]
        while inside and inside[-1].act is not Act.CLOSE:  # cut off in the middle: as if it had not begun
            inside.pop()
        while inside and inside[0].act is not Act.OPEN:
            inside.pop(0)
        if not inside:
            continue
        inside = _whole(inside)
        kept_ms = range(inside[0].at_ms, inside[-1].at_ms + 1) if inside else range(0)
        steps += [msgspec.structs.replace(step, at_ms=step.at_ms + midnight_ms) for step in inside]
        loads += [
            msgspec.structs.replace(
                load, closed_ms=load.closed_ms + midnight_ms, opened_ms=load.opened_ms + midnight_ms
            )
            for load in script.loads
            if load.closed_ms in kept_ms and load.opened_ms in kept_ms
        ]
    return Script(tuple(steps), tuple(loads))


def _whole(steps: list[Step]) -> list[Step]:
    """Without a last load that is put in but never taken out."""
    ins = [index for index, step in enumerate(steps) if step.act is Act.LOAD_IN]
    outs = [index for index, step in enumerate(steps) if step.act is Act.LOAD_OUT]
    if len(ins) > len(outs):
        begin = max(index for index, step in enumerate(steps[: ins[-1]]) if step.act is Act.OPEN)
        return steps[:begin]
    return steps


def plan_boots(
    dice: Random, node: str, loads: Sequence[Planned], *, start_ms: int, end_ms: int, utc_offset_ms: int
) -> list[Boot]:
    """When the node was up: a boot lasts some days and ends by a power cut during a soak or a restart at night.

    Args:
        dice: Where chance comes from.
        node: Its name: part of the boot ids.
        loads: Every load of the node's basins, by time of closing.
        start_ms: Power-up of the first boot, wall clock.
        end_ms: End of the last.
        utc_offset_ms: Local time less UTC.
    """
    boots: list[Boot] = []
    booted_ms = start_ms
    closings_ms = [load.closed_ms for load in loads]
    while True:
        first_ms = booted_ms + dice.randrange(*_STARTING_MS)
        target_ms = booted_ms + dice.randrange(_SHORTEST_BOOT_MS, _LONGEST_BOOT_MS)
        cut = dice.random() < _CUT_SHARE
        if cut:
            index = bisect_left(closings_ms, target_ms)
            load = loads[index] if index < len(loads) else None
            stop_ms = (
                load.closed_ms + int((load.opened_ms - load.closed_ms) * dice.uniform(0.2, 0.8)) if load else end_ms
            )
            off_ms = dice.randrange(20_000, 15 * _MINUTE_MS)
        else:
            midnight_ms = (target_ms + utc_offset_ms) // DAY_MS * DAY_MS - utc_offset_ms
            stop_ms = midnight_ms + DAY_MS + _RESTART_AT_MS + dice.randrange(10 * _MINUTE_MS)
            off_ms = dice.randrange(3_000, 9_000)
        boot_id = _digest(f"boot/{node}/{booted_ms}/{dice.random()}")
        boot_id = "-".join((boot_id[:8], boot_id[8:12], boot_id[12:16], boot_id[16:20], boot_id[20:]))
        if stop_ms + off_ms + 2 * _MINUTE_MS >= end_ms:
            boots.append(Boot(boot_id, booted_ms, first_ms, end_ms, cut=False))
            return boots
        boots.append(Boot(boot_id, booted_ms, first_ms, stop_ms, cut))
        booted_ms = stop_ms + off_ms


def plan_stream(node: str, basin: str, boot: Boot, script: Script, dice: Random) -> PastStream:
    """What the node would have read of one basin during one boot.

    Args:
        node: The node's name.
        basin: The basin's name.
        boot: When the node was up.
        script: What the basin went through, on the wall clock.
        dice: Where the bounce comes from.
    """
    first_ms = boot.first_ms - boot.booted_ms
    ticks = (boot.end_ms - 1 - boot.first_ms) // 1000
    lid = Lid.CLOSED
    moves: list[Moved] = []
    spells: list[Spell] = []
    for step in script.steps:
        at_ms = step.at_ms - boot.booted_ms
        before = step.at_ms <= boot.first_ms
        if step.act is Act.TROUBLE and step.trouble:
            if step.at_ms < boot.end_ms and step.at_ms + step.for_ms > boot.first_ms:
                spells.append(Spell(step.sensor, step.trouble, at_ms, at_ms + step.for_ms))
        elif step.act in (Act.OPEN, Act.CLOSE, Act.BUTTON):
            now = {Act.OPEN: Lid.OPEN, Act.CLOSE: Lid.CLOSED}.get(step.act, moves[-1].lid if moves else lid)
            if before:
                lid = now
                continue
            # An opening takes a bounce's first edge, a closing its last; kept clear of the ticks, which jitter.
            after_ms = at_ms - first_ms + (dice.randrange(*_BOUNCE_MS) if step.act is Act.CLOSE else 0)
            tick, rest_ms = divmod(after_ms, 1000)
            rest_ms = min(max(rest_ms, _CLEAR_OF_TICK_MS[0]), _CLEAR_OF_TICK_MS[1])
            if tick >= ticks:
                break
            why = Why.BUTTON if step.act is Act.BUTTON else Why.LID
            if moves and moves[-1].ms >= first_ms + tick * 1000 + rest_ms:
                rest_ms = moves[-1].ms - first_ms - tick * 1000 + 1
            moves.append(Moved(2 + tick + len(moves), first_ms + tick * 1000 + rest_ms, tick, why, now))
    loads = tuple(_seen(load, boot) for load in script.loads if _overlaps(load, boot))
    stream = _digest(f"stream/{node}/{basin}/{boot.boot_id}")
    return PastStream(stream, basin, boot, first_ms, ticks, lid, tuple(moves), tuple(spells), loads)


def _overlaps(load: Planned, boot: Boot) -> bool:
    return load.closed_ms < boot.end_ms and load.opened_ms > boot.booted_ms


def _seen(load: Planned, boot: Boot) -> Planned:
    """A load on the boot's clock; a boot that begins or ends in it is a power cut for it."""
    broken = load.closed_ms < boot.first_ms or load.opened_ms > boot.end_ms
    return Planned(
        load.closed_ms - boot.booted_ms,
        load.opened_ms - boot.booted_ms,
        (*load.mistakes, Mistake.POWER_CUT) if broken else load.mistakes,
    )


def place(stream: PastStream, number: int) -> tuple[int, int]:
    """Where a reading stands.

    Returns:
        How many moves come before it, and how many ticks (reading 1 counts as a tick).
    """
    moves = bisect_right(stream.moves, number - 1, key=lambda moved: moved.number)
    return moves, number - 1 - moves


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]
