"""Loads: devices in one basin together, from the first that goes in to the last that is taken out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.record.basins.physical import Measured, newest
from collector.record.basins.readiness import readiness
from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.admission import admit, blocks_of_devices, blocks_of_fill, overridden, starting_ms
from collector.record.rounds.rounds import basin_name, round_at
from collector.record.rounds.soaks import soak_of
from collector.record.solutions.mec import daily, mec_test_for
from collector.record.things import BasinKey, Fill, Id, Load, MecTest, Profile, Stage, Turn
from soak.reading import Lid

Devices = Annotated[tuple[Id, ...], msgspec.Meta(min_length=1, max_length=50)]

LID_SEEN_MS = 10_000
"""A reading older than this says nothing about the lid at this moment."""


@deed
class StartLoad(Deed, frozen=True, kw_only=True):
    """Start a load: put devices into a basin.

    Attributes:
        basin: Which.
        devices: Asset numbers; each has a round whose steps are attested.
        already_in: They lie in it already. If the lid is closed, that closure counts for them; otherwise they are about
            to go in and the next closing counts.
        override: The basin is not ready and a supervisor lets it start all the same, with a reason. Nothing of it
            becomes releasable by that.
    """

    NAME = "start-load"

    basin: BasinKey
    devices: Devices
    already_in: bool = False
    override: bool = False

    def perform(self, book: Book) -> Load:
        """The basin is ready, or a supervisor says why it starts all the same."""
        name = basin_name(book, self.basin)
        if open_load := load_in(book, self.basin):
            raise RefusedError(
                "basin-busy",
                f"{name} holds load {open_load.id} since {book.local_text(open_load.began_ms)}, "
                f"started by {book.name_of(open_load.by)}.",
                "Add the devices to that load, or take it out first.",
            )
        ready = readiness(book, self.basin)
        if not ready.fill:
            empty = next(block for block in ready.blocks if block.rule == "fill-in-basin")
            raise RefusedError(empty.rule, empty.text, empty.next_step)
        fill = book.get(Fill, ready.fill)
        profile = book.get(Profile, fill.profile)
        in_ms = starting_ms(book, self.basin, profile, already_in=self.already_in)
        test = mec_test_for(book, fill, profile, book.at_ms) if profile.mec_monitored else None
        turns = admit(book, self.devices, profile, in_ms)
        blocks = (*ready.blocks, *blocks_of_devices(book, self.basin, turns, test, in_ms))
        load = Load(
            id=book.next_id(Load),
            basin=self.basin,
            fill=fill.id,
            began_ms=in_ms,
            by=book.who,
            turns=tuple(turn.id for turn in turns),
            mec_test=test.id if test else "",
            override=overridden(book, self, blocks) if blocks else None,
        )
        if test is not None and not daily(book, profile):
            book.put(replace(test, used_for=load.id))
        book.put(replace(fill, loads=fill.loads + 1))
        put_in(book, load, turns, in_ms)
        return book.put(load)


@deed
class AnnounceOpening(Deed, frozen=True, kw_only=True):
    """Say that you are about to open the lid to add a device to the load.

    The time starts again for all that are not yet met; nothing has failed by that.

    Attributes:
        basin: Which.
    """

    NAME = "announce-opening"

    basin: BasinKey

    def perform(self, book: Book) -> Load:
        """For a load that is in the basin."""
        load = needed_load(book, self.basin)
        return book.put(replace(load, openings_ms=(*load.openings_ms, book.at_ms)))


@deed
class AddDevice(Deed, frozen=True, kw_only=True):
    """Add devices to the load in a basin. Their time begins with the next closing.

    Attributes:
        basin: Which.
        devices: Asset numbers; each has a round whose steps are attested.
        already_in: They lie in it already. If the lid is closed, that closure counts for them.
        override: Something stands against it and a supervisor adds them all the same, with a reason.
    """

    NAME = "add-device"

    basin: BasinKey
    devices: Devices
    already_in: bool = False
    override: bool = False

    def perform(self, book: Book) -> Load:
        """In the fill that the load is in, which must still be usable."""
        load = needed_load(book, self.basin)
        fill = book.get(Fill, load.fill)
        profile = book.get(Profile, fill.profile)
        in_ms = max(starting_ms(book, self.basin, profile, already_in=self.already_in), load.began_ms)
        turns = admit(book, self.devices, profile, in_ms)
        test = book.find(MecTest, load.mec_test) if load.mec_test else None
        blocks = (*blocks_of_fill(book, fill), *blocks_of_devices(book, self.basin, turns, test, in_ms))
        if blocks:
            override = overridden(book, self, blocks)
            earlier = load.override.blocks if load.override else ()
            load = replace(load, override=replace(override, blocks=(*earlier, *override.blocks)))
        put_in(book, load, turns, in_ms)
        return book.put(replace(load, turns=(*load.turns, *(turn.id for turn in turns))))


@deed
class TakeOut(Deed, frozen=True, kw_only=True):
    """Take devices out of a basin.

    Attributes:
        basin: Which.
        devices: Asset numbers; all of the load if none are given.
        at_last_opening: The lid is back on: they came out when it was last open.
    """

    NAME = "take-out"

    basin: BasinKey
    devices: Annotated[tuple[Id, ...], msgspec.Meta(max_length=50)] = ()
    at_last_opening: bool = False

    def perform(self, book: Book) -> Load:
        """The lid is open, or has been since; the load ends with its last device."""
        load = needed_load(book, self.basin)
        seen = _seen_closed(book, self.basin)
        turns = [turn for turn in turns_of(book, load) if turn.stage is Stage.SOAKING]
        if self.devices:
            turns = [_of_load(book, load, device_id) for device_id in dict.fromkeys(self.devices)]
        opened_ms = None
        if seen is not None:
            opened_ms = _last_opening_ms(book, self.basin, turns, seen, said=self.at_last_opening)
        for turn in turns:
            taken_out(book, turn, opened_ms)
        return ended_if_empty(book, load)


def load_in(book: Book, basin: str) -> Load | None:
    """The load that is in a basin."""
    return next(iter(book.all(Load, group=basin, only_open=True, newest_first=True, limit=1)), None)


def needed_load(book: Book, basin: str) -> Load:
    """The load that is in a basin.

    Raises:
        RefusedError: None is.
    """
    name = basin_name(book, basin)
    load = load_in(book, basin)
    if load is None:
        raise RefusedError(
            "no-load",
            f"No load is in {name}.",
            "Start one. If the lid has been opened already, assign the closure late.",
        )
    return load


def turns_of(book: Book, load: Load) -> list[Turn]:
    """A load's rounds."""
    return [book.get(Turn, turn_id) for turn_id in load.turns]


