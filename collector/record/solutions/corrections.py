"""What was mistyped of a bottle or a strip bottle, put right by a later record that says why."""

from __future__ import annotations

from typing import Any

import msgspec
from msgspec import UNSET, UnsetType

from collector.record.book import Book
from collector.record.deed import KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.said import given
from collector.record.solutions import fills
from collector.record.solutions.bottles import dated
from collector.record.solutions.needs import OpenDays, Volume, expiry, need_reason
from collector.record.solutions.strips import dated as strips_dated
from collector.record.things import Bottle, Date, Fill, Id, MecResult, MecTest, Profile, StripBottle, Text


@deed
class CorrectBottle(Deed, frozen=True, kw_only=True):
    """Correct what was typed of a bottle.

    Attributes:
        bottle: Which; it may be empty by now.
        lot: Printed on it.
        expires: Printed on it.
        volume_ml: When full; what is left changes by as much.
        opened_ms: When it was opened; only of one that has been.
        activated_ms: When it was activated; only of one that has been.
    """

    NAME = "correct-bottle"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    bottle: Id
    lot: Text | UnsetType = UNSET
    expires: Date | UnsetType = UNSET
    volume_ml: Volume | UnsetType = UNSET
    opened_ms: int | UnsetType = UNSET
    activated_ms: int | UnsetType = UNSET

    def perform(self, book: Book) -> Bottle:
        """Fills with it follow; loads that were then past their fill's use-by are looked back on."""
        bottle = book.get(Bottle, self.bottle)
        need_reason(self, f"Correcting bottle {bottle.id}")
        changes = _changes(book, self, "bottle", bottle)
        if "volume_ml" in changes and not bottle.gone:
            changes["left_ml"] = max(0, bottle.left_ml + changes["volume_ml"] - bottle.volume_ml)
        bottle = dated(book, msgspec.structs.replace(bottle, **changes), book.get(Profile, bottle.profile))
        for fill in book.all(Fill):
            if any(poured.bottle == bottle.id for poured in fill.poured):
                _follow(book, fill, bottle)
        return bottle


@deed
class CorrectStripBottle(Deed, frozen=True, kw_only=True):
    """Correct what was typed of a bottle of test strips.

    Attributes:
        strip_bottle: Which; it may be used up by now.
        lot: Printed on it.
        expires: Printed on it.
        open_days: How long it may be used once open, printed on it.
        opened_ms: When it was opened; only of one that has been.
    """

    NAME = "correct-strip-bottle"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    strip_bottle: Id
    lot: Text | UnsetType = UNSET
    expires: Date | UnsetType = UNSET
    open_days: OpenDays | UnsetType = UNSET
    opened_ms: int | UnsetType = UNSET

    def perform(self, book: Book) -> StripBottle:
        """MEC tests that passed with its strips past their use-by are looked back on."""
        before = book.get(StripBottle, self.strip_bottle)
        need_reason(self, f"Correcting strip bottle {before.id}")
        changes = _changes(book, self, "strip_bottle", before)
        bottle = strips_dated(book, msgspec.structs.replace(before, **changes))
        late = [
            test
            for test in book.all(MecTest, since_ms=bottle.use_by_ms + 1)
            if test.strip_bottle == bottle.id and test.result is MecResult.PASS
        ]
        if late and bottle.use_by_ms < before.use_by_ms:
            open_look_back(
                book,
                cause="strips-corrected",
                text=f"Strip bottle {bottle.id} (lot {bottle.lot}) was corrected: its use-by was "
                f"{book.local_text(bottle.use_by_ms)}, and MEC tests passed with its strips after that.",
                from_ms=late[0].dipped_ms,
                until_ms=book.at_ms,
                fills=tuple(dict.fromkeys(test.fill for test in late)),
            )
        return bottle


def _changes(book: Book, said: Deed, which: str, before: Bottle | StripBottle) -> dict[str, Any]:
    changes = {field: content for field, content in given(said).items() if field != which}
    for field in ("opened_ms", "activated_ms"):
        if field in changes:
            _refuse_moment(book, before, field, changes[field])
    if "expires" in changes:
        changes["expires"] = expiry(book, changes["expires"])
    if "lot" in changes:
        changes["lot"] = changes["lot"].strip()
    return changes


def _refuse_moment(book: Book, before: Bottle | StripBottle, field: str, at_ms: int) -> None:
    """A time is corrected of what has happened, and to one that has come."""
    word = field.removesuffix("_ms")
    if getattr(before, field) is None:
        raise RefusedError(
            "not-yet",
            f"{before.id} has not been recorded as {word}: there is no time to correct.",
            f"Record that it was {word}, with its time.",
        )
    if at_ms > book.at_ms:
        raise RefusedError(
            "time", f"{before.id} {word} at {book.local_text(at_ms)} lies ahead.", "Type the time again."
        )


def _follow(book: Book, before: Fill, bottle: Bottle) -> None:
    """The fill's lots and use-by as the corrected bottle makes them."""
    poured = tuple(
        msgspec.structs.replace(each, lot=bottle.lot) if each.bottle == bottle.id else each for each in before.poured
    )
    fill = fills.dated(book, msgspec.structs.replace(before, poured=poured))
    ended_ms = fill.discarded.at_ms if fill.discarded else book.at_ms
    if fill.loads and fill.use_by_ms < min(before.use_by_ms, ended_ms):
        open_look_back(
            book,
            cause="bottle-corrected",
            text=f"Bottle {bottle.id} (lot {bottle.lot}) was corrected: fill {fill.id} was to be used by "
            f"{book.local_text(fill.use_by_ms)} ({fill.use_by_why}), and may have been used after that.",
            from_ms=fill.use_by_ms,
            until_ms=book.at_ms,
            fills=(fill.id,),
        )
