"""How the invented staff speak with the record: over HTTP on loopback, in JSON, as a tablet does."""

from __future__ import annotations

import http.client
import json
import logging
from collections.abc import Callable, Iterable, Sequence
from http.cookiejar import CookieJar
from typing import Any, NamedTuple
from urllib.error import HTTPError, URLError
from urllib.request import HTTPCookieProcessor, ProxyHandler, Request, build_opener

from firmware.simulator.staff_plan import Item, Ward, resolved

log = logging.getLogger(__name__)

_TIMEOUT_S = 60.0
_MOST_AT_ONCE = 250
_TOGETHER_MS = 3 * 60_000
"""Declarations of other times are never parted from each other closer than that: a basin is seen with a fill."""


class Away(ConnectionError):
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
        """Send or ask for JSON.

        Raises:
            Away: Nobody answers, or what was said cannot be written at present.
        """
        data = None if said is None else json.dumps(said).encode()
        request = Request(f"{self._address}{path}", data, {"Content-Type": "application/json"})  # noqa: S310
        try:
            with self._opener.open(request, timeout=_TIMEOUT_S) as answer:
                return Answer(answer.status, json.load(answer))
        except HTTPError as refusal:
            if refusal.code >= 500:
                raise Away(f"{path}: {refusal}") from None
            return Answer(refusal.code, _json(refusal))
        except (URLError, OSError, http.client.HTTPException, ValueError) as error:
            raise Away(f"{path}: {error}") from None


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
    """Plays declarations of the past, each at its own time, and learns the record's numbers from the answers.

    Args:
        ask: Sends JSON.
        ward: What the staff know; its numbers are filled in.

    Attributes:
        recorded: How many were recorded.
        refused: How many were refused as the play wants it.
        unexpected: Those that were refused though nothing in the play says so.
    """

    def __init__(self, ask: Ask, ward: Ward) -> None:
        self._ask, self._ward = ask, ward
        self.recorded = self.refused = 0
        self.unexpected: list[Unexpected] = []

    def play(self, items: Sequence[Item]) -> None:
        """Send them in parts, oldest first.

        Raises:
            Away: The pages do not answer; what was recorded is not recorded again when the same is sent again.
        """
        for part in parts(items):
            answer = self._ask("api/rehearsal/deeds", [self._said(item) for item in part])
            if answer.status != 200:
                raise Away(f"The declarations were not taken: {answer.status} {answer.body}")
            for item, outcome in zip(part, answer.body, strict=True):
                self._learn(item, outcome)

    def _said(self, item: Item) -> dict[str, Any]:
        fields = resolved(item.fields, self._ward.numbers)
        if item.makes:
            letter = item.makes[0]
            self._ward.counts[letter] = self._ward.counts.get(letter, 0) + 1
            self._ward.numbers[item.makes] = f"{letter}{self._ward.counts[letter]}"
        return {
            "deed": item.deed,
            "fields": fields,
            "who": item.who,
            "at_ms": item.at_ms,
            "second_factor": True,
        }

    def _learn(self, item: Item, outcome: dict[str, Any]) -> None:
        refusal = outcome.get("refused")
        if refusal is None:
            self.recorded += 1
            if item.makes:
                self._ward.numbers[item.makes] = outcome["id"]
                self._ward.counts[item.makes[0]] = int(outcome["id"][1:])
        elif refusal["rule"] in item.may:
            self.refused += 1
        else:
            self.unexpected.append(Unexpected(item, refusal["rule"], refusal["text"]))
            log.warning(
                "not expected: %s of %s refused by %s: %s", item.deed, item.who, refusal["rule"], refusal["text"]
            )


def parts(items: Iterable[Item]) -> list[list[Item]]:
    """Parts of a size that is written at once, so that others get a turn between them."""
    found: list[list[Item]] = []
    for item in items:
        full = found and len(found[-1]) >= _MOST_AT_ONCE
        if not found or (full and item.deed not in ("pour-fill", "receive-bottle", "activate-bottle", "open-bottle")):
            found.append([])
        found[-1].append(item)
    return found
