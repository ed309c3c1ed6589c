"""After the soak: rinses timed one by one, each in fresh water, and drying."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec.structs import replace

from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.rounds import round_at
from collector.record.rounds.soaks import profile_of
from collector.record.said import need_reason
from collector.record.things import Attested, Device, DeviceType, Id, Note, Rinsed, Rinses, Stage, Turn
from soak.quantity import in_words


@deed
class BeginRinse(Deed, frozen=True, kw_only=True):
    """Begin a rinse.

    Attributes:
        device: Its asset number.
        fresh_water: The water is fresh: nothing has been rinsed in it. If it is not, the rinse does not count.
        water: Its kind, e.g. "sterile"; rinse water is a published field of the disinfection record.
    """

    NAME = "begin-rinse"

    device: Id
    fresh_water: bool
    water: Annotated[str, msgspec.Meta(max_length=80)] = ""

    def perform(self, book: Book) -> Turn:
        """One at a time, after it was taken out."""
        device, turn = round_at(book, self.device, Stage.SOAKED)
        if turn.rinses and turn.rinses[-1].ended_ms is None:
            running = turn.rinses[-1]
            raise RefusedError(
                "rinse-running",
                f"Rinse {len(turn.rinses)} of {device.id} runs since {in_words(book.at_ms - running.began_ms)}, "
                f"begun by {book.name_of(running.by)}.",
                "End it first.",
            )
        rinse = Rinsed(book.who, book.at_ms, fresh=self.fresh_water, water=self.water.strip())
        return book.put(replace(turn, rinses=(*turn.rinses, rinse)))


@deed
class EndRinse(Deed, frozen=True, kw_only=True):
    """End a rinse. One that was too short stays on record and does not count: rinse once more.

    Attributes:
        device: Its asset number.
    """

    NAME = "end-rinse"

    device: Id

    def perform(self, book: Book) -> Turn:
        """The one that runs."""
        device, turn = round_at(book, self.device, Stage.SOAKED)
        if not turn.rinses or turn.rinses[-1].ended_ms is not None:
            raise RefusedError("no-rinse", f"No rinse of {device.id} runs.", "Begin one, in fresh water.")
        ended = replace(turn.rinses[-1], ended_ms=book.at_ms)
        return book.put(replace(turn, rinses=(*turn.rinses[:-1], ended)))


class TimedRinse(msgspec.Struct, frozen=True):
    """One rinse as it was timed: when it began and when it had ended, milliseconds since 1970."""

    began_ms: int
    ended_ms: int


@deed
class RecordRinses(Deed, frozen=True, kw_only=True):
    """Record rinses that were timed beside the basin.

    Attributes:
        devices: Asset numbers of what was rinsed together.
        rinses: Each rinse, oldest first. One that was too short stays on record and does not count.
        fresh_water: The water was fresh each time: nothing had been rinsed in it. If it was not, they do not count.
        water: Its kind, e.g. "sterile"; rinse water is a published field of the disinfection record.
    """

    NAME = "record-rinses"

    devices: Annotated[tuple[Id, ...], msgspec.Meta(min_length=1, max_length=50)]
    rinses: Annotated[tuple[TimedRinse, ...], msgspec.Meta(min_length=1, max_length=20)]
    fresh_water: bool
    water: Annotated[str, msgspec.Meta(max_length=80)] = ""

    def perform(self, book: Book) -> Turn:
        """After they were taken out; the record says when it was told, beside when they were rinsed."""
        need_reason(self, "Recording rinses after they were done", "Say in a few words why, for instance: timed there.")
        _refuse_disorder(book, self.rinses)
        rounds = [round_at(book, device_id, Stage.SOAKED)[1] for device_id in dict.fromkeys(self.devices)]
        for turn in rounds:
            _refuse_overlap(book, turn, self.rinses[0].began_ms)
        timed = tuple(
            Rinsed(book.who, each.began_ms, each.ended_ms, fresh=self.fresh_water, water=self.water.strip())
            for each in self.rinses
        )
        for turn in rounds:
            book.put(replace(turn, rinses=(*turn.rinses, *timed)))
        return book.get(Turn, rounds[0].id)


def _refuse_disorder(book: Book, rinses: tuple[TimedRinse, ...]) -> None:
    """One after the other, and none ahead."""
    times = [ms for each in rinses for ms in (each.began_ms, each.ended_ms)]
    if times != sorted(times) or any(each.began_ms == each.ended_ms for each in rinses):
        raise RefusedError(
            "rinse-times",
            "These rinses do not follow one another: each ends after it began, and before the next begins.",
            "Type the times again, the oldest rinse first.",
        )
    if times[-1] > book.at_ms:
        raise RefusedError(
            "rinse-times", f"{book.local_text(times[-1])} lies ahead.", "Record a rinse once it has ended."
        )


def _refuse_overlap(book: Book, turn: Turn, began_ms: int) -> None:
    """Not before the device went into the solution, and not while another rinse ran."""
    last = turn.rinses[-1] if turn.rinses else None
    if last is not None and last.ended_ms is None:
        raise RefusedError(
            "rinse-running", f"Rinse {len(turn.rinses)} of {turn.device} runs, as the record has it.", "End it first."
        )
    before_ms = max(turn.in_ms or 0, last.ended_ms if last and last.ended_ms else 0)
    if began_ms < before_ms:
        raise RefusedError(
            "rinse-times",
            f"{turn.device} was still being soaked or rinsed at {book.local_text(before_ms)}: "
            f"no rinse of it began {book.local_text(began_ms)}.",
            "Type the times of the rinses that are not on record yet.",
        )


@deed
class AttestDried(Deed, frozen=True, kw_only=True):
    """Attest that you dried a device, and that it is dry.

    Attributes:
        device: Its asset number.
        note: In your words.
    """

    NAME = "attest-dried"

    device: Id
    note: Note = ""

    def perform(self, book: Book) -> Turn:
        """After the last rinse has ended; attested again if it was rinsed again."""
        device, turn = round_at(book, self.device, Stage.SOAKED)
        ends = [each.ended_ms for each in turn.rinses]
        if None in ends:
            raise RefusedError(
                "rinse-running", f"A rinse of {device.id} still runs.", "End it, dry it, then attest it."
            )
        if not ends:
            raise RefusedError(
                "rinse-first", f"{device.id} has not been rinsed since its soak.", "Rinse it, then dry it."
            )
        last_ms = max(end for end in ends if end is not None)
        if turn.dried and turn.dried.at_ms >= last_ms and not self._too_short(book, device, turn, last_ms):
            raise RefusedError(
                "dried-twice",
                f"The drying of {device.id} was attested {book.local_text(turn.dried.at_ms)} "
                f"by {book.name_of(turn.dried.by)}.",
                "Nothing more is needed for it.",
            )
        return book.put(replace(turn, dried=Attested(book.who, book.at_ms, self.note)))

    @staticmethod
    def _too_short(book: Book, device: Device, turn: Turn, last_ms: int) -> bool:
        dry_ms = book.get(DeviceType, device.type).dry_ms
        return turn.dried is not None and turn.dried.at_ms - last_ms < dry_ms


def rinses_needed(book: Book, turn: Turn) -> Rinses | None:
    """What is asked: the label's rinses, or more where the device's maker asks for more. None: nobody has entered it.

    Three of at least one minute, each in fresh water, is common practice without a source: the label confirms.
    """
    profile = profile_of(book, turn)
    asked = [profile.rinses if profile else None, book.get(DeviceType, book.get(Device, turn.device).type).rinses]
    known = [each for each in asked if each is not None]
    if profile is None or profile.rinses is None:
        return None
    return Rinses(
        count=max(each.count for each in known),
        each_ms=max(each.each_ms for each in known),
        volume_ml=max((each.volume_ml for each in known if each.volume_ml is not None), default=None),
        water=" and ".join(dict.fromkeys(each.water for each in known if each.water)),
    )
