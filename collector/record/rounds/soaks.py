"""What a device's time in a basin is worth: the closures that it lay in, and for how long it was in the solution."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from collector.record.book import Book, Watched
from collector.record.things import Fill, Profile, Turn
from soak.closure import Verdict
from soak.roundfacts import Lay


class SoakOf(msgspec.Struct, frozen=True):
    """A device's soak at the book's moment.

    Attributes:
        closures: Ended closures that it lay in from the closing to the opening, oldest first.
        best: The first that met, otherwise the one with the longest credited time; None without any.
        running_since_ms: When the lid was closed that is closed over it now.
    """

    closures: tuple[Watched, ...] = ()
    best: Watched | None = None
    running_since_ms: int | None = None

    @property
    def verdict(self) -> Verdict | None:
        """Met once a closure met; running while it may still; None where it lay in no closure."""
        if self.best is not None and self.best.closure.verdict is Verdict.MET:
            return Verdict.MET
        if self.running_since_ms is not None:
            return Verdict.RUNNING
        return self.best.closure.verdict if self.best else None

    @property
    def met(self) -> tuple[Watched, ...]:
        """Those that met."""
        return tuple(each for each in self.closures if each.closure.verdict is Verdict.MET)


def soak_of(book: Book, turn: Turn) -> SoakOf:
    """What a device's time in a basin is worth so far."""
    if turn.in_ms is None:
        return SoakOf()
    lay_in, best = lain_in(book, turn, book.closures(turn.basin, turn.in_ms, _until_ms(book, turn)))
    running_ms = book.closed_since_ms(turn.basin) if turn.out_ms is None else None
    if running_ms is not None and running_ms < turn.in_ms:
        running_ms = None
    return SoakOf(lay_in, best, running_ms)


def lain_in(book: Book, turn: Turn, ended: Iterable[Watched]) -> tuple[tuple[Watched, ...], Watched | None]:
    """Of closures that ended: those that a device lay in throughout, and the one that counts for it."""
    lay_in = tuple(each for each in ended if each.opened_ms <= book.at_ms and lay_of(turn, each).throughout())
    return lay_in, max(lay_in, key=_worth, default=None)


def _until_ms(book: Book, turn: Turn) -> int:
    """What was closed after a device was taken out has nothing to do with it, however long ago that was."""
    return (book.at_ms if turn.out_ms is None else min(turn.out_ms, book.at_ms)) + 1


def lay_of(turn: Turn, watched: Watched) -> Lay:
    """A closure beside a device's time in the basin."""
    in_ms = watched.opened_ms + 1 if turn.in_ms is None else turn.in_ms
    return Lay(watched.closing_ms, watched.opened_ms, watched.closure.verdict, in_ms, turn.out_ms)


def _worth(watched: Watched) -> tuple[bool, int, int]:
    met = watched.closure.verdict is Verdict.MET
    return met, 0 if met else watched.closure.credited_ms, -watched.closing_ms


def longest_immersion_ms(book: Book, profile: Profile) -> int:
    """The maximum immersion time: the label's, or the site's where the label prints none."""
    return book.policy.longest_immersion_ms if profile.longest_immersion_ms is None else profile.longest_immersion_ms


def immersed_ms(book: Book, turn: Turn) -> int:
    """For how long a device has been in the solution so far: from the first closing to its taking out, lid open or not.

    Without a closing it counts from when it was recorded to have gone in.
    """
    if turn.in_ms is None:
        return 0
    closings = [each.closing_ms for each in book.closures(turn.basin, turn.in_ms, _until_ms(book, turn))]
    running_ms = book.closed_since_ms(turn.basin) if turn.out_ms is None else None
    closings += [] if running_ms is None else [running_ms]
    from_ms = min((each for each in closings if each >= turn.in_ms), default=turn.in_ms)
    until_ms = book.at_ms if turn.out_ms is None else turn.out_ms
    return max(0, until_ms - from_ms)


def profile_of(book: Book, turn: Turn) -> Profile | None:
    """The solution that a device soaked in."""
    fill = book.find(Fill, turn.fill) if turn.fill else None
    return book.find(Profile, fill.profile) if fill else None
