"""Bottles of test strips: received, opened with their control tests, thrown away."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.solutions.lives import strips_use_by
from collector.record.solutions.needs import OpenDays, calendar, expiry, moment, need_reason
from collector.record.things import (
    ControlResult,
    Controls,
    Date,
    Id,
    MecResult,
    MecTest,
    Profile,
    Strip,
    StripBottle,
    Text,
)
from soak.quantity import in_words

EXAMPLE_CONTROLS = Controls(per_control=3, dilution="1:1")
"""As published for one kind of ortho-phthalaldehyde strip (University of Toledo radiology policy 3364-135-028, 1 May
2017, B, C): three strips in full-strength solution, three in one part solution with one part water. An example only:
each bottle's own instructions decide. Open lives of 90 days, 3 months and 6 months are all published: no default."""

_NEW = "Scan or type it again; if it is new, receive the strip bottle first."


@deed
class ReceiveStripBottle(Deed, frozen=True, kw_only=True):
    """Receive a bottle of test strips.

    Attributes:
        profile: The solution that it is meant for, as its label says.
        lot: Printed on it.
        expires: Last day, printed on it.
        open_days: How long it may be used once open, printed on it.
        strip: Dip time and read window as its own instructions print them.
        controls: Control tests that its instructions ask for on opening; none: `per_control` 0, which takes a
            technician a reason that cites the instructions.
    """

    NAME = "receive-strip-bottle"
    ROLES = HANDS | KEEPERS

    profile: Id
    lot: Text
    expires: Date
    open_days: OpenDays
    strip: Strip
    controls: Controls

    def perform(self, book: Book) -> StripBottle:
        """Not to be used before it is opened and its controls have passed."""
        profile = book.get(Profile, self.profile)
        if not profile.mec_monitored:
            raise _not_monitored(profile)
        if self.strip.read_until_ms <= self.strip.read_from_ms:
            raise RefusedError(
                "strip-window",
                f"Strips would have to be read by {in_words(self.strip.read_until_ms)} and not before "
                f"{in_words(self.strip.read_from_ms)}.",
                "Copy the read window again from the instructions of the strips.",
            )
        no_controls_why = "" if self.controls.per_control else self.reason.strip()
        if not self.controls.per_control and not no_controls_why and not KEEPERS & set(book.person.roles):
            raise RefusedError(
                "controls",
                "Without control tests nothing shows that these strips can fail.",
                "Type how many strips their instructions ask for; if they ask for none, write as the reason what they "
                "say and where, with their revision.",
            )
        bottle = StripBottle(
            id=book.next_id(StripBottle),
            profile=profile.id,
            lot=self.lot.strip(),
            expires=expiry(book, self.expires),
            open_days=self.open_days,
            use_by_ms=0,
            strip=self.strip,
            controls=self.controls,
            no_controls_why=no_controls_why,
        )
        bottle = dated(book, bottle)
        if book.at_ms > bottle.use_by_ms:
            raise RefusedError(
                "strips-out-of-date",
                f"Strips of lot {bottle.lot} expired on {bottle.expires}.",
                "Do not use them: set them aside, and take a bottle in date.",
            )
        return bottle


@deed
class OpenStripBottle(Deed, frozen=True, kw_only=True):
    """Open a bottle of test strips.

    Attributes:
        strip_bottle: Which.
        opened_ms: When, if it is recorded late.
    """

    NAME = "open-strip-bottle"

    strip_bottle: Id
    opened_ms: int | None = None

    def perform(self, book: Book) -> StripBottle:
        """Its open life begins; write the date on it."""
        bottle = there(book, self.strip_bottle)
        refuse_out_of_date(book, bottle)
        if bottle.opened_ms is not None:
            raise RefusedError(
                "strips-open",
                f"Strip bottle {bottle.id} was opened at {book.local_text(bottle.opened_ms)}.",
                f"It may be used until {book.local_text(bottle.use_by_ms)}; nothing more is needed.",
            )
        opened_ms = moment(book, self, self.opened_ms, f"Opening strip bottle {bottle.id}")
        bottle = dated(book, msgspec.structs.replace(bottle, opened_ms=opened_ms))
        refuse_out_of_date(book, bottle)
        return bottle


@deed
class RecordControls(Deed, frozen=True, kw_only=True):
    """Record the control tests of a bottle of test strips.

    Attributes:
        strip_bottle: Which.
        positives_passed: Strips in full-strength solution that read as passing.
        negatives_failed: Strips in the dilution that read as failing.
    """

    NAME = "record-controls"

    strip_bottle: Id
    positives_passed: Annotated[int, msgspec.Meta(ge=0, le=20)]
    negatives_failed: Annotated[int, msgspec.Meta(ge=0, le=20)]

    def perform(self, book: Book) -> StripBottle:
        """Every strip must have read as it should; a set that did not stands."""
        bottle = there(book, self.strip_bottle)
        refuse_unopened(bottle)
        refuse_out_of_date(book, bottle)
        asked = bottle.controls.per_control
        if not asked:
            raise RefusedError(
                "controls",
                f"The instructions of strip bottle {bottle.id} ask for no control tests, as it was received.",
                "Compare with its instructions; if they ask for some, receive the bottle again with their number.",
            )
        if max(self.positives_passed, self.negatives_failed) > asked:
            raise RefusedError(
                "controls",
                f"Each control has {asked} strip{'s' * (asked != 1)}; {self.positives_passed} passing and "
                f"{self.negatives_failed} failing cannot be.",
                "Count the strips of each control again.",
            )
        passed = self.positives_passed == asked == self.negatives_failed
        result = ControlResult(book.who, book.at_ms, self.positives_passed, self.negatives_failed, passed)
        if not passed:
            _question_tests(book, bottle)
        results = (*bottle.control_results, result)
        return book.put(msgspec.structs.replace(bottle, control_results=results))


