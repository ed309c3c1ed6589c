"""A model of an MQTT broker: QoS 1, retained messages, last wills, sessions, and everything that it loses.

Nothing moves by itself: the scheduler moves one packet at a time. A cut connection loses what was on the wire; each of
its two ends notices at a time of its own.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.simulated.client import Client, Connection, Message, Packet

MOST_IN_FLIGHT = 20
"""Messages that the broker has sent to one client and that are not acknowledged yet: Mosquitto's default."""


@dataclass
class Session:
    """What the broker keeps of one client."""

    filters: tuple[str, ...] = ()
    lasting: bool = False
    connection: Connection | None = None
    waiting: deque[Message] = field(default_factory=deque)
    in_flight: dict[int, Message] = field(default_factory=dict)


class Broker:
    """The broker.

    Args:
        rng: What chance decides.
        most_waiting: Messages kept for one client that is away or slow; what comes on top is acknowledged and dropped.
        reorders: Messages of different topics may overtake each other.

    Attributes:
        loses: Chance that a message is acknowledged and dropped.
        repeats: Chance that a message is delivered twice.
    """

    def __init__(self, rng: random.Random, *, most_waiting: int, reorders: bool) -> None:
        self.loses = self.repeats = 0.0
        self._rng, self._most_waiting, self._reorders = rng, most_waiting, reorders
        self._sessions: dict[str, Session] = {}
        self._retained: dict[str, Message] = {}
        self._connections: list[Connection] = []
        self._numbers = 0

    def connection(self, client: Client) -> Connection:
        """Somebody knocks."""
        made = Connection(client)
        self._connections.append(made)
        return made

    def movable(self) -> list[tuple[Connection, str]]:
        """Wires on which something is under way, with its direction."""
        alive = [each for each in self._connections if not each.cut]
        return [(each, "up") for each in alive if each.up] + [(each, "down") for each in alive if each.down]

    def move(self, wire: tuple[Connection, str]) -> str:
        """Move one packet; returns what it was."""
        connection, direction = wire
        index = self._pick(getattr(connection, direction))
        packet = getattr(connection, direction)[index]
        if direction == "up":
            self.take(connection, index)
        else:
            connection.client.take(connection, index)
        topic = packet.message.topic.rpartition("/")[2] if packet.message else ""
        return f"{connection.client.name} {direction} {packet.kind} {topic} {packet.number}"

    def unnoticed(self) -> list[Connection]:
        """Connections that are gone and of which the broker does not know."""
        return [each for each in self._connections if each.unnoticed]

    def alive(self) -> list[Connection]:
        """Connections that are not cut."""
        return [each for each in self._connections if not each.cut]

    def notice(self, connection: Connection) -> None:
        """The broker finds a connection gone: the last will is said."""
        connection.unnoticed = False
        connection.cut = True
        if connection in self._connections:
            self._connections.remove(connection)
        session = self._sessions.get(connection.client.name)
        if session is not None and session.connection is connection:
            session.connection = None
            session.waiting.extendleft(reversed(session.in_flight.values()))  # sent again, before the others
            session.in_flight.clear()
            if not session.lasting:
                del self._sessions[connection.client.name]
        if connection.will is not None:
            will, connection.will = connection.will, None
            self._route(will)

    def restart(self, *, forgets: bool) -> None:
        """The broker ends and starts again: with nothing, or with what it had saved. It says no wills."""
        for connection in self._connections:
            connection.will = None
            connection.lose()
        for connection in list(self._connections):
            self.notice(connection)
        if forgets:
            self._sessions.clear()
            self._retained.clear()

    def take(self, connection: Connection, index: int = 0) -> None:
        """Take one packet off a client's wire."""
        packet = connection.up[index]
        del connection.up[index]
        client = connection.client
        if packet.kind == "connect":
            self._accept(connection)
        elif packet.kind == "disconnect":
            connection.will = None
            connection.lose()
            self.notice(connection)
        elif packet.kind == "subscribe":
            session = self._sessions[client.name]
            session.filters = client.filters
            for topic, message in list(self._retained.items()):
                if _matches(session.filters, topic):
                    self._hand(session, message)
        elif packet.kind == "publish" and packet.message is not None:
            connection.down.append(Packet("taken", packet.number))
            if packet.message.retain:
                self._retained[packet.message.topic] = packet.message
            self._route(packet.message)
        elif packet.kind == "taken":
            session = self._sessions[client.name]
            session.in_flight.pop(packet.number, None)
            self._send_on(session)

    def _accept(self, connection: Connection) -> None:
        client = connection.client
        session = self._sessions.get(client.name)
        if session is not None and session.connection is not None:  # one of that name is still there: it must go
            session.connection.lose()
            self.notice(session.connection)
        session = self._sessions.get(client.name)
        if session is None or not client.lasting:
            session = self._sessions[client.name] = Session(lasting=client.lasting)
        session.connection, connection.will = connection, client.will
        connection.down.append(Packet("accepted"))
        self._send_on(session)

    def _route(self, message: Message) -> None:
        if message.retain:
            self._retained[message.topic] = message
        for session in self._sessions.values():
            if _matches(session.filters, message.topic) and self._rng.random() >= self.loses:
                self._hand(session, message._replace(retain=False))

    def _hand(self, session: Session, message: Message) -> None:
        if len(session.waiting) < self._most_waiting:
            session.waiting.append(message)
        self._send_on(session)

    def _send_on(self, session: Session) -> None:
        connection = session.connection
        while connection is not None and session.waiting and len(session.in_flight) < MOST_IN_FLIGHT:
            self._numbers += 1
            message = session.waiting.popleft()
            session.in_flight[self._numbers] = message
            for _ in range(2 if self._rng.random() < self.repeats else 1):
                if not connection.cut:
                    connection.down.append(Packet("publish", self._numbers, message))

    def _pick(self, wire: deque[Packet]) -> int:
        """The first packet, or where order is not kept the first message of any topic."""
        if not self._reorders or wire[0].message is None:
            return 0
        return self._rng.choice(list(_firsts(wire)))


def _firsts(wire: deque[Packet]) -> Iterator[int]:
    """Where each topic's first message stands, up to the first packet that is no message."""
    seen = set()
    for index, packet in enumerate(wire):
        if packet.message is None:
            return
        if packet.message.topic not in seen:
            seen.add(packet.message.topic)
            yield index


def _matches(filters: tuple[str, ...], topic: str) -> bool:
    levels = topic.split("/")
    return any(
        len(wanted) == len(levels) and all(level in ("+", said) for level, said in zip(wanted, levels, strict=True))
        for wanted in (each.split("/") for each in filters)
    )
