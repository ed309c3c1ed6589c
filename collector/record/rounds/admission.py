"""What may go into a basin, and what stands against it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from collector.record.block import Block
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import basin_name, not_quarantined, round_at
from collector.record.rounds.soaks import longest_immersion_ms
from collector.record.rounds.turns import busy_until_ms
from collector.record.solutions.fills import fill_block, runs_out
from collector.record.things import Device, DeviceType, Fill, MecTest, Override, Profile, Role, Stage, Turn
from soak.quantity import in_words

CROSSING_MS = 5_000
"""Whoever says "they are in" may have closed the lid a moment ago, and its readings not have come yet."""


class Overriding(Protocol):
    """A deed that a supervisor may use although something stands against it."""

    @property
    def override(self) -> bool:
        """It is used so."""

    @property
    def reason(self) -> str:
        """Why."""


def starting_ms(book: Book, basin: str, profile: Profile, *, already_in: bool) -> int:
    """From when on devices are in the solution.

    Args:
        book: Of the deed.
        basin: Where.
        profile: Of what is in it.
        already_in: They lie in it; otherwise they are about to go in, and a lid that is closed now is opened first.

    Raises:
        RefusedError: The lid has been closed over them for longer than anything may lie in the solution: a lid that
            stood so cannot stand for the soak of what is said to be in it now.
    """
    if not already_in:
        return book.at_ms
    closed_ms = book.closed_since_ms(basin)
    if closed_ms is None:
        return book.at_ms - CROSSING_MS
    longest_ms = longest_immersion_ms(book, profile)
    if book.at_ms - closed_ms > longest_ms:
        raise RefusedError(
            "immersed-too-long",
            f"The lid of {basin_name(book, basin)} has been on for {in_words(book.at_ms - closed_ms)}; the maximum "
            f"immersion time is {in_words(longest_ms)}.",
            "Open the lid. What is about to go in is started without 'already in'; what did lie in it all the time is "
            "quarantined.",
        )
    return closed_ms


def admit(book: Book, devices: Sequence[str], profile: Profile, in_ms: int) -> list[Turn]:
    """The rounds of devices that may go into a solution.

    Raises:
        RefusedError: A device must not go in, or is elsewhere. No override goes round that: a solution that a device's
            maker does not permit may damage it, and one that excludes its kind is a danger to the next patient.
    """
    twice = next((each for number, each in enumerate(devices) if each in devices[:number]), None)
    if twice:
        raise RefusedError("scanned-twice", f"{twice} was scanned twice.", "Scan each device once.")
    return [_admitted(book, device_id, profile, in_ms) for device_id in devices]


def _admitted(book: Book, device_id: str, profile: Profile, in_ms: int) -> Turn:
    device, turn = round_at(book, device_id, Stage.PREPARING)
    not_quarantined(book, device)
    refuse_solution(book, device, profile)
    busy_ms = busy_until_ms(book, turn)
    if in_ms < busy_ms:
        raise RefusedError(
            "device-elsewhere",
            f"{device.id} was in another solution until {book.local_text(busy_ms)}: "
            f"it cannot have been in this one since {book.local_text(in_ms)}.",
            "Scan the right device.",
        )
    return turn


def refuse_solution(book: Book, device: Device, profile: Profile) -> None:
    """Raises: RefusedError: the device's type does not permit the solution, or the solution excludes its kind."""
    device_type = book.get(DeviceType, device.type)
    if device_type.kind in profile.excluded_kinds:
        raise RefusedError(
            "device-excluded",
            f"{device.id} is a {device_type.kind} device; the label of {profile.name} excludes those: "
            "residue can harm the next patient.",
            f"Use another solution that a {device_type.name} permits.",
        )
    if profile.id not in device_type.profiles:
        permitted = ", ".join(device_type.profiles) or "none"
        raise RefusedError(
            "profile-not-permitted",
            f"{device.id}: its maker does not permit {profile.name} for a {device_type.name}.",
            f"Use a solution that it permits: {permitted}.",
        )


def blocks_of_fill(book: Book, fill: Fill) -> Iterator[Block]:
    """What stands against adding to a load that is in a fill; to start one, the whole readiness is asked."""
    contact_ms = book.get(Profile, fill.profile).contact_ms
    block = fill_block(book, fill, book.at_ms) or (runs_out(book, fill, contact_ms) if contact_ms else None)
    if block is not None:
        yield Block(block.rule, block.text, block.next_step)


def blocks_of_devices(
    book: Book, basin: str, turns: Sequence[Turn], test: MecTest | None, in_ms: int
) -> Iterator[Block]:
    """Steps that are not on record, and what came on record only after the lid was closed over them."""
    closed_ms = book.closed_since_ms(basin)
    for turn in turns:
        device_type = book.get(DeviceType, book.get(Device, turn.device).type)
        for step in device_type.steps:
            if step.value not in turn.steps:
                text = f"{turn.device}: the step {step.value!r} is not on record."
                yield Block("steps", text, "Whoever did it attests it before the lid is closed.")
    if closed_ms is None or closed_ms < in_ms:
        return
    late = [each.on_record_ms for turn in turns for each in turn.steps.values()]
    late += [test.read_ms] if test and test.read_ms else []
    if late and max(late) > closed_ms:
        early = in_words(max(late) - closed_ms)
        yield Block(
            "closed-too-early",
            f"The lid of {basin_name(book, basin)} was closed {early} before steps and MEC test were on record: "
            "nothing can be released from this closure.",
            "Open the lid, see that all lies in, close it again, then start.",
        )


def overridden(book: Book, said: Overriding, blocks: Sequence[Block]) -> Override:
    """A supervisor's word that it goes on all the same.

    Raises:
        RefusedError: It was not given, or by somebody who cannot give it.
    """
    first = blocks[0]
    if not said.override:
        raise RefusedError(first.rule, first.text, f"{first.next_step} Or a supervisor lets it start, with a reason.")
    if Role.SUPERVISOR not in book.person.roles:
        raise RefusedError(
            "override-role",
            f"{book.person.name} is no supervisor. What stands against it: {first.text}",
            f"{first.next_step} Or a supervisor lets it start, with a reason.",
        )
    if not book.second_factor:
        raise RefusedError("second-factor", "This takes a PIN or password besides the badge.", "Enter your PIN.")
    if not said.reason.strip():
        raise RefusedError(
            "reason",
            "A load that starts although something stands against it needs a reason.",
            "Say in a sentence why it cannot wait. What soaks in it can still not be released.",
        )
    return Override(book.who, book.at_ms, said.reason, tuple(block.text for block in blocks))
