"""How the collector is, as pages say it: from its status file, which works when its database does not."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from collector.conditions import Condition
from collector.status import Certificate, Own, Seen, read
from dashboard.texts import _

_FRESH_S = 0.5


class Said(NamedTuple):
    """What pages say of the collector.

    Attributes:
        banner: On every page: nothing new is stored at present, and why. Empty while all is well.
        conditions: What it says is wrong, most urgent first; only while its status can be believed.
        left_out: How many more there are.
        last_ms: When it last said anything, milliseconds since 1970; None if that is not known.
        stored_ms: When it last stored anything since its start.
        encrypted: It speaks to its broker by TLS; None: that is not known.
        certificates: Those that it looks at.
        own: How its own machine is; nothing while its status cannot be believed.
    """

    banner: str
    conditions: list[Condition]
    left_out: int
    last_ms: int | None
    stored_ms: int | None
    encrypted: bool | None = None
    certificates: Sequence[Certificate] = ()
    own: Own = Own()


def said(seen: Seen) -> Said:
    """Put what the status file says into words. Pure."""
    status = seen.status
    if seen.problem or status is None:
        banner = _(
            "The collector does not run, or cannot write its data folder: nothing new is stored. {problem} Nodes keep "
            "their readings. Start the collector; if it runs, look at its messages and at the disk."
        ).format(problem=seen.problem)
        last = status.conditions if status else []
        why = [each for each in last if each.words.stops_storing]
        return Said(
            " ".join([banner, *(_("The last it said: {text}").format(text=each.text) for each in why[:1])]),
            [],
            0,
            status.said_ms if status else None,
            None,
        )
    stopping = [each for each in status.conditions if each.words.stops_storing]
    banner = _("Nothing new is stored. {why}").format(why=stopping[0].text) if stopping else ""
    return Said(
        banner,
        status.conditions,
        status.left_out,
        status.said_ms,
        status.stored_ms,
        status.encrypted,
        status.certificates,
        status.own,
    )


class Collecting:
    """Looks at the status file, not more often than is of use."""

    def __init__(self, data_dir: Path) -> None:
        self._data_dir = data_dir
        self._looked_s = float("-inf")
        self._said = Said("", [], 0, None, None)

    def now(self) -> Said:
        """What it says now."""
        if time.monotonic() - self._looked_s > _FRESH_S:
            self._said, self._looked_s = said(read(self._data_dir)), time.monotonic()
        return self._said
