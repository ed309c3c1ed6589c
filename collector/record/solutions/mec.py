"""MEC tests: dipped, waited for, read within the window; which one clears a load."""

from __future__ import annotations

from typing import Literal

import msgspec

from collector.record.book import Book
from collector.record.deed import Deed, deed
from collector.record.errors import RefusedError
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.rounds.soaks import soak_of
from collector.record.solutions.mec_window import clock_text, refuse_dipped_long_ago, refuse_outside
from collector.record.solutions.needs import moment, need_reason
from collector.record.solutions.strips import strip_block, strips_prove, there
from collector.record.things import Fill, Id, Load, MecPolicy, MecResult, MecTest, Profile, StripBottle, Turn

_STRIPS_VOID = "its strips were past their use-by, or their controls failed later"


@deed
class BeginMecTest(Deed, frozen=True, kw_only=True):
    """Dip a test strip.

    Attributes:
        fill: What is tested.
        strip_bottle: With a strip of which bottle.
        dipped_ms: When, if it is recorded after the dip: the window for reading it counts from then.
    """

    NAME = "begin-mec-test"

    fill: Id
    strip_bottle: Id
    dipped_ms: int | None = None

    def perform(self, book: Book) -> MecTest:
        """Dip, take it out after the dip time, and read it within its window, counted from taking it out."""
        fill = book.get(Fill, self.fill)
        bottle = there(book, self.strip_bottle)
        _refuse_gone(book, fill)
        if bottle.profile != fill.profile:
            raise RefusedError(
                "strip-for-solution",
                f"Strip bottle {bottle.id} is meant for {_named(book, bottle.profile)}; fill {fill.id} is "
                f"{_named(book, fill.profile)}.",
                "Take strips that are meant for what is in the basin.",
            )
        if block := strip_block(book, bottle):
            raise block
        dipped_ms = moment(book, self, self.dipped_ms, "Dipping a strip")
        out_ms = dipped_ms + bottle.strip.dip_ms
        test = MecTest(
            id=book.next_id(MecTest),
            fill=fill.id,
            strip_bottle=bottle.id,
            by=book.who,
            dipped_ms=dipped_ms,
            read_from_ms=out_ms + bottle.strip.read_from_ms,
            read_until_ms=out_ms + bottle.strip.read_until_ms,
        )
        refuse_dipped_long_ago(book, fill, test)
        _end_waiting(book, fill)
        return book.put(test)


@deed
class ReadMecTest(Deed, frozen=True, kw_only=True):
    """Read a test strip.

    Attributes:
        test: Which.
        result: What the strip says against its bottle's own chart; doubtful is a fail.
    """

    NAME = "read-mec-test"

    test: Id
    result: Literal["pass", "fail", "doubtful"]

    def perform(self, book: Book) -> MecTest:
        """A fail takes the fill out of use at once and opens a look-back."""
        test, result = _waiting(book, self.test), MecResult(self.result)
        refuse_outside(book, test)
        if result is MecResult.PASS and book.person.colour_vision_passed is False:
            raise RefusedError(
                "colour-vision",
                f"{book.person.name}'s colour vision screening is on file as not passed: strips are read by colour.",
                f"Ask somebody else to read it by {clock_text(book, test.read_until_ms)}, or to dip a new strip.",
            )
        fill = book.get(Fill, test.fill)
        if result is not MecResult.PASS and fill.failed_ms is None:
            _fail(book, fill, test, result)
        screened = book.person.colour_vision_passed is True
        test = msgspec.structs.replace(test, result=result, read_ms=book.at_ms, read_by=book.who, screened=screened)
        return book.put(_bound(book, fill, test) if result is MecResult.PASS else test)


