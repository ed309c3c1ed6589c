"""Bottles of solution: received, opened, activated, used up, and which one is poured next."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.deed import HANDS, KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.solutions.gtin import gtin
from collector.record.solutions.lives import bottle_use_by
from collector.record.solutions.needs import Volume, calendar, expiry, moment, need_reason
from collector.record.things import Bottle, Date, Id, Profile, Text

_NEW = "Scan or type it again; if it is new, receive the bottle first."


@deed
class ReceiveBottle(Deed, frozen=True, kw_only=True):
    """Receive bottles of solution.

    Attributes:
        gtin: Product code as scanned: it says which solution it is. Empty only where the label has none.
        profile: Only where the label has no product code: a supervisor or administrator says which solution it is.
        lot: Printed on it.
        expires: Last day on which it may be used, printed on it.
        volume_ml: When full.
        serial: Serial number, if printed.
        count: How many of the same lot.
    """

    NAME = "receive-bottle"
    ROLES = HANDS | KEEPERS

    lot: Text
    expires: Date
    volume_ml: Volume
    gtin: Annotated[str, msgspec.Meta(max_length=14)] = ""
    profile: Id | None = None
    serial: Annotated[str, msgspec.Meta(max_length=40)] = ""
    count: Annotated[int, msgspec.Meta(ge=1, le=50)] = 1

    def perform(self, book: Book) -> Bottle:
        """The first of them."""
        code = gtin(self.gtin) if self.gtin else ""
        profile = self._profile(book, code)
        if profile.retired:
            raise RefusedError(
                "profile-retired",
                f"Profile {profile.id} ({profile.name}) is retired: nothing new is taken in.",
                "Compare the bottle with what is in use, and set it aside.",
            )
        self._refuse_twice(book, code)
        first: Bottle | None = None
        for _ in range(self.count):
            bottle = Bottle(
                id=book.next_id(Bottle),
                profile=profile.id,
                lot=self.lot.strip(),
                expires=expiry(book, self.expires),
                volume_ml=self.volume_ml,
                left_ml=self.volume_ml,
                received_ms=book.at_ms,
                gtin=code,
                serial=self.serial.strip(),
                use_by_ms=0,
            )
            bottle = dated(book, bottle, profile)
            if book.at_ms > bottle.use_by_ms:
                raise RefusedError(
                    "bottle-out-of-date",
                    f"Lot {bottle.lot} of {profile.name} expired on {bottle.expires}.",
                    "Do not use it: set it aside, send it back or throw it away under your disposal rule.",
                )
            first = first or bottle
        assert first is not None  # noqa: S101 - count is at least one
        return first

    def _profile(self, book: Book, code: str) -> Profile:
        if code and self.profile is None:
            return profile_of_code(book, code)
        if self.profile is None or code:
            raise RefusedError(
                "bottle-profile",
                "What is in a bottle follows from its product code"
                + (", and it was also said." if code else ", and none was scanned."),
                "Scan the product code alone; if the label has none, a supervisor says which solution it is.",
            )
        if not KEEPERS & set(book.person.roles):
            raise RefusedError(
                "bottle-profile",
                f"{book.person.name} cannot say what is in a bottle without a product code.",
                "Scan its code; if the label has none, ask a supervisor or administrator to receive it.",
            )
        return book.get(Profile, self.profile)

    def _refuse_twice(self, book: Book, code: str) -> None:
        if not self.serial.strip():
            return
        if self.count > 1:
            raise RefusedError(
                "serial", f"Serial number {self.serial} cannot be on {self.count} bottles.", "Receive each by itself."
            )
        for bottle in book.all(Bottle):
            if (bottle.gtin, bottle.lot, bottle.serial) == (code, self.lot.strip(), self.serial.strip()):
                raise RefusedError(
                    "duplicate-scan",
                    f"The bottle with serial number {bottle.serial} of lot {bottle.lot} was received at "
                    f"{book.local_text(bottle.received_ms)} as {bottle.id}.",
                    f"Use {bottle.id}.",
                )


@deed
class OpenBottle(Deed, frozen=True, kw_only=True):
    """Open a bottle.

    Attributes:
        bottle: Which.
        opened_ms: When, if it is recorded late.
    """

    NAME = "open-bottle"

    bottle: Id
    opened_ms: int | None = None

    def perform(self, book: Book) -> Bottle:
        """Its opened-container use life begins."""
        bottle, profile = usable(book, self.bottle)
        if bottle.opened_ms is not None:
            raise RefusedError(
                "bottle-open",
                f"Bottle {bottle.id} was opened at {book.local_text(bottle.opened_ms)}.",
                f"It may be poured until {book.local_text(bottle.use_by_ms)}; nothing more is needed.",
            )
        opened_ms = moment(book, self, self.opened_ms, f"Opening bottle {bottle.id}")
        refuse_out_of_date(book, bottle, opened_ms)
        return dated(book, msgspec.structs.replace(bottle, opened_ms=opened_ms), profile)


@deed
class ActivateBottle(Deed, frozen=True, kw_only=True):
    """Activate a bottle.

    Attributes:
        bottle: Which.
        activated_ms: When, if it is recorded late.
    """

    NAME = "activate-bottle"

    bottle: Id
    activated_ms: int | None = None

    def perform(self, book: Book) -> Bottle:
        """Its activated life begins; activating opens it."""
        bottle, profile = usable(book, self.bottle)
        if not profile.activation:
            raise RefusedError(
                "no-activation",
                f"{profile.name} is not activated: its profile says so.",
                "Compare with the label; if it prints an activation, have the profile corrected.",
            )
        if bottle.activated_ms is not None:
            raise RefusedError(
                "bottle-activated",
                f"Bottle {bottle.id} was activated at {book.local_text(bottle.activated_ms)}.",
                f"It may be poured until {book.local_text(bottle.use_by_ms)}; nothing more is needed.",
            )
        at_ms = moment(book, self, self.activated_ms, f"Activating bottle {bottle.id}")
        refuse_out_of_date(book, bottle, at_ms)
        opened_ms = at_ms if bottle.opened_ms is None else bottle.opened_ms
        return dated(book, msgspec.structs.replace(bottle, activated_ms=at_ms, opened_ms=opened_ms), profile)


@deed
class EmptyBottle(Deed, frozen=True, kw_only=True):
    """Record that a bottle is empty."""

    NAME = "empty-bottle"

    bottle: Id

    def perform(self, book: Book) -> Bottle:
        """Nothing is left in it."""
        bottle = there(book, self.bottle)
        return book.put(msgspec.structs.replace(bottle, left_ml=0, gone=True))


@deed
class DiscardBottle(Deed, frozen=True, kw_only=True):
    """Throw a bottle away."""

    NAME = "discard-bottle"
    ROLES = HANDS | KEEPERS

    bottle: Id

    def perform(self, book: Book) -> Bottle:
        """What was left in it stays on record."""
        bottle = there(book, self.bottle)
        need_reason(self, f"Throwing bottle {bottle.id} away")
        return book.put(msgspec.structs.replace(bottle, gone=True))


def profile_of_code(book: Book, code: str) -> Profile:
    """The profile to which a product code belongs.

    Args:
        book: To look in.
        code: 14 digits.

    Raises:
        RefusedError: To none.
    """
    for profile in book.all(Profile):
        if code in profile.product_codes:
            return profile
    raise RefusedError(
        "unknown-product-code",
        f"Product code {code} belongs to no solution profile: what is in that bottle is not known here.",
        "Ask a supervisor or administrator to assign the code to the profile of its label.",
    )


def bottle_of_scan(book: Book, code: str, lot: str, serial: str = "") -> Bottle:
    """The received bottle that a scan means; without a serial number the first-expiring of its lot.

    Args:
        book: To look in.
        code: The product code.
        lot: As scanned.
        serial: As scanned.

    Raises:
        RefusedError: The code or the lot is not known, or nothing of that lot is left.
    """
    profile = profile_of_code(book, gtin(code))
    same = [each for each in book.all(Bottle, group=profile.id) if each.gtin == gtin(code) and each.lot == lot]
    if serial:
        same = [each for each in same if each.serial == serial]
    left = [each for each in same if not each.gone]
    if left:
        return left[0]
    what = f"lot {lot}" + (f" with serial number {serial}" if serial else "")
    if same:
        raise RefusedError(
            "bottle-gone",
            f"Every bottle of {profile.name}, {what}, is recorded as empty or thrown away.",
            "If this one is new, receive it first.",
        )
    raise RefusedError(
        "unknown-lot", f"No bottle of {profile.name}, {what}, was received.", "Receive the bottle first."
    )


def bottles_to_pour(book: Book, profile: str) -> list[Bottle]:
    """The bottles of a solution that may be poured now, first-expiring first."""
    return [each for each in book.all(Bottle, group=profile, only_open=True) if each.use_by_ms >= book.at_ms]


def there(book: Book, bottle_id: str) -> Bottle:
    """A bottle that is not gone.

    Raises:
        RefusedError: There is none, or it is gone.
    """
    bottle = book.get(Bottle, bottle_id, _NEW)
    if bottle.gone:
        raise RefusedError(
            "bottle-gone",
            f"Bottle {bottle.id} (lot {bottle.lot}) is recorded as empty or thrown away.",
            "Scan the bottle that you have in hand.",
        )
    return bottle


def usable(book: Book, bottle_id: str) -> tuple[Bottle, Profile]:
    """A bottle that may still be used at the book's moment, and what is in it.

    Raises:
        RefusedError: There is none, it is gone, or out of date.
    """
    bottle = there(book, bottle_id)
    refuse_out_of_date(book, bottle)
    return bottle, book.get(Profile, bottle.profile)


def refuse_out_of_date(book: Book, bottle: Bottle, at_ms: int | None = None) -> None:
    """Refuse to use a bottle past its use-by; the book's moment if no other is given."""
    if (book.at_ms if at_ms is None else at_ms) > bottle.use_by_ms:
        why = bottle_use_by(bottle, book.get(Profile, bottle.profile), calendar(book)).why
        raise RefusedError(
            "bottle-out-of-date",
            f"Bottle {bottle.id} (lot {bottle.lot}) was to be used by {book.local_text(bottle.use_by_ms)} ({why}).",
            "Do not pour it. Set it aside, throw it away under your disposal rule, and take the first-expiring one.",
        )


def recount(book: Book, profile: Profile) -> None:
    """Let the use-by of every bottle follow a corrected profile."""
    for bottle in book.all(Bottle, group=profile.id, only_open=True):
        dated(book, bottle, profile)


def dated(book: Book, bottle: Bottle, profile: Profile) -> Bottle:
    """The bottle with the use-by that follows from it, put into the book."""
    return book.put(msgspec.structs.replace(bottle, use_by_ms=bottle_use_by(bottle, profile, calendar(book)).ms))
