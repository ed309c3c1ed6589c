"""Solution profiles: drafted from what is published or from a label, used only once confirmed against the label."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.deed import KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.solutions import bottles, fills
from collector.record.solutions.chemistries import defaults, of_substance, rows_of, use_of
from collector.record.solutions.gtin import gtin
from collector.record.solutions.label import FIGURES, Confirmation, Label, refuse_unusable, started, typed, words_for
from collector.record.solutions.needs import basin_name, need_reason
from collector.record.solutions.printed import CHEMISTRIES, Use
from collector.record.things import Bottle, Fill, Id, Profile

ProductCode = Annotated[str, msgspec.Meta(max_length=14)]


@deed
class DraftProfile(Label, frozen=True, kw_only=True):
    """Draft a solution profile.

    Attributes:
        profile: Its name among profiles, e.g. "opa-us".
        chemistry: Key of the published table to start from; empty: everything is typed from the label.
    """

    NAME = "draft-profile"
    ROLES = KEEPERS

    profile: Id
    chemistry: Annotated[str, msgspec.Meta(max_length=80)] = ""

    def perform(self, book: Book) -> Profile:
        """Not usable yet."""
        if book.find(Profile, self.profile):
            raise RefusedError(
                "profile-exists",
                f"There is a solution profile {self.profile} already.",
                "Correct that one, or give the new one another name.",
            )
        if self.chemistry:
            draft = self._from_table()
        elif self.name is None or self.manual is None:
            lacking = "name" if self.name is None else "word whether its claim holds for soaking by hand"
            raise RefusedError(
                "profile-figures", f"A profile typed from a label needs a {lacking}.", "Copy it from the label."
            )
        else:
            draft = started(Profile(id=self.profile, name=self.name), of_substance(self.name))
        return book.put(typed(draft, self, book))

    def _from_table(self) -> Profile:
        name = CHEMISTRIES.get(self.chemistry)
        if name is None:
            raise RefusedError(
                "unknown-chemistry",
                f"The table of chemistries has no {self.chemistry!r}.",
                f"Choose one of the table ({', '.join(CHEMISTRIES)}), or type everything from the label.",
            )
        use = use_of(self.chemistry)
        if not use.in_a_basin():
            raise RefusedError(
                "automated-only", f"{name[0].upper()}{name[1:]}: {_not_by_hand(self.chemistry)}", _BY_HAND
            )
        if use is Use.NOT_SAID and self.manual is None:
            raise RefusedError(
                "profile-figures",
                f"No source in the table says whether {name} may be used for soaking by hand.",
                "Look on the label whether it may, and say so.",
            )
        return started(Profile(id=self.profile, name=name, chemistry=self.chemistry), defaults(self.chemistry))


_BY_HAND = "Choose a claim that the label prints for soaking by hand; if it prints none, do not soak in it."


def _not_by_hand(chemistry: str) -> str:
    row = next(row for row in rows_of(chemistry) if not row.use.in_a_basin())
    what = "it is not used as a soak" if row.use is Use.NOT_A_SOAK else f"printed for {row.use.value}"
    return f"{what} ({row.source}). {row.note}".rstrip()


@deed
class ConfirmProfile(Confirmation, frozen=True, kw_only=True):
    """Confirm a solution profile against the label.

    Attributes:
        profile: Which. Figures that it still lacks are given here; a profile confirmed before is corrected instead.
    """

    NAME = "confirm-profile"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    profile: Id

    def perform(self, book: Book) -> Profile:
        """Usable from now on."""
        before = _in_service(book, self.profile)
        profile = typed(before, self, book)
        if before.confirmed and _differ(before, profile):
            raise RefusedError(
                "profile-confirmed",
                f"Profile {before.id} was confirmed by {book.name_of(before.confirmed.by)} at "
                f"{book.local_text(before.confirmed.at_ms)} with other figures.",
                "If the label says otherwise, correct the profile: every soak in it is then judged again.",
            )
        refuse_unusable(profile)
        return book.put(msgspec.structs.replace(profile, confirmed=self.confirmed(book)))


@deed
class CorrectProfile(Confirmation, frozen=True, kw_only=True):
    """Correct a solution profile and confirm it again.

    Attributes:
        profile: Which.
    """

    NAME = "correct-profile"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    profile: Id

    def perform(self, book: Book) -> Profile:
        """Bottles and fills follow, and whatever was soaked in it is looked back on."""
        before = _in_service(book, self.profile)
        need_reason(self, f"Correcting profile {before.id}")
        profile = typed(before, self, book)
        changed = _differ(before, profile)
        if not changed:
            raise RefusedError(
                "no-change",
                f"Profile {before.id} already has these figures.",
                "If only the label is new, confirm the profile against it.",
            )
        refuse_unusable(profile)
        profile = msgspec.structs.replace(profile, revision=before.revision + 1, confirmed=self.confirmed(book))
        book.put(profile)
        if _LIVES & set(changed):
            bottles.recount(book, profile)
            fills.recount(book, profile)
        _look_back(book, profile, [fill for fill in book.all(Fill) if fill.profile == profile.id], changed)
        return profile


_LIVES = frozenset({"single_use", "reuse_days", "opened_days", "activation", "activated_days"})
"""What dates bottles and fills. Other corrections leave their use-by as it was counted at opening and pouring: how the
site counts days may have changed since."""


def _differ(before: Profile, after: Profile) -> list[str]:
    """Fields that differ."""
    return [field for field in FIGURES if getattr(before, field) != getattr(after, field)]


def _look_back(book: Book, profile: Profile, poured: list[Fill], changed: list[str]) -> None:
    concerned = [fill for fill in poured if fill.loads]
    if not concerned:
        return
    open_look_back(
        book,
        cause="profile-corrected",
        text=f"Profile {profile.id} ({profile.name}) was corrected to revision {profile.revision} "
        f"({words_for(changed)}): soaks in {len(concerned)} fill{'s' * (len(concerned) != 1)} were judged by the "
        "figures before.",
        from_ms=min(fill.poured_ms for fill in concerned),
        until_ms=book.at_ms,
        fills=tuple(fill.id for fill in concerned),
    )


@deed
class RetireProfile(Deed, frozen=True, kw_only=True):
    """Retire a solution profile.

    Attributes:
        profile: Which; fills that are in use stay in use.
    """

    NAME = "retire-profile"
    ROLES = KEEPERS

    profile: Id

    def perform(self, book: Book) -> Profile:
        """Nothing new may be received or poured."""
        profile = _in_service(book, self.profile)
        need_reason(self, f"Retiring profile {profile.id}")
        return book.put(msgspec.structs.replace(profile, retired=True))


@deed
class AssignProductCode(Deed, frozen=True, kw_only=True):
    """Assign a product code to a solution profile.

    Attributes:
        profile: Which.
        gtin: The product code of a container that holds it.
    """

    NAME = "assign-product-code"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    profile: Id
    gtin: ProductCode

    def perform(self, book: Book) -> Profile:
        """A code belongs to one profile only."""
        profile, code = _in_service(book, self.profile), gtin(self.gtin)
        for other in book.all(Profile):
            if code in other.product_codes:
                raise RefusedError(
                    "product-code-assigned",
                    f"Product code {code} belongs to profile {other.id} ({other.name}).",
                    "Nothing more is needed."
                    if other.id == profile.id
                    else "Compare both labels; if the code was assigned wrongly, take it away there first.",
                )
        return book.put(msgspec.structs.replace(profile, product_codes=(*profile.product_codes, code)))


@deed
class TakeProductCodeAway(Deed, frozen=True, kw_only=True):
    """Take a product code away from a solution profile: what its bottles were taken for is in question.

    Attributes:
        profile: Which.
        gtin: The product code.
    """

    NAME = "take-product-code-away"
    ROLES = KEEPERS
    SECOND_FACTOR = True

    profile: Id
    gtin: ProductCode

    def perform(self, book: Book) -> Profile:
        """Nothing more is poured from bottles received by it; what was soaked in fills of them is looked back on."""
        profile, code = book.get(Profile, self.profile), gtin(self.gtin)
        need_reason(self, f"Taking product code {code} away")
        if code not in profile.product_codes:
            raise RefusedError(
                "product-code-assigned",
                f"Product code {code} does not belong to profile {profile.id} ({profile.name}).",
                "Look on the profiles' page to which it belongs.",
            )
        kept = tuple(each for each in profile.product_codes if each != code)
        _question_code(book, profile, code)
        return book.put(msgspec.structs.replace(profile, product_codes=kept))


def _question_code(book: Book, profile: Profile, code: str) -> None:
    """Fills of bottles that were taken for this solution by a code that is not its own."""
    taken = {bottle.id for bottle in book.all(Bottle, group=profile.id) if bottle.gtin == code}
    fills_of = [fill for fill in book.all(Fill) if any(each.bottle in taken for each in fill.poured)]
    in_use = next((fill for fill in fills_of if fill.open()), None)
    if in_use:
        raise RefusedError(
            "fill-in-use",
            f"Fill {in_use.id} in {basin_name(book, in_use.basin)} was poured from a bottle with product code {code}: "
            "what is in it is in question.",
            f"Discard {in_use.id} first, then take the code away.",
        )
    concerned = [fill for fill in fills_of if fill.loads]
    if concerned:
        open_look_back(
            book,
            cause="product-code-taken-away",
            text=f"Product code {code} is not that of profile {profile.id} ({profile.name}): what was in "
            f"{len(concerned)} fill{'s' * (len(concerned) != 1)} of its bottles is in question.",
            from_ms=min(fill.poured_ms for fill in concerned),
            until_ms=book.at_ms,
            fills=tuple(fill.id for fill in concerned),
        )


def _in_service(book: Book, profile_id: str) -> Profile:
    profile = book.get(Profile, profile_id)
    if profile.retired:
        raise RefusedError(
            "profile-retired",
            f"Profile {profile.id} ({profile.name}) is retired.",
            "Draft a new one if it is bought again.",
        )
    return profile