@deed
class AbandonMecTest(Deed, frozen=True, kw_only=True):
    """Record that a test strip was not read.

    Attributes:
        test: Which; it says nothing, and a new strip is used.
    """

    NAME = "abandon-mec-test"

    test: Id

    def perform(self, book: Book) -> MecTest:
        """Before the end of its window this needs a reason: a strip that is seen to fail is a fail."""
        test = _waiting(book, self.test)
        if book.at_ms <= test.read_until_ms:
            need_reason(self, f"Giving up MEC test {test.id} while it can still be read")
        return book.put(_not_read(book, test))


def _bound(book: Book, fill: Fill, test: MecTest) -> MecTest:
    """A passed test, bound to the load that is in its fill if that load has none that counts any more.

    After topping-up, or a start without a test, devices may wait with the lid off: closings from now on have a test of
    their own. Once a closure has met, the load keeps the test that stood then.
    """
    load = next(iter(book.all(Load, group=fill.basin, only_open=True, newest_first=True, limit=1)), None)
    profile = book.get(Profile, fill.profile)
    if load is None or load.fill != fill.id or not profile.mec_monitored or fill.failed_ms is not None:
        return test
    before = book.find(MecTest, load.mec_test) if load.mec_test else None
    if before is not None and before.dipped_ms >= fill.tested_after_ms and proven(book, before):
        return test
    met = any(soak_of(book, book.get(Turn, turn)).met for turn in load.turns)
    if met or test.dipped_ms < fill.tested_after_ms:
        return test
    book.put(msgspec.structs.replace(load, mec_test=test.id))
    return test if daily(book, profile) else msgspec.structs.replace(test, used_for=load.id)


def mec_test_for(book: Book, fill: Fill, profile: Profile, at_ms: int) -> MecTest | None:
    """The passed MEC test that clears a load which starts at a moment; None if none does.

    It was dipped on the day of the load at the site, after the pour or last topping-up of the fill, read by the moment,
    no test of the fill has failed by then, and its strips have not turned out to prove nothing. Where each use is
    tested, which is the rule, it has cleared no other load; once a day is enough only where both the label and the
    site's policy say so.

    Args:
        book: To look in.
        fill: In which fill.
        profile: Of that fill.
        at_ms: When the load starts, milliseconds since 1970.
    """
    if fill.failed_ms is not None and fill.failed_ms <= at_ms:
        return None
    for test in reversed(book.all(MecTest, group=fill.id, since_ms=fill.tested_after_ms, until_ms=at_ms + 1)):
        passed = test.result is MecResult.PASS and test.read_ms is not None and test.read_ms <= at_ms
        today = book.local_date(test.dipped_ms) == book.local_date(at_ms)
        if passed and today and _free(book, profile, test) and proven(book, test):
            return test
    return None


def mec_block(book: Book, fill: Fill, profile: Profile, at_ms: int) -> RefusedError | None:
    """Why a load must not start for want of a MEC test; None where one clears it or none is asked for."""
    if not profile.mec_monitored or mec_test_for(book, fill, profile, at_ms):
        return None
    tests = book.all(MecTest, group=fill.id, until_ms=at_ms + 1)
    last = tests[-1] if tests else None
    if last is not None and last.result is None and at_ms <= last.read_until_ms:
        return RefusedError(
            "mec-tested",
            f"MEC test {last.id} of fill {fill.id} waits to be read.",
            f"Read it from {clock_text(book, last.read_from_ms)} to {clock_text(book, last.read_until_ms)} against its "
            "bottle's own chart.",
        )
    return RefusedError("mec-tested", _untested(book, fill, last, at_ms), "Test the solution with a strip.")


def proven(book: Book, test: MecTest) -> bool:
    """Its strips have not turned out to prove nothing: past their use-by, or with controls that failed later."""
    bottle = book.find(StripBottle, test.strip_bottle)
    return bottle is None or strips_prove(bottle, test.dipped_ms)


def _free(book: Book, profile: Profile, test: MecTest) -> bool:
    return not test.used_for or daily(book, profile)