@deed
class DiscardStripBottle(Deed, frozen=True, kw_only=True):
    """Throw a bottle of test strips away.

    Attributes:
        strip_bottle: Which.
    """

    NAME = "discard-strip-bottle"
    ROLES = HANDS | KEEPERS

    strip_bottle: Id

    def perform(self, book: Book) -> StripBottle:
        """It can be used no more."""
        bottle = there(book, self.strip_bottle)
        need_reason(self, f"Throwing strip bottle {bottle.id} away")
        return book.put(msgspec.structs.replace(bottle, gone=True))


def strips_to_use(book: Book, profile: str) -> list[StripBottle]:
    """The strip bottles that may be used now for a solution, first-expiring first."""
    return [each for each in book.all(StripBottle, group=profile, only_open=True) if strip_block(book, each) is None]


def strip_block(book: Book, bottle: StripBottle) -> RefusedError | None:
    """Why a strip bottle must not be used at the book's moment; None if it may be."""
    try:
        there(book, bottle.id)
        refuse_unopened(bottle)
        refuse_out_of_date(book, bottle)
        _refuse_uncontrolled(book, bottle)
    except RefusedError as refusal:
        return refusal
    return None


def there(book: Book, bottle_id: str) -> StripBottle:
    """A strip bottle that is not gone.

    Raises:
        RefusedError: There is none, or it is gone.
    """
    bottle = book.get(StripBottle, bottle_id, _NEW)
    if bottle.gone:
        raise RefusedError(
            "strips-gone",
            f"Strip bottle {bottle.id} (lot {bottle.lot}) is recorded as thrown away.",
            "Scan the bottle that you have in hand.",
        )
    return bottle


def refuse_unopened(bottle: StripBottle) -> None:
    """Refuse what was not recorded as opened: its open life would not run."""
    if bottle.opened_ms is None:
        raise RefusedError(
            "strips-closed",
            f"Strip bottle {bottle.id} has not been recorded as opened: its open life does not run yet.",
            "Record that it was opened, and write the date on it.",
        )


def refuse_out_of_date(book: Book, bottle: StripBottle) -> None:
    """Refuse to use strips past their use-by."""
    if book.at_ms > bottle.use_by_ms:
        why = strips_use_by(bottle.expires, bottle.opened_ms, bottle.open_days, calendar(book)).why
        raise RefusedError(
            "strips-out-of-date",
            f"Strip bottle {bottle.id} (lot {bottle.lot}) was to be used by {book.local_text(bottle.use_by_ms)} "
            f"({why}).",
            "Throw it away and open one in date.",
        )


def strips_prove(bottle: StripBottle, dipped_ms: int) -> bool:
    """Whether what passed with a strip that was dipped at a moment is worth anything, by all that is known of it now.

    Not past its use-by as it stands on file now, and not where controls failed later without good ones in between.
    """
    failed = [each.at_ms for each in bottle.control_results if not each.passed and each.at_ms >= dipped_ms]
    good = [each.at_ms for each in bottle.control_results if each.passed and each.at_ms > dipped_ms]
    return dipped_ms <= bottle.use_by_ms and (not failed or any(each < min(failed) for each in good))


def _refuse_uncontrolled(book: Book, bottle: StripBottle) -> None:
    failed = [result for result in bottle.control_results if not result.passed]
    if failed:
        raise RefusedError(
            "controls-failed",
            f"Control tests of strip bottle {bottle.id} failed at {book.local_text(failed[0].at_ms)}: "
            f"{failed[0].positives_passed} of {bottle.controls.per_control} passed in full strength, "
            f"{failed[0].negatives_failed} of {bottle.controls.per_control} failed in the dilution.",
            "Throw it away and open another; later controls do not undo these.",
        )
    if bottle.controls.per_control and not bottle.control_results:
        dilution = f" (dilution {bottle.controls.dilution})" if bottle.controls.dilution else ""
        raise RefusedError(
            "controls-missing",
            f"No control tests of strip bottle {bottle.id} are recorded.",
            f"Dip {bottle.controls.per_control} in full-strength solution in date and "
            f"{bottle.controls.per_control} in the dilution{dilution}, and record how they read.",
        )


def _question_tests(book: Book, bottle: StripBottle) -> None:
    """What passed with these strips since their last good controls is in question."""
    since_ms = max((result.at_ms for result in bottle.control_results if result.passed), default=bottle.opened_ms or 0)
    tests = [
        test
        for test in book.all(MecTest, since_ms=since_ms)
        if test.strip_bottle == bottle.id and test.result is MecResult.PASS
    ]
    if not tests:
        return
    open_look_back(
        book,
        cause="strip-controls-failed",
        text=f"Control tests of strip bottle {bottle.id} (lot {bottle.lot}) failed: MEC tests that passed with its "
        f"strips since {book.local_text(since_ms)} prove nothing.",
        from_ms=tests[0].dipped_ms,
        until_ms=book.at_ms,
        fills=tuple(dict.fromkeys(test.fill for test in tests)),
    )


def _not_monitored(profile: Profile) -> RefusedError:
    return RefusedError(
        "mec-not-monitored",
        f"No concentration is monitored for {profile.name}: its profile says so.",
        "Compare with the label; if it asks for tests, have the profile corrected.",
    )


def dated(book: Book, bottle: StripBottle) -> StripBottle:
    """The strip bottle with the use-by that follows from it, put into the book."""
    use_by = strips_use_by(bottle.expires, bottle.opened_ms, bottle.open_days, calendar(book))
    return book.put(msgspec.structs.replace(bottle, use_by_ms=use_by.ms))
