"""Failed sign-ins of the last minutes, in memory: beyond a number nothing more is compared for a while.

Somebody at a browser at which people have proven who they are is counted by it, everybody else by their address, and
all of these together: a flood from an address, or from many, keeps nobody waiting at their own tablet. A badge that
opens something never waits: nobody guesses its 130 bits.
"""

from __future__ import annotations

import ipaddress
import threading
from collections import OrderedDict, deque
from typing import NamedTuple

from collector.record.errors import RefusedError
from dashboard.texts import _

MOST_FAILURES = 30
FAILURES_WITHIN_MS = 5 * 60_000
MOST_OF_STRANGERS = 300
"""Of all addresses together, one a second: each writes to the disk. Our own choice."""

_MOST_KEPT = 10_000
_ALL = "strangers"


class Whose(NamedTuple):
    """Where a try comes from.

    Attributes:
        address: Of the machine.
        browser: The digest of a browser at which people have proven who they are; empty for a stranger.
    """

    address: str
    browser: str = ""

    @property
    def limits(self) -> tuple[tuple[str, int], ...]:
        """What it counts for, and how much of that is too much."""
        if self.browser:
            return ((f"browser {self.browser}", MOST_FAILURES),)
        return ((_network(self.address), MOST_FAILURES), (_ALL, MOST_OF_STRANGERS))


class Tries:
    """All of them; of any thread."""

    def __init__(self) -> None:
        self._failures: OrderedDict[str, deque[int]] = OrderedDict()
        self._lock = threading.Lock()

    def refuse(self, whose: Whose, now_ms: int) -> None:
        """Whether they have to wait.

        Raises:
            RefusedError: They have.
        """
        with self._lock:
            for key, most in whose.limits:
                recent = self._recent(key, now_ms)
                if len(recent) >= most:
                    raise _too_many(key, most, -(-(recent[0] + FAILURES_WITHIN_MS - now_ms) // 1000))

    def failed(self, whose: Whose, now_ms: int) -> None:
        """One more failure."""
        with self._lock:
            for key, most in whose.limits:
                recent = self._recent(key, now_ms)
                if len(recent) < most:
                    recent.append(now_ms)
                self._failures[key] = recent
                self._failures.move_to_end(key)
            while len(self._failures) > _MOST_KEPT:
                self._failures.popitem(last=False)

    def _recent(self, key: str, now_ms: int) -> deque[int]:
        recent = self._failures.get(key, deque())
        while recent and not 0 <= now_ms - recent[0] < FAILURES_WITHIN_MS:
            recent.popleft()
        return recent


def _network(address: str) -> str:
    """An IPv6 address counts with its whole network: whoever is in it has 2^64 of them."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if found.version == 4:
        return address
    return str(found.ipv4_mapped or ipaddress.ip_network((found.packed[:8] + bytes(8), 64)))


def _too_many(key: str, most: int, wait_s: int) -> RefusedError:
    minutes = FAILURES_WITHIN_MS // 60_000
    if key == _ALL:
        text = _("There were {number} failed sign-ins from browsers unknown here within {minutes} minutes.")
    elif key.startswith("browser "):
        text = _("There were {number} failed sign-ins at this browser within {minutes} minutes.")
    else:
        text = _("There were {number} failed sign-ins from this address within {minutes} minutes.")
    return RefusedError(
        "too-many-tries",
        text.format(number=most, minutes=minutes),
        _("Wait {seconds} s, then try again.").format(seconds=wait_s),
    )
