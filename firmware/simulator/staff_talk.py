"""How the invented staff speak with the record: over HTTP on loopback, in JSON, as a tablet does."""

from __future__ import annotations

import hashlib
import http.client
import json
import logging
from collections.abc import Callable, Iterable, Sequence
from http.cookiejar import CookieJar
from typing import Any, NamedTuple
from urllib.error import HTTPError, URLError
from urllib.request import HTTPCookieProcessor, ProxyHandler, Request, build_opener

import msgspec

from firmware.simulator.staff_label import REVISIONS, picture
from firmware.simulator.staff_plan import Item, Ward, resolved
from firmware.simulator.staff_stock import BY_ID, LEAD

log = logging.getLogger(__name__)

_TIMEOUT_S = 60.0
_MOST_AT_ONCE = 60
_SIGNED_OUT = frozenset({"not-signed-in", "second-factor"})
_ALONG = frozenset({"receive-bottle", "activate-bottle", "open-bottle", "pour-fill"})
"""Never parted from what comes before: a basin between two fills asks for nothing, and would be judged so."""


class AwayError(ConnectionError):
    """The pages do not answer, or cannot write at present: the same can be sent again later."""


class Answer(NamedTuple):
    """What came back.

    Attributes:
        status: HTTP status.
        body: The JSON in it.
    """

    status: int
    body: Any


Ask = Callable[[str, Any], Answer]
"""Sends JSON to a path, or asks for it where nothing is to be sent (None)."""