def daily(book: Book, profile: Profile) -> bool:
    """One test a day is enough: only where both the label and the site's policy say so."""
    return profile.mec_daily_allowed and book.policy.mec is MecPolicy.DAILY


def _untested(book: Book, fill: Fill, last: MecTest | None, at_ms: int) -> str:
    """Why the last test clears no load, in words."""
    if last is None:
        return f"Fill {fill.id} has not been MEC tested since it was poured."
    test, day = f"MEC test {last.id} of fill {fill.id}", book.local_date(last.dipped_ms)
    topped_up = book.near_text(fill.tested_after_ms)
    reasons = (
        (last.result in (None, MecResult.NOT_READ), f"{test} was not read within its window: it says nothing."),
        (last.result is not MecResult.PASS, f"{test} failed."),
        (not proven(book, last), f"{test} proves nothing: {_STRIPS_VOID}."),
        (last.dipped_ms < fill.tested_after_ms, f"Fill {fill.id} was topped up at {topped_up}; no MEC test since."),
        (day != book.local_date(at_ms), f"{test} was made on {day}: it holds for that day."),
        (bool(last.used_for), f"{test}, the last one, cleared load {last.used_for}; each use needs its own."),
    )
    return next((words for holds, words in reasons if holds), f"No MEC test of fill {fill.id} counts for this use.")


def _fail(book: Book, fill: Fill, test: MecTest, result: MecResult) -> None:
    """Out of use from the dip on; every load since the last passing test is in question.

    A failed check calls into question every load since the last passing one, because concentration falls gradually
    (public role description citing SGNA, published at second hand).
    """
    before = [each for each in book.all(MecTest, group=fill.id) if each.result is MecResult.PASS]
    good_ms = before[-1].dipped_ms if before else fill.poured_ms
    since = f"its last passing test {before[-1].id}" if before else "its pour"
    said = "is doubtful, which counts as a fail" if result is MecResult.DOUBTFUL else "failed"
    book.put(msgspec.structs.replace(fill, failed_ms=test.dipped_ms))
    open_look_back(
        book,
        cause="mec-fail",
        text=f"MEC test {test.id} of fill {fill.id} {said}: everything soaked in it since {since} at "
        f"{book.local_text(good_ms)} is in question.",
        from_ms=good_ms,
        until_ms=book.at_ms,
        fills=(fill.id,),
    )


def _waiting(book: Book, test_id: str) -> MecTest:
    test = book.get(MecTest, test_id)
    if test.result is not None:
        read = f" by {book.name_of(test.read_by)} at {book.local_text(test.read_ms)}" if test.read_ms else ""
        raise RefusedError(
            "mec-read",
            f"MEC test {test.id} was recorded{read}: {test.result.value}. A reading stands.",
            "To test again, dip a new strip.",
        )
    return test


def _end_waiting(book: Book, fill: Fill) -> None:
    """A strip that still waits is read first; one past its window is recorded as not read."""
    for test in book.all(MecTest, group=fill.id, only_open=True):
        if book.at_ms <= test.read_until_ms:
            raise RefusedError(
                "mec-waiting",
                f"{book.name_of(test.by)} dipped a strip in fill {fill.id} at {clock_text(book, test.dipped_ms)}: "
                f"MEC test {test.id} waits to be read.",
                f"Read that one by {clock_text(book, test.read_until_ms)}.",
            )
        book.put(_not_read(book, test))


def _not_read(book: Book, test: MecTest) -> MecTest:
    return msgspec.structs.replace(test, result=MecResult.NOT_READ, read_ms=book.at_ms, read_by=book.who)


def _refuse_gone(book: Book, fill: Fill) -> None:
    if fill.discarded:
        raise RefusedError(
            "fill-discarded",
            f"Fill {fill.id} was discarded at {book.local_text(fill.discarded.at_ms)}.",
            "Test what is in the basin now.",
        )


def _named(book: Book, profile_id: str) -> str:
    return f"{book.get(Profile, profile_id).name} ({profile_id})"