def put_in(book: Book, load: Load, turns: list[Turn], in_ms: int) -> list[Turn]:
    """Rounds go into a load."""
    placed = {"load": load.id, "basin": load.basin, "fill": load.fill, "in_ms": in_ms, "in_by": book.who}
    return [book.put(replace(turn, stage=Stage.SOAKING, **placed)) for turn in turns]


def taken_out(book: Book, turn: Turn, out_ms: int | None = None) -> Turn:
    """A round comes out of the solution; it ends there if the device was quarantined meanwhile.

    Args:
        book: Of the deed.
        turn: Which.
        out_ms: When, milliseconds since 1970; now if not given.
    """
    stage = Stage.ENDED if turn.quarantine else Stage.SOAKED
    out = replace(turn, stage=stage, out_ms=book.at_ms if out_ms is None else out_ms, out_by=book.who)
    met = soak_of(book, out).met
    return book.put(replace(out, closure=met[0].key if met else ""))


def ended_if_empty(book: Book, load: Load) -> Load:
    """A load ends with its last device."""
    outs = [turn.out_ms for turn in turns_of(book, load)]
    if None in outs:
        return load
    return book.put(replace(load, ended_ms=max((each for each in outs if each is not None), default=book.at_ms)))


def _of_load(book: Book, load: Load, device_id: str) -> Turn:
    _, turn = round_at(book, device_id, Stage.SOAKING)
    if turn.load != load.id:
        raise RefusedError(
            "not-in-load",
            f"{device_id} is in {basin_name(book, turn.basin)} (load {turn.load}), "
            f"not in {basin_name(book, load.basin)}.",
            "Take it out there, or scan the right device.",
        )
    return turn


def _seen_closed(book: Book, basin: str) -> Measured | None:
    """The reading that shows the lid closed now; an old reading says nothing about the lid now."""
    row = book.connection.execute(
        "SELECT id FROM basin WHERE node = ? AND name = ?", tuple(basin.split("/"))
    ).fetchone()
    seen = newest(book.connection, row[0], book.at_ms)
    if seen is None or seen.lid is not Lid.CLOSED or not seen.dated or book.at_ms - seen.at_ms > LID_SEEN_MS:
        return None
    return seen


def _last_opening_ms(book: Book, basin: str, turns: Sequence[Turn], seen: Measured, *, said: bool) -> int:
    """When the lid was last opened over rounds that lie under a closed one now: nothing comes out through it.

    Raises:
        RefusedError: It is not said that they came out then, or the lid was not opened since they went in.
    """
    in_ms = max((turn.in_ms or 0 for turn in turns), default=0)
    opened_ms = max((each.opened_ms for each in book.closures(basin, in_ms, book.at_ms + 1)), default=0)
    lid = f"The lid of {basin_name(book, basin)} is closed, seen {book.local_text(seen.at_ms)}"
    if opened_ms < in_ms or not opened_ms:
        raise RefusedError(
            "lid-closed",
            f"{lid}: nothing can have been taken out.",
            "Open the lid, take the devices out, then record it.",
        )
    if not said:
        raise RefusedError(
            "lid-closed",
            f"{lid}: nothing comes out through it. It was last opened at {book.local_text(opened_ms)}.",
            "If they came out then, say so; if they are still in it, open the lid, take them out, then record it.",
        )
    return opened_ms
