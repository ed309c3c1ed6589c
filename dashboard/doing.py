"""One deed, done for whoever is signed in: the same for programs and for forms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import msgspec
from litestar import Request

from collector import browsers, credentials, ledger, proofs, sessions
from collector.record.deed import Deed
from collector.record.desk import Desk, Done
from collector.record.errors import RefusedError
from dashboard.door import Signed, address_of, browser_token
from dashboard.site import Site
from dashboard.texts import _
from dashboard.tries import Whose

T = TypeVar("T")
AnyRequest = Request[Any, Any, Any]
_LONGEST_KEY = 100
_GUESSES = ("unknown-badge", "wrong-secret")


class Proof(msgspec.Struct, frozen=True):
    """What is given with one deed, besides being signed in.

    Attributes:
        pin: PIN of who is signed in, for a deed that takes a second factor.
        second_badge: Badge of the second person.
        second_pin: Their PIN.
    """

    pin: str = ""
    second_badge: str = ""
    second_pin: str = ""

    @property
    def given(self) -> bool:
        """There is something to compare."""
        return bool(self.pin or self.second_badge or self.second_pin)


def do(desk: Desk, signed: Signed, deed: Deed, proof: Proof, *, once: str = "", now_ms: int) -> Done:
    """Check what is given and do the deed.

    Args:
        desk: Where.
        signed: Who.
        deed: What is said.
        proof: What is given with it.
        once: The sender's key: sending again does nothing twice.
        now_ms: The real clock.

    Raises:
        RefusedError: A rule stands against it, or a proof does not hold; nothing was recorded.
    """
    if len(once) > _LONGEST_KEY:
        text = _("The key is {number} characters long.").format(number=len(once))
        raise RefusedError("once", text, _("Use at most {number}.").format(number=_LONGEST_KEY))
    second_factor = signed.second_factor
    if proof.pin:
        prove(desk, signed, proof.pin, now_ms)
        second_factor = True
    if deed.SECOND_PERSON:
        refuse_unproven_second(desk, signed, getattr(deed, "second_person", ""), proof, now_ms)
    done = desk.do(deed, signed.person.id, second_factor=second_factor, once=once)
    if done.again:
        _refuse_other(desk, done, deed)
    return done


def prove(desk: Desk, signed: Signed, secret: str, now_ms: int) -> None:
    """Compare the PIN or password of who is signed in; it then counts for some minutes.

    Raises:
        RefusedError: It does not fit, or somebody else has chosen it.
    """
    proofs.compare(desk, signed.person.id, secret, now_ms, browser=signed.browser)
    sessions.prove(desk.connection, signed.token, now_ms)


def with_second_person(desk: Desk, kind: type[Deed], said: dict[str, Any], proof: Proof) -> dict[str, Any]:
    """A scanned badge names the second person where nobody has typed who it is."""
    if not kind.SECOND_PERSON or said.get("second_person") or not proof.second_badge:
        return said
    return {**said, "second_person": _owner(desk, proof.second_badge)}


def refuse_unproven_second(desk: Desk, signed: Signed, second: str, proof: Proof, now_ms: int) -> None:
    """The second person is another one, and has proven it with their PIN.

    Raises:
        RefusedError: Not so.
    """
    if not second or not proof.second_pin:
        raise RefusedError(
            "second-person",
            _("This takes a second person, who proves it at the same time."),
            _("Let a second person scan their badge and enter their PIN."),
        )
    if proof.second_badge and _owner(desk, proof.second_badge) != second:
        raise RefusedError(
            "second-person",
            _("The second badge is not that of the second person."),
            _("Scan the badge of who is named."),
        )
    if second == signed.person.id:
        raise RefusedError(
            "second-person",
            _("The second person is the one who does it."),
            _("Ask somebody else to be the second person."),
        )
    proofs.compare(desk, second, proof.second_pin, now_ms, browser=signed.browser)


async def guessing(
    site: Site, request: AnyRequest, work: Callable[[Desk, int], T], *, compares: bool | Callable[[Desk], bool] = True
) -> T:
    """Do something that may compare a secret, and slow down whoever guesses.

    Args:
        site: Where.
        request: Whose browser or address counts.
        work: What is done at a desk, at a time of the real clock.
        compares: A secret is given that may be a guess, or how that is found out. Without one nothing can be guessed:
            whoever is signed in goes on recording while somebody else at their address has to wait.

    Raises:
        RefusedError: What the work raises, or that the address has to wait.
    """
    now_ms, address = site.real_now_ms(), address_of(request)
    browser = browsers.digest(browser_token(request))

    def tried(desk: Desk) -> T:
        whose = Whose(address, browser if browsers.is_proven(desk.connection, browser) else "")
        # Looked at here and not on arrival: of many requests sent at once, none has failed when they arrive.
        if compares(desk) if callable(compares) else compares:
            site.tries.refuse(whose, now_ms)
        try:
            return work(desk, now_ms)
        except RefusedError as refusal:
            if refusal.rule in _GUESSES:
                site.tries.failed(whose, now_ms)
            raise

    return await site.desks.write(tried)


def _owner(desk: Desk, code: str) -> str:
    person = credentials.person_of_badge(desk.connection, code)
    if person is None:
        raise proofs.unknown_badge()
    return person


def _refuse_other(desk: Desk, done: Done, deed: Deed) -> None:
    """The same key with other content is a mistake of the sender's: nothing of the new content was recorded."""
    record = ledger.record(desk.connection, done.number)
    said = msgspec.json.decode(msgspec.json.encode(deed))  # as the record has it: lists, no tuples
    reason = said.pop("reason", "")
    if record is None or (record.kind, record.reason, record.content()["said"]) != (deed.NAME, reason, said):
        raise RefusedError(
            "once",
            _(
                "Something else was recorded already under this key, as number {number}. Nothing was recorded now."
            ).format(number=done.number),
            _("Begin a new form, or use a new key for each thing that is recorded."),
        )
