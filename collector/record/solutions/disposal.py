"""What a site asks for when solution goes to the drain: how much of it, and what neutralised it."""

from __future__ import annotations

from typing import NamedTuple

from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.solutions.spill import neutralising_g
from collector.record.things import Fill, Profile

_FAR_BELOW = 2
"""Discarding less than one part in so many of what was poured is asked about: a bound of ours, no published figure."""


class Neutralised(NamedTuple):
    """What is said of neutralising.

    Attributes:
        grams: Neutraliser used; None: nothing is said.
        not_why: Why less was used than the site's rule asks for.
        how: What was done, in words.
    """

    grams: int | None
    not_why: str
    how: str


def to_neutralise_g(book: Book, fill: Fill, volume_ml: int) -> int | None:
    """Grams of neutraliser that the site's rule asks for; None where it asks for none or nothing is known."""
    profile = book.get(Profile, fill.profile)
    if not book.policy.neutralise or not profile.neutraliser:
        return None
    return neutralising_g(profile.neutraliser, volume_ml, book.policy.glycine_g_per_us_gallon)


def refuse_volume(fill: Fill, volume_ml: int, rest: str) -> None:
    """What is discarded fits what was poured.

    Raises:
        RefusedError: It is more, or much less and nobody says what became of the rest.
    """
    poured_ml = fill.volume_ml()
    if volume_ml > poured_ml:
        raise RefusedError(
            "volume",
            f"{volume_ml} mL are more than the {poured_ml} mL that were poured into fill {fill.id}.",
            "Type the volume again; solution that was added and not recorded is recorded as topping-up first.",
        )
    if volume_ml * _FAR_BELOW < poured_ml and not rest.strip():
        raise RefusedError(
            "volume",
            f"{volume_ml} mL are far less than the {poured_ml} mL that were poured into fill {fill.id}.",
            "Type the volume again, or say what became of the rest.",
        )


def refuse_unneutralised(book: Book, fill: Fill, volume_ml: int, said: Neutralised) -> None:
    """Where the site neutralises, the grams are enough, or somebody says what was done or why not.

    Raises:
        RefusedError: Not so.
    """
    if not book.policy.neutralise or said.not_why.strip():
        return
    neutraliser = book.get(Profile, fill.profile).neutraliser
    needed_g = to_neutralise_g(book, fill, volume_ml)
    if needed_g is None and not said.how.strip():
        known = f"how much {neutraliser} fill {fill.id} takes" if neutraliser else f"what neutralises fill {fill.id}"
        raise RefusedError(
            "neutralise",
            f"Your site neutralises before the drain, and its profile does not say {known}.",
            "Follow the label or the safety data sheet, and note what was done. If it went to the drain without, say "
            "why.",
        )
    if needed_g is not None and (said.grams or 0) < needed_g:
        raise RefusedError(
            "neutralise",
            f"Your site neutralises before the drain: {volume_ml} ml of fill {fill.id} take at least {needed_g} g of "
            f"{neutraliser}; {said.grams or 0} g are recorded.",
            "Add it, let it stand at least 5 minutes (from memory: the label decides), and record the grams. "
            "If it went to the drain without, say why.",
        )
