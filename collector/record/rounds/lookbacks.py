"""Look-backs by people: opened for a cause, looked at again, concluded; what becomes of what they held back."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec.structs import replace

from collector.lookback.causes import found_again, reach_of
from collector.lookback.reach import unexplained
from collector.record.book import Book
from collector.record.deed import LEADS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.lookback_opening import opened, with_rounds
from collector.record.rounds.quarantine import put_into
from collector.record.rounds.release import release_facts
from collector.record.rounds.rounds import last_turn
from collector.record.things import Asked, Attested, Device, Id, LookBack, Note, Outcome, Resolved, Stage

_REEXAMINED = frozenset({"profile", "mec-test", "fill-in-date", "soak"})
"""Clauses of a release that what opens look-backs can undo; rinses and steps stand as they were."""

CauseCode = Literal[
    "mec-fail",
    "strips-bad",
    "strips-misread",
    "sensor-off",
    "reference-off",
    "profile-wrong",
    "lot-recalled",
    "fill-past-date",
    "rinse-water",
    "leak",
    "culture-positive",
    "training-lapsed",
    "lid-or-node",
    "used-without-release",
    "software-fault",
]
"""Those of `collector.lookback.causes.CAUSES` that people open: a test compares them."""

_NAMED = 5
"""Devices that a refusal names; the page lists all."""


@deed
class OpenLookBack(Deed, frozen=True, kw_only=True):
    """Open a look-back: something turned out to have been wrong.

    What it concerns is found in the record. Devices that hang in a storage cabinet are put into quarantine at once.

    Attributes:
        cause: What was wrong.
        how_found: How it was found, in your words: what happened, not who is to blame.
        asked: What the cause needs to know; leave the rest empty.
    """

    NAME = "open-look-back"
    ROLES = LEADS

    cause: CauseCode
    how_found: Annotated[str, msgspec.Meta(min_length=1, max_length=1_000)]
    asked: Asked = Asked()

    def perform(self, book: Book) -> LookBack:
        """Whatever it finds: nothing concerned is a finding too."""
        if not self.how_found.strip():
            raise RefusedError(
                "how-found",
                "It is not said how this was found: nobody could tell later why the devices were held back.",
                "Say it in a sentence.",
            )
        reach = reach_of(book, self.cause, self.asked)
        return opened(
            book,
            cause=self.cause,
            asked=self.asked,
            how_found=self.how_found.strip(),
            text=reach.text,
            from_ms=reach.from_ms,
            until_ms=reach.until_ms,
            fills=reach.fills,
            concerned=reach.concerned,
            unexplained=unexplained(book, reach.spans),
        )


@deed
class LookAgain(Deed, frozen=True, kw_only=True):
    """Look through the record again for what a look-back concerns.

    Attributes:
        look_back: Which. What it had found stays in it as it was then.
    """

    NAME = "look-again"
    ROLES = LEADS

    look_back: Id

    def perform(self, book: Book) -> LookBack:
        """Rounds that came on record since are added, and their devices held back like the others."""
        look_back = open_one(book, self.look_back)
        reach = found_again(book, look_back)
        if reach is None:
            raise RefusedError(
                "look-back-fixed",
                f"The rounds of look-back {look_back.id} were named one by one: there is nothing else to find.",
                "If more is concerned, open another look-back for it.",
            )
        looked = replace(look_back, looked_ms=book.at_ms, unexplained=unexplained(book, reach.spans))
        return with_rounds(book, looked, reach.concerned)


@deed
class CloseLookBack(Deed, frozen=True, kw_only=True):
    """Close a look-back with its conclusion.

    Every device is resolved and infection prevention was told; or the reason says why it is closed all the same.

    Attributes:
        look_back: Which.
        conclusion: What was found and what was done about it.
    """

    NAME = "close-look-back"
    ROLES = LEADS
    SECOND_FACTOR = True

    look_back: Id
    conclusion: Note

    def perform(self, book: Book) -> LookBack:
        """Its devices are free of it; a release that what is known now does not bear out ends in quarantine."""
        look_back = open_one(book, self.look_back)
        if not self.conclusion.strip():
            raise RefusedError(
                "conclusion",
                f"Look-back {look_back.id} has no conclusion: nobody could tell later what was found.",
                "Say in a sentence what was found and what was done.",
            )
        left = _left(look_back)
        if left and not self.reason.strip():
            raise RefusedError(
                "look-back-unresolved",
                f"Look-back {look_back.id}: {left}",
                "Say what became of each device and record that infection prevention was told; or say as the reason "
                "why it is closed all the same.",
            )
        for device_id in look_back.devices:
            free(book, device_id, look_back.id)
            hold_back(book, device_id, look_back)
        closed = Attested(book.who, book.at_ms, self.conclusion)
        although = f"{left} {self.reason.strip()}" if left else ""
        return book.put(replace(look_back, closed=closed, closed_although=although))


@deed
class FreeFromLookBack(Deed, frozen=True, kw_only=True):
    """Free a device that was reprocessed from a look-back that goes on.

    Attributes:
        look_back: Which; its rounds, and who they concern, stay in it.
        device: Which.
    """

    NAME = "free-from-look-back"
    ROLES = LEADS
    SECOND_FACTOR = True

    look_back: Id
    device: Id

    def perform(self, book: Book) -> Device:
        """Only what a later round of it made good."""
        look_back = open_one(book, self.look_back)
        device = book.get(Device, self.device)
        if look_back.id not in device.lookbacks:
            raise RefusedError(
                "not-in-look-back",
                f"Look-back {look_back.id} does not hold {device.id} back.",
                "Look at the device's page: it lists what does.",
            )
        if device.turn in look_back.turns:
            raise RefusedError(
                "reprocess-first",
                f"{device.id} has not been reprocessed since: its round {device.turn} is the one in question.",
                f"Begin a new round of {device.id}, or close look-back {look_back.id} with its conclusion.",
            )
        if not self.reason.strip():
            raise RefusedError("reason", "This needs a reason.", "Say in a few words why.")
        free(book, device.id, look_back.id)
        said = Resolved(Outcome.REPROCESSED, book.who, book.at_ms, self.reason.strip())
        book.put(replace(look_back, resolved={**look_back.resolved, device.id: said}))
        return book.get(Device, device.id)


def open_one(book: Book, look_back_id: str) -> LookBack:
    """A look-back that is open.

    Raises:
        RefusedError: There is none, or somebody has closed it.
    """
    look_back = book.get(LookBack, look_back_id)
    if look_back.closed is not None:
        raise RefusedError(
            "look-back-closed",
            f"Look-back {look_back.id} was closed by {book.name_of(look_back.closed.by)} "
            f"at {book.local_text(look_back.closed.at_ms)}.",
            "Read the conclusion; nothing more is needed.",
        )
    return look_back


def _left(look_back: LookBack) -> str:
    """What is still open of it, in words; empty: nothing."""
    words = []
    if unresolved := look_back.unresolved():
        more = f" and {len(unresolved) - _NAMED} more" if len(unresolved) > _NAMED else ""
        named = f"{', '.join(unresolved[:_NAMED])}{more}"
        words.append(f"nobody has said what became of {named}")
    if look_back.devices and not look_back.told:
        words.append("infection prevention has not been told")
    return f"{', and '.join(words)}." if words else ""


def free(book: Book, device_id: str, look_back_id: str) -> None:
    """A device is no longer held back by it."""
    device = book.find(Device, device_id)
    if device is not None and look_back_id in device.lookbacks:
        kept = tuple(each for each in device.lookbacks if each != look_back_id)
        book.put(replace(device, lookbacks=kept))


def hold_back(book: Book, device_id: str, look_back: LookBack) -> None:
    """No conclusion makes up for a soak or test that no longer holds: such a device must not be used as released."""
    device = book.find(Device, device_id)
    turn = last_turn(book, device) if device else None
    if device is None or turn is None or turn.id not in look_back.turns or turn.stage is not Stage.RELEASED:
        return
    undone = [each for each in release_facts(book, turn)[1] if each.rule in _REEXAMINED]
    if undone and device.quarantine is None:
        reason = f"Its release does not hold by what is known since look-back {look_back.id}: {undone[0].text}"
        put_into(book, device, reason, "Reprocess it: cleaning, soak, rinses.")
