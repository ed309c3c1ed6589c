"""What commissioning has found so far, and what of it is filed."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping

from firmware.clock import Clock, read_anchor
from host.doctor import Found, Mark
from soak import wire
from soak.quantity import utc_text

SKIPPED = "skipped"
_LONGEST = 200

Told = Callable[[str], None]


class Results:
    """Collects them, in order, and tells each.

    Args:
        tell: Where each is told as it is found.
    """

    def __init__(self, tell: Told = lambda _: None) -> None:
        self.checks: list[wire.CommissionCheck] = []
        self.figures: dict[str, int] = {}
        self._tell = tell

    def found(self, code: str, found: Found, basin: str | None = None) -> None:
        """Something was looked at."""
        self.add(code, found.mark, found.said, found.todo, basin)

    def add(self, code: str, mark: Mark, said: str, todo: str = "", basin: str | None = None) -> None:
        """The same, by its parts."""
        self._keep(code, mark.value, said, basin)
        self._tell(f"{mark.value.upper()}: {said}")
        if todo:
            self._tell(f"  -> {todo}")

    def skip(self, code: str, basin: str | None = None) -> None:
        """Somebody left it out: that is on record as such, never as good."""
        self._keep(code, SKIPPED, "not tried.", basin)
        self._tell("SKIPPED: not tried.")

    def unseen(self, code: str, why: str, basin: str | None = None) -> None:
        """It could not be looked at."""
        self.add(code, Mark.UNKNOWN, why, basin=basin)

    def not_good(self) -> list[wire.CommissionCheck]:
        """Those that are open: wrong, not seen, skipped."""
        return [each for each in self.checks if each.mark not in (Mark.GOOD.value, Mark.NOTE.value)]

    def _keep(self, code: str, mark: str, said: str, basin: str | None) -> None:
        line = " ".join(said.split())
        short = line if len(line) <= _LONGEST else f"{line[: _LONGEST - 1]}…"
        self.checks.append(wire.CommissionCheck(code, mark, short, basin))


def commissioned(results: Results, by: str, version: str, clock: Clock) -> wire.Commissioned:
    """What is filed of it.

    Args:
        results: What was found.
        by: Who did it, as typed.
        version: Of this software.
        clock: The node's clocks.
    """
    now = read_anchor(clock)
    return wire.Commissioned(
        id=secrets.token_hex(16),
        at=utc_text(now.utc_ms),
        synced=now.synced,
        by=by,
        version=version,
        checks=results.checks[: wire.MOST_CHECKS],
        figures=dict(results.figures),
    )


def summary(results: Results) -> str:
    """How many of each."""
    counts: dict[str, int] = {}
    for each in results.checks:
        counts[each.mark] = counts.get(each.mark, 0) + 1
    return f"{len(results.checks)} checks: {_counted(counts)}."


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {mark}" for mark, count in counts.items())
