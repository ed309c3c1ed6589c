"""Fills: one pour of solution in one basin until discarded."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.solutions.disposal import Neutralised, refuse_unneutralised, refuse_volume
from collector.record.solutions.lives import bottle_use_by, fill_use_by
from collector.record.solutions.needs import basin_name, calendar, known_basin, moment, need_reason
from collector.record.solutions.pouring import Bottles, poured, take
from collector.record.things import (
    BasinKey,
    Bottle,
    Discarded,
    Fill,
    Id,
    Load,
    Millilitres,
    Profile,
    Text,
)
from soak.quantity import in_words


@deed
class PourFill(Deed, frozen=True, kw_only=True):
    """Pour a fill into a basin.

    Attributes:
        basin: Which; the fill before it has been discarded.
        bottles: From which bottles; what they hold says which solution it is.
        poured_ms: When, if it is recorded late.
    """

    NAME = "pour-fill"

    basin: BasinKey
    bottles: Bottles
    poured_ms: int | None = None

    def perform(self, book: Book) -> Fill:
        """A new fill, to be MEC tested before its first use."""
        basin = known_basin(book, self.basin)
        at_ms = moment(book, self, self.poured_ms, "A pour")
        _refuse_full(book, basin, at_ms)
        taken, profile = take(book, self.bottles, at_ms)
        use_by = fill_use_by(profile, at_ms, taken, calendar(book))
        return book.put(
            Fill(
                id=book.next_id(Fill),
                basin=basin,
                profile=profile.id,
                poured=poured(book, self.bottles, taken, at_ms),
                poured_ms=at_ms,
                poured_by=book.who,
                use_by_ms=use_by.ms,
                use_by_why=use_by.why,
                tested_after_ms=at_ms,
            )
        )


@deed
class TopUpFill(Deed, frozen=True, kw_only=True):
    """Top up a fill.

    Attributes:
        fill: Which.
        bottles: From which bottles, of the same solution.
    """

    NAME = "top-up-fill"

    fill: Id
    bottles: Bottles

    def perform(self, book: Book) -> Fill:
        """It extends nothing and asks for an MEC test."""
        fill = _in_basin(book, self.fill)
        if block := fill_block(book, fill, book.at_ms):
            raise block
        taken, profile = take(book, self.bottles, book.at_ms, of=fill)
        use_by = fill_use_by(profile, fill.poured_ms, [*_bottles_in(book, fill), *taken], calendar(book))
        if use_by.ms > fill.use_by_ms:
            use_by = use_by._replace(ms=fill.use_by_ms, why=fill.use_by_why)
        return book.put(
            msgspec.structs.replace(
                fill,
                poured=(*fill.poured, *poured(book, self.bottles, taken, book.at_ms)),
                use_by_ms=use_by.ms,
                use_by_why=use_by.why,
                tested_after_ms=book.at_ms,
            )
        )


@deed
class DiscardFill(Deed, frozen=True, kw_only=True):
    """Discard a fill.

    Attributes:
        fill: Which.
        volume_ml: How much went to the drain; all that was poured if not given.
        neutralised_g: Neutraliser used, grams, where the site neutralises.
        not_neutralised: Why less was used than the site's rule asks for.
        how_neutralised: What was done, where the site neutralises and no amount is known for the solution.
        rest: What became of the rest, where much less is discarded than was poured.
    """

    NAME = "discard-fill"

    fill: Id
    volume_ml: Millilitres | None = None
    neutralised_g: Annotated[int, msgspec.Meta(ge=0, le=100_000)] | None = None
    not_neutralised: Text | None = None
    how_neutralised: Text | None = None
    rest: Text | None = None

    def perform(self, book: Book) -> Fill:
        """Its basin is empty."""
        fill = _in_basin(book, self.fill)
        need_reason(self, f"Discarding fill {fill.id}")
        self._refuse_under_load(book, fill)
        volume_ml = fill.volume_ml() if self.volume_ml is None else self.volume_ml
        refuse_volume(fill, volume_ml, self.rest or "")
        said = Neutralised(self.neutralised_g, self.not_neutralised or "", self.how_neutralised or "")
        refuse_unneutralised(book, fill, volume_ml, said)
        discarded = Discarded(
            by=book.who,
            at_ms=book.at_ms,
            reason=self.reason.strip(),
            volume_ml=volume_ml,
            neutralised_g=said.grams,
            rule=book.policy.disposal_rule,
            not_neutralised=said.not_why,
            how_neutralised=said.how,
            rest=self.rest or "",
        )
        return book.put(msgspec.structs.replace(fill, discarded=discarded))

    def _refuse_under_load(self, book: Book, fill: Fill) -> None:
        for load in book.all(Load, group=fill.basin, only_open=True):
            if load.fill == fill.id:
                raise RefusedError(
                    "load-in-fill",
                    f"Load {load.id} is recorded as being in fill {fill.id} since {book.local_text(load.began_ms)}.",
                    "Take its devices out, record that, then discard the fill.",
                )


def fill_in(book: Book, basin: str) -> Fill | None:
    """What is in a basin; None if nothing is."""
    found = book.all(Fill, group=basin, only_open=True, newest_first=True, limit=1)
    return found[0] if found else None


def fill_block(book: Book, fill: Fill, at_ms: int) -> RefusedError | None:
    """Why a fill must not be used at a moment; None if it may be: equality with its use-by is in date."""
    if fill.discarded and at_ms >= fill.discarded.at_ms:
        return _gone(book, fill)
    if at_ms < fill.poured_ms:
        return RefusedError(
            "fill-in-date",
            f"Fill {fill.id} was poured at {book.local_text(fill.poured_ms)}, after that.",
            "Look which fill was in the basin then.",
        )
    if fill.failed_ms is not None and at_ms >= fill.failed_ms:
        return RefusedError(
            "fill-failed",
            f"A MEC test of fill {fill.id} failed at {book.local_text(fill.failed_ms)}: it is out of use, whatever a "
            "later test says.",
            "Discard it and pour a new one.",
        )
    if at_ms > fill.use_by_ms:
        return RefusedError(
            "fill-in-date",
            f"Fill {fill.id} was to be used by {book.local_text(fill.use_by_ms)} ({fill.use_by_why}).",
            "Discard it and pour a new one, even if a strip still passes.",
        )
    return None


def runs_out(book: Book, fill: Fill, contact_ms: int) -> RefusedError | None:
    """Why a soak that starts now could not end in date; None if it can. A fill must be in date until the opening."""
    if not book.at_ms <= fill.use_by_ms < book.at_ms + contact_ms:
        return None
    return RefusedError(
        "fill-in-date",
        f"Fill {fill.id} runs out at {book.near_text(fill.use_by_ms)} ({fill.use_by_why}): a soak of "
        f"{in_words(contact_ms)} that starts now would end after that.",
        "Discard it and pour a new one, even if a strip still passes.",
    )


def spent(book: Book, fill: Fill) -> RefusedError | None:
    """Why no further load may start in a fill; None unless it serves one load only and has had it."""
    if not fill.loads or not book.get(Profile, fill.profile).single_use:
        return None
    return RefusedError(
        "single-use",
        f"Fill {fill.id} is for a single use and has had its load.",
        "Discard it and pour a new one.",
    )


def recount(book: Book, profile: Profile) -> None:
    """Let the use-by of every fill follow a corrected profile."""
    for fill in book.all(Fill):
        if fill.profile == profile.id:
            dated(book, fill)


def dated(book: Book, fill: Fill) -> Fill:
    """The fill with the use-by that follows from profile and bottles as they stand, put into the book.

    What turns out to have been poured past its bottle's own use-by never was in date.
    """
    profile = book.get(Profile, fill.profile)
    use_by = fill_use_by(profile, fill.poured_ms, _bottles_in(book, fill), calendar(book))
    for each in fill.poured:
        limit = bottle_use_by(book.get(Bottle, each.bottle), profile, calendar(book))
        if limit.ms < min(each.at_ms, use_by.ms):
            use_by = limit._replace(why=f"{limit.why}; bottle {each.bottle} was poured after that")
    return book.put(msgspec.structs.replace(fill, use_by_ms=use_by.ms, use_by_why=use_by.why))


def _bottles_in(book: Book, fill: Fill) -> list[Bottle]:
    return [book.get(Bottle, bottle) for bottle in dict.fromkeys(each.bottle for each in fill.poured)]


def _in_basin(book: Book, fill_id: str) -> Fill:
    fill = book.get(Fill, fill_id)
    if fill.discarded:
        raise _gone(book, fill)
    return fill


def _gone(book: Book, fill: Fill) -> RefusedError:
    assert fill.discarded is not None  # noqa: S101
    gone = fill.discarded
    return RefusedError(
        "fill-discarded",
        f"Fill {fill.id} was discarded by {book.name_of(gone.by)} at {book.local_text(gone.at_ms)}: {gone.reason}",
        "Look at the basin's page for what is in it now.",
    )


def _refuse_full(book: Book, basin: str, at_ms: int) -> None:
    if fill := fill_in(book, basin):
        raise RefusedError(
            "basin-not-empty",
            f"Fill {fill.id} is in {basin_name(book, basin)}: {book.name_of(fill.poured_by)} poured it at "
            f"{book.local_text(fill.poured_ms)}.",
            f"If it is gone, discard {fill.id} first; if solution was added, top it up.",
        )
    last = book.all(Fill, group=basin, newest_first=True, limit=1)
    if last and last[0].discarded and at_ms < last[0].discarded.at_ms:
        raise RefusedError(
            "basin-not-empty",
            f"Fill {last[0].id} was in {basin_name(book, basin)} until {book.local_text(last[0].discarded.at_ms)}.",
            "Give a time after that.",
        )
