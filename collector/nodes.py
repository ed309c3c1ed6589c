"""What nodes say of themselves: their state, their boots, when their clocks were synchronised."""

from __future__ import annotations

from typing import NamedTuple

from collector.clock import UtcClock
from collector.readings import Synchronised
from collector.store import Store
from soak.quantity import utc_ms
from soak.wire import State

CLONED_FOR_MS = 3_600_000
"""How long two machines are taken to share a name after both have spoken."""


class Noticed(NamedTuple):
    """Something that people should know of.

    Attributes:
        code: Which kind.
        subject: Whom it concerns: a node.
        detail: What was noticed, in words.
    """

    code: str
    subject: str
    detail: str


class Said(NamedTuple):
    """What to make of a state message.

    Attributes:
        new: Not an older one, delivered again.
        cloned: Two machines share this node's name at present.
        noticed: What was noticed, if anything was.
    """

    new: bool
    cloned: bool = False
    noticed: Noticed | None = None


class NodeWords:
    """Remembers what nodes said. For one thread, within the store's transactions.

    Args:
        store: Where it is kept.
        clock: The collector's wall clock.
    """

    def __init__(self, store: Store, clock: UtcClock) -> None:
        self._store, self._clock = store, clock
        self._states: dict[str, State] = {}
        self._cloned_ms: dict[str, int] = {}  # per node, when two boots were last seen to be alive at once
        self._synchronised: dict[tuple[str, str], Synchronised | None] = {}

    def forget(self) -> None:
        """After a transaction that did not hold."""
        self._states.clear()
        self._synchronised.clear()

    def hear(self, node: str, state: State, *, retained: bool) -> Said:
        """A node spoke, or its last will did."""
        known = self._state(node)
        if state.clock is None or state.boot is None:
            self._keep(node, state, retained=retained)
            return Said(new=True)
        if retained and known and _earlier(state, known):
            return Said(new=False)  # a broker that has forgotten later words
        spoke_ms = self._store.boot_heard_ms(node, state.boot)
        alive_again = spoke_ms is not None and known is not None and known.boot != state.boot
        if spoke_ms is not None and (state.clock.ms < spoke_ms or (alive_again and state.clock.ms == spoke_ms)):
            return Said(new=False)
        self._store.set_boot_heard(node, state.boot, state.clock.ms)
        self._keep(node, state, retained=retained)
        if not alive_again:
            return Said(new=True, cloned=self.cloned(node))
        self._cloned_ms[node] = self._clock()
        detail = f"boots {state.boot[:8]}… and {known.boot[:8] if known and known.boot else ''}… speak in turn"
        return Said(new=True, cloned=True, noticed=Noticed("cloned-node", node, detail))

    def known(self, node: str) -> bool:
        """Whether this node has spoken before."""
        return self._state(node) is not None

    def cloned(self, node: str) -> bool:
        """Two machines have lately spoken under this name."""
        seen_ms = self._cloned_ms.get(node)
        return seen_ms is not None and self._clock() - seen_ms < CLONED_FOR_MS

    def news(self, node: str, boot: str, ms: int) -> bool:
        """Whether a synchronised moment is earlier than any that is known of its boot."""
        key = (node, boot)
        if key not in self._synchronised:
            if len(self._synchronised) > 10_000:
                self._synchronised.clear()
            self._synchronised[key] = self._store.synchronised(node, boot)
        known = self._synchronised[key]
        return known is None or ms < known.ms

    def keep(self, node: str, boot: str, moment: Synchronised) -> None:
        """Remember it."""
        self._store.set_synchronised(node, boot, moment)
        self._synchronised[node, boot] = moment

    def _state(self, node: str) -> State | None:
        if (state := self._states.get(node)) is None and (state := self._store.state(node)):
            self._states[node] = state
        return state

    def _keep(self, node: str, state: State, *, retained: bool) -> None:
        self._store.set_node(node, state, self._said_ms(node, state, retained=retained))
        self._states.pop(node, None)

    def _said_ms(self, node: str, state: State, *, retained: bool) -> int:
        """When it was said: now, unless the broker kept it; a last will that it kept tells no time."""
        now_ms = self._clock()
        if not retained:
            return now_ms
        if state.clock:
            return min(utc_ms(state.clock.utc), now_ms)
        heard_ms = self._store.heard_ms(node)
        return now_ms if heard_ms is None else heard_ms


def _earlier(state: State, known: State) -> bool:
    """Whether a state was said before another, as far as synchronised clocks can tell."""
    if state.clock is None or known.clock is None or not (state.clock.synced and known.clock.synced):
        return False
    return utc_ms(state.clock.utc) < utc_ms(known.clock.utc)
