"""Taking solution out of bottles for a fill."""

from __future__ import annotations

from typing import Annotated

import msgspec

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.solutions.bottles import dated, refuse_out_of_date, there
from collector.record.solutions.needs import Volume
from collector.record.things import Bottle, Fill, Id, Poured, Profile


class FromBottle(msgspec.Struct, frozen=True, omit_defaults=True):
    """What goes from one bottle into a basin.

    Attributes:
        bottle: Which.
        volume_ml: How much; everything that is left if not given.
    """

    bottle: Id
    volume_ml: Volume | None = None


Bottles = Annotated[tuple[FromBottle, ...], msgspec.Meta(min_length=1, max_length=50)]


def take(book: Book, said: Bottles, at_ms: int, of: Fill | None = None) -> tuple[list[Bottle], Profile]:
    """Take volumes out of their bottles; a closed bottle is opened by it.

    Args:
        book: The bottles as they are after it are put there.
        said: From which, how much.
        at_ms: When.
        of: The fill that is topped up.

    Returns:
        The bottles as they were, in the order said, and the profile that they share.

    Raises:
        RefusedError: A bottle is gone, empty, out of date, not activated, not of one solution with the others, or that
            solution's profile is not confirmed for soaking by hand.
    """
    bottles = [there(book, each.bottle) for each in said]
    profile = book.get(Profile, bottles[0].profile)
    _refuse_mixed(book, bottles, of)
    _refuse_profile(profile)
    for bottle, each in zip(bottles, said, strict=True):
        _refuse_bottle(book, bottle, profile, at_ms)
        left_ml = bottle.left_ml - (each.volume_ml or bottle.left_ml)
        if left_ml < 0:
            raise RefusedError(
                "bottle-volume",
                f"Bottle {bottle.id} has {bottle.left_ml} ml left; {each.volume_ml} ml cannot come from it.",
                "Read the volume again, or scan the other bottle too.",
            )
        opened_ms = at_ms if bottle.opened_ms is None else bottle.opened_ms
        after = msgspec.structs.replace(bottle, left_ml=left_ml, opened_ms=opened_ms, gone=left_ml == 0)
        dated(book, after, profile)
    return bottles, profile


def poured(book: Book, said: Bottles, bottles: list[Bottle], at_ms: int) -> tuple[Poured, ...]:
    """What a fill keeps of it."""
    return tuple(
        Poured(bottle.id, bottle.lot, each.volume_ml or bottle.left_ml, book.who, at_ms)
        for each, bottle in zip(said, bottles, strict=True)
    )


def _refuse_mixed(book: Book, bottles: list[Bottle], of: Fill | None) -> None:
    """Bottles in one fill share their profile, and each is in it once."""
    if len({bottle.id for bottle in bottles}) < len(bottles):
        raise RefusedError("duplicate-scan", "The same bottle was scanned twice.", "Scan each bottle once.")
    asked = of.profile if of else bottles[0].profile
    for bottle in bottles:
        if bottle.profile != asked:
            what = f"fill {of.id}" if of else f"bottle {bottles[0].id}"
            raise RefusedError(
                "one-solution",
                f"Bottle {bottle.id} holds {book.get(Profile, bottle.profile).name} ({bottle.profile}), {what} holds "
                f"{book.get(Profile, asked).name} ({asked}): they must not be mixed.",
                "Pour bottles of one solution only.",
            )


def _refuse_profile(profile: Profile) -> None:
    if profile.retired:
        raise RefusedError(
            "profile-retired",
            f"Profile {profile.id} ({profile.name}) is retired: nothing new is poured from it.",
            "Take a bottle of a solution in use, or throw this one away.",
        )
    if not profile.manual:
        raise RefusedError(
            "automated-only",
            f"The claim of profile {profile.id} ({profile.name}) holds in automated reprocessors only.",
            "Pour a solution whose label has a claim for soaking by hand.",
        )
    if profile.confirmed is None:
        raise RefusedError(
            "profile-confirmed",
            f"Nobody has confirmed profile {profile.id} ({profile.name}) against its label.",
            "Ask a supervisor or administrator to compare it with the label and confirm it.",
        )


def _refuse_bottle(book: Book, bottle: Bottle, profile: Profile, at_ms: int) -> None:
    if bottle.gtin and bottle.gtin not in profile.product_codes:
        raise RefusedError(
            "product-code",
            f"Bottle {bottle.id} was taken for {profile.name} by its product code {bottle.gtin}, which is not that "
            "profile's any more: what is in it is in question.",
            "Do not pour it. Compare its label; receive it again under the right profile, and throw this entry away.",
        )
    refuse_out_of_date(book, bottle, at_ms)
    for since_ms, words in ((bottle.opened_ms, "opened"), (bottle.activated_ms, "activated")):
        if since_ms is not None and since_ms > at_ms:
            raise RefusedError(
                "time",
                f"Bottle {bottle.id} was {words} at {book.local_text(since_ms)}, after that.",
                "Type the time again.",
            )
    if profile.activation and bottle.activated_ms is None:
        raise RefusedError(
            "not-activated",
            f"{profile.name} must be activated, and bottle {bottle.id} has not been.",
            "Activate it as its label says, record that, then pour it.",
        )
