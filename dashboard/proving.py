"""What somebody gives to sign in, and what the record of sign-ins says of it. No request, no page."""

from __future__ import annotations

import sqlite3
from typing import Annotated

import msgspec

from collector import credentials, proofs, sign_ins
from collector.credentials import Kind
from collector.proofs import Proven
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Person
from collector.sign_ins import Outcome, Place
from dashboard.texts import _

Given = Annotated[str, msgspec.Meta(max_length=1_000)]
"""Longer than any secret: nobody makes this machine hash megabytes."""


class SignIn(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Either a badge, at a shared tablet, with or without the PIN; or an id and a password.

    Attributes:
        badge: The code on the badge, as scanned.
        pin: Besides the badge: counts as a second factor for some minutes.
        person: Their id.
        password: Counts as a second factor for some minutes.
    """

    badge: Given = ""
    pin: Given = ""
    person: Given = ""
    password: Given = ""

    @property
    def how(self) -> str:
        """In words, for the record of sign-ins; empty where it is nothing."""
        if self.badge:
            return "badge and PIN" if self.pin else "badge"
        return "password" if self.person and self.password else ""


def prove_who(desk: Desk, given: SignIn, now_ms: int, place: Place) -> Proven:
    """Who gives this.

    Raises:
        RefusedError: It does not fit, or they have to wait.
    """
    if given.badge:
        return proofs.by_badge(desk, given.badge, given.pin, now_ms, browser=place.browser)
    if given.how:
        person = given.person.strip()
        return proofs.by_password(desk, person, given.password, now_ms, browser=place.browser)
    raise RefusedError(
        "malformed", _("Nothing to sign in with was given."), _("Scan a badge, or give id and password.")
    )


def note_failure(
    connection: sqlite3.Connection, given: SignIn, refusal: RefusedError, now_ms: int, place: Place
) -> None:
    """That it did not fit goes into the record of sign-ins; what was typed as an id is kept only if it is one."""
    if not given.how:
        return
    typed = credentials.person_of_badge(connection, given.badge) if given.badge else given.person.strip()
    person = typed if typed and shelf.find(connection, Person, typed) else ""
    kind = Kind.PIN if given.badge else Kind.PASSWORD
    if not person or refusal.rule == "unknown-badge":
        outcome = Outcome.UNKNOWN
    elif credentials.had_to_wait(connection, person, kind, now_ms, browser=place.browser):
        outcome = Outcome.WAITING
    else:
        outcome = Outcome.WRONG
    sign_ins.note(connection, outcome, now_ms, person=person, how=given.how, place=place)