class Tablet:
    """One browser: keeps who is signed in.

    Args:
        address: Of the pages, with a slash at its end.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._opener = build_opener(ProxyHandler({}), HTTPCookieProcessor(CookieJar()))

    def ask(self, path: str, said: Any = None) -> Answer:
        """Send or ask for JSON; bytes are sent as they are.

        Raises:
            AwayError: Nobody answers, or what was said cannot be written at present.
        """
        kind = "application/octet-stream" if isinstance(said, bytes) else "application/json"
        data = said if isinstance(said, bytes) or said is None else json.dumps(said).encode()
        request = Request(f"{self._address}{path}", data, {"Content-Type": kind})  # noqa: S310
        try:
            with self._opener.open(request, timeout=_TIMEOUT_S) as answer:
                return Answer(answer.status, json.load(answer))
        except HTTPError as refusal:
            if refusal.code >= 500:
                raise AwayError(f"{path}: {refusal}") from None
            return Answer(refusal.code, _json(refusal))
        except (URLError, OSError, http.client.HTTPException, ValueError) as error:
            raise AwayError(f"{path}: {error}") from None


def keep_pictures(ask: Ask) -> None:
    """The supervisor signs in and lets the pictures of the invented labels be kept.

    Raises:
        AwayError: They are not taken.
    """
    lead = BY_ID[LEAD]
    known = {"person": lead.id, "badge": lead.badge, "pin": lead.pin}
    sent = [("api/rehearsal/people", [known]), ("api/sign-in", {"badge": lead.badge, "pin": lead.pin})]
    for path, said in [*sent, *(("api/pictures", picture(*each)) for each in REVISIONS)]:
        answer = ask(path, said)
        if answer.status != 200:
            raise AwayError(f"{path}: {answer.status} {answer.body}")


def _json(refusal: HTTPError) -> Any:
    try:
        return json.load(refusal)
    except ValueError:
        return {}


class Unexpected(NamedTuple):
    """A refusal that is no part of the play."""

    item: Item
    rule: str
    text: str


class Teller:
    """Says what is declared, and learns the record's numbers from the answers.

    Args:
        ask: Sends JSON to the pages, for declarations of the past.
        ward: What the staff know; its numbers are filled in.
        tablet: Makes the tablet of a room, for what is declared now by somebody who signs in.

    Attributes:
        recorded: How many were recorded.
        refused: How many were refused as the play wants it.
        unexpected: Those that were refused though nothing in the play says so.
    """

    def __init__(self, ask: Ask, ward: Ward, tablet: Callable[[], Ask] | None = None) -> None:
        self._ask, self._ward, self._tablet = ask, ward, tablet
        self._signed: dict[str, tuple[Ask, str]] = {}
        self.recorded = self.refused = 0
        self.unexpected: list[Unexpected] = []

    def play(self, items: Sequence[Item], now: Callable[[], int] | None = None) -> None:
        """Declare something of the past, each at its own time, oldest first.

        Args:
            items: What.
            now: The rehearsal's clock, for what comes too late because a visitor has declared something meanwhile: it
                is declared at this moment instead. Without it that is a refusal like any other.

        Raises:
            AwayError: The pages do not answer; what was recorded is not recorded again when the same is sent again.
        """
        for part in parts(items):
            behind = []
            for item, outcome in zip(part, self._outcomes(part), strict=True):
                refusal = outcome.get("refused")
                if now and refusal and refusal["rule"] == "clock-behind":
                    behind.append(msgspec.structs.replace(item, at_ms=now()))
                else:
                    self._learn(item, refusal, outcome.get("id", ""))
            if behind:
                self.play(behind)

    def _outcomes(self, part: Sequence[Item]) -> Any:
        """Send a part; numbers that it was to get are forgotten when nobody takes it, for they are counted again."""
        ward, answer = self._ward, Answer(0, "nobody answers")
        counts, numbers = dict(ward.counts), dict(ward.numbers)
        try:
            answer = self._ask("api/rehearsal/deeds", [self._played(item) for item in part])
        finally:
            if answer.status != 200:
                ward.counts, ward.numbers = counts, numbers
        if answer.status != 200:
            raise AwayError(f"The declarations were not taken: {answer.status} {answer.body}")
        return answer.body

    def _played(self, item: Item) -> dict[str, Any]:
        fields = resolved(item.fields, self._ward.numbers)
        if item.makes:  # the next ones in the same part may name it
            letter = item.makes[0]
            self._ward.counts[letter] = self._ward.counts.get(letter, 0) + 1
            self._ward.numbers[item.makes] = f"{letter}{self._ward.counts[letter]}"
        return {
            "deed": item.deed,
            "fields": fields,
            "who": item.who,
            "at_ms": item.at_ms,
            "second_factor": True,
            "once": _key(item),
            "between": item.between,
        }

    def declare(self, item: Item, room: str) -> None:
        """Declare something now, at the tablet of a room, signed in with badge and PIN.

        Raises:
            AwayError: The pages do not answer.
        """
        path = f"api/deeds/{item.deed}"
        try:
            fields = resolved(item.fields, self._ward.numbers)
        except KeyError as name:
            self._learn(item, {"rule": "not-made", "text": f"{name} was refused before."}, "")
            return
        answer = self._at(room, item.who)(path, fields)
        if answer.status != 200 and answer.body.get("rule") in _SIGNED_OUT:
            del self._signed[room]
            answer = self._at(room, item.who)(path, fields)
        self._learn(item, None if answer.status == 200 else answer.body, answer.body.get("id", ""))

    def _at(self, room: str, who: str) -> Ask:
        """The tablet of a room, with this person signed in."""
        ask, signed = self._signed.get(room, (None, ""))
        if ask is None or signed != who:
            if ask is None:
                if self._tablet is None:
                    raise ValueError("There are no tablets.")
                ask = self._tablet()
            person = BY_ID[who]
            ask("api/sign-in", {"badge": person.badge, "pin": person.pin})
            self._signed[room] = (ask, who)
        return ask

    def _learn(self, item: Item, refusal: dict[str, Any] | None, made: str) -> None:
        if refusal is None:
            self.recorded += 1
            if item.makes:
                self._ward.numbers[item.makes] = made
                self._ward.counts[item.makes[0]] = int(made[1:])
        elif refusal.get("rule") in item.may:
            self.refused += 1
        else:
            rule, text = str(refusal.get("rule")), str(refusal.get("text", refusal))
            self.unexpected.append(Unexpected(item, rule, text))
            log.warning("not expected: %s of %s refused by %s: %s", item.deed, item.who, rule, text)


def _key(item: Item) -> str:
    """The same for the same declaration, so that sending it again does nothing twice."""
    return f"staff-{hashlib.sha256(msgspec.json.encode(item)).hexdigest()[:16]}"


def parts(items: Iterable[Item]) -> list[list[Item]]:
    """Parts of a size that is written at once, so that others get a turn between them."""
    found: list[list[Item]] = []
    for item in items:
        full = found and len(found[-1]) >= _MOST_AT_ONCE
        if not found or (full and item.deed not in _ALONG):
            found.append([])
        found[-1].append(item)
    return found
