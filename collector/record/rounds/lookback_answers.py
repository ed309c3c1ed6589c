"""What becomes of a look-back: each device resolved, infection prevention told, its list issued."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.lookback.paper import content_of
from collector.record.book import Book
from collector.record.deed import LEADS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.lookbacks import free, hold_back, open_one
from collector.record.rounds.soaks import soak_of
from collector.record.said import need_reason
from collector.record.things import Device, Id, LookBack, LookBackList, Note, Outcome, Resolved, Text, Told, Turn
from soak.closure import Verdict


@deed
class ResolveDevices(Deed, frozen=True, kw_only=True):
    """Say what became of devices of a look-back.

    Attributes:
        look_back: Which.
        devices: Asset numbers, one or several of which the same is true.
        outcome: Reprocessed: a later round of it met. Culture: the note has the result. Destroyed and withdrawn: it is
            out of service or in quarantine. No risk: the note says why.
        note: In your words.
    """

    NAME = "resolve-devices"
    ROLES = LEADS
    SECOND_FACTOR = True

    look_back: Id
    devices: Annotated[tuple[Id, ...], msgspec.Meta(min_length=1, max_length=200)]
    outcome: Outcome
    note: Note = ""

    def perform(self, book: Book) -> LookBack:
        """All of them or none. What was reprocessed, or is at no risk, is held back by it no longer."""
        look_back = open_one(book, self.look_back)
        self._refuse_wordless()
        resolved = dict(look_back.resolved)
        for device_id in dict.fromkeys(self.devices):
            self._refuse(book, look_back, device_id)
            resolved[device_id] = Resolved(self.outcome, book.who, book.at_ms, self.note.strip())
        if self.outcome in (Outcome.REPROCESSED, Outcome.NO_RISK):
            for device_id in dict.fromkeys(self.devices):
                free(book, device_id, look_back.id)
                hold_back(book, device_id, look_back)
        return book.put(replace(look_back, resolved=resolved))

    def _refuse_wordless(self) -> None:
        if self.outcome in (Outcome.CULTURE, Outcome.NO_RISK) and not self.note.strip():
            what = "the result of the culture" if self.outcome is Outcome.CULTURE else "why there is no risk"
            raise RefusedError(
                "look-back-note", f"The note does not say {what}.", "Write it in a sentence; it stands in the list."
            )

    def _refuse(self, book: Book, look_back: LookBack, device_id: str) -> None:
        if device_id not in look_back.devices:
            raise RefusedError(
                "not-in-look-back",
                f"Look-back {look_back.id} does not concern {device_id}.",
                "Choose devices of its list.",
            )
        device = book.get(Device, device_id)
        if before := look_back.resolved.get(device_id):
            need_reason(
                self,
                f"{device_id} was resolved as {before.outcome.value!r} by {book.name_of(before.by)}; something else "
                "needs a reason.",
                "Say what is known now.",
            )
        if self.outcome is Outcome.REPROCESSED and not _met_since(book, look_back, device_id):
            raise RefusedError(
                "not-reprocessed",
                f"No later round of {device_id} has met: it has not been reprocessed.",
                "Reprocess it, then say so; the round itself is the evidence.",
            )
        gone = device.retired or (device.quarantine is not None and self.outcome is Outcome.WITHDRAWN)
        if self.outcome in (Outcome.DESTROYED, Outcome.WITHDRAWN) and not gone:
            raise RefusedError(
                "not-withdrawn",
                f"{device_id} is in service as far as the record has it.",
                f"Retire {device_id} first, or quarantine it if it is only withdrawn for now.",
            )


@deed
class TellInfectionPrevention(Deed, frozen=True, kw_only=True):
    """Record that infection prevention was told of a look-back.

    Attributes:
        look_back: Which.
        whom: Who was told, by name or office.
        how: E.g. by telephone, by hand.
        told_ms: When; now if not given.
        note: What they said, in your words; nobody's name but their own, and nothing of a patient.
    """

    NAME = "tell-infection-prevention"
    ROLES = LEADS

    look_back: Id
    whom: Text
    how: Text
    told_ms: int | None = None
    note: Note = ""

    def perform(self, book: Book) -> LookBack:
        """As often as it happens; each stays."""
        look_back = open_one(book, self.look_back)
        if not self.whom.strip() or not self.how.strip():
            raise RefusedError(
                "look-back-told", "It is not said who was told, or how.", "Fill in both, then record it."
            )
        at_ms = book.at_ms if self.told_ms is None else self.told_ms
        if at_ms > book.at_ms:
            raise RefusedError(
                "time", f"{book.local_text(at_ms)} lies ahead: nobody has been told then.", "Type the time again."
            )
        if at_ms < look_back.from_ms:
            raise RefusedError(
                "time",
                f"{book.local_text(at_ms)} is before all that look-back {look_back.id} concerns.",
                "Type the time again.",
            )
        told = Told(self.whom.strip(), self.how.strip(), at_ms, book.who, self.note.strip())
        return book.put(replace(look_back, told=(*look_back.told, told)))


@deed
class IssueList(Deed, frozen=True, kw_only=True):
    """Issue the list of a look-back for infection prevention.

    What stands in it is kept with the record, so that the same paper can be made again.

    Attributes:
        look_back: Which, open or closed.
    """

    NAME = "issue-look-back-list"
    ROLES = LEADS

    look_back: Id

    def perform(self, book: Book) -> LookBackList:
        """As it stands at this moment."""
        look_back = book.get(LookBack, self.look_back)
        issued = book.next_id(LookBackList)
        content = content_of(book, look_back, issued)
        encoded = msgspec.json.encode(content, order="deterministic").decode()
        return book.put(LookBackList(id=issued, look_back=look_back.id, by=book.who, at_ms=book.at_ms, content=encoded))


def _met_since(book: Book, look_back: LookBack, device_id: str) -> bool:
    """A round of the device that the look-back does not concern, begun after those that it does, has met."""
    rounds = book.all(Turn, group=device_id)
    concerned = [each.began_ms for each in rounds if each.id in look_back.turns]
    return any(
        each.id not in look_back.turns
        and each.began_ms >= max(concerned, default=0)
        and soak_of(book, each).verdict is Verdict.MET
        for each in rounds
    )
