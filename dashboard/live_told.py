"""What has been told to open pages, so that each hears of a lane once: the whole state first, then what changes.

Every lane is put into JSON once for all pages, however many are open. Pure.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from dashboard.lanes import Frame, Lane

WHOLE, CHANGES = "state", "changes"
"""Names of the two events."""


class LiveBody(msgspec.Struct, frozen=True):
    """One message of the stream; its event says whether it has all lanes, or those that have changed.

    Attributes:
        problem: Why there is none.
        collector: Why nothing new is stored at present; empty while all is well.
    """

    problem: str
    collector: str
    frame: Frame | None


class _Frame(msgspec.Struct, frozen=True):
    """`lanes.Frame` with its lanes encoded already."""

    site: str
    day: str
    live_at: str
    now_ms: int
    rehearsal: str
    backlog_percent: int | None
    lanes: list[msgspec.Raw]


class _Body(msgspec.Struct, frozen=True):
    problem: str
    collector: str
    frame: _Frame | None


class _Lane(NamedTuple):
    """A lane as it was told.

    Attributes:
        lane: What was put into JSON.
        encoded: The JSON.
        version: At which version it became so.
    """

    lane: Lane
    encoded: bytes
    version: int


class Told:
    """The state of all lanes, with a version that rises at every change.

    Attributes:
        version: 0: nothing has been told yet.
    """

    def __init__(self) -> None:
        self.version = 0
        self._whole_from = 0
        self._body = LiveBody("", "", None)
        self._lanes: dict[str, _Lane] = {}
        self._messages: dict[int, tuple[str, str]] = {}

    def tell(self, body: LiveBody) -> bool:
        """Take a new state; False where nothing of it is new."""
        version = self.version + 1
        shown = body.frame.lanes if body.frame else []
        keys = [lane.key for lane in shown]
        whole = self.version == 0 or keys != list(self._lanes) or (body.frame is None) != (self._body.frame is None)
        lanes = {lane.key: self._lane(lane, version) for lane in shown}
        news = any(each.version == version for each in lanes.values())
        if not whole and not news and _head(body) == _head(self._body):
            return False
        self.version, self._body, self._lanes = version, body, lanes
        self._whole_from = version if whole else self._whole_from
        self._messages.clear()
        return True

    def since(self, version: int) -> tuple[str, str]:
        """Event and data for a page that was told up to this version; 0: it knows nothing yet."""
        event = WHOLE if version < max(self._whole_from, 1) else CHANGES
        known = -1 if event is WHOLE else version
        if known not in self._messages:
            self._messages[known] = event, self._encoded(known)
        return self._messages[known]

    def _lane(self, lane: Lane, version: int) -> _Lane:
        known = self._lanes.get(lane.key)
        if known is not None and known.lane is lane:
            return known
        encoded = msgspec.json.encode(lane)
        if known is not None and known.encoded == encoded:
            return known._replace(lane=lane)
        return _Lane(lane, encoded, version)

    def _encoded(self, version: int) -> str:
        """A message with the lanes that are newer than this version."""
        lanes = [msgspec.Raw(each.encoded) for each in self._lanes.values() if each.version > version]
        frame = _Frame(*_head(self._body)[2:], lanes=lanes) if self._body.frame else None
        return msgspec.json.encode(_Body(self._body.problem, self._body.collector, frame)).decode()


def _head(body: LiveBody) -> tuple[str, str, str, str, str, int, str, int | None]:
    """Everything but the lanes."""
    frame = body.frame
    if frame is None:
        return body.problem, body.collector, "", "", "", 0, "", None
    rest = frame.site, frame.day, frame.live_at, frame.now_ms, frame.rehearsal, frame.backlog_percent
    return body.problem, body.collector, *rest
