"""A model of an MQTT client and its connection. Like paho it keeps what the broker has not acknowledged.

It sends that again after it has connected again; that memory ends with its process.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from tests.simulated.broker import Broker


class Message(NamedTuple):
    """An application message."""

    topic: str
    payload: bytes
    retain: bool = False


class Packet(NamedTuple):
    """What travels on a connection; `number` identifies a publish and its acknowledgement."""

    kind: str
    number: int = 0
    message: Message | None = None


class Connection:
    """One TCP connection between a client and the broker, with what is on the wire in either direction."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.up: deque[Packet] = deque()
        self.down: deque[Packet] = deque()
        self.cut = False
        self.unnoticed = False  # cut, and the broker does not know yet
        self.will: Message | None = None

    def lose(self) -> None:
        """It is gone, and what was under way with it."""
        if not self.cut:
            self.cut = self.unnoticed = True
            self.up.clear()
            self.down.clear()


class Client:
    """One client in one process.

    Args:
        broker: Where it connects.
        name: Its client id.
        filters: What it subscribes to: topics, `+` for one level.
        tell: Called with what happens: "connected", "disconnected", "arrived" (message), "taken" (number).
        lasting: It asks the broker to keep its session.
        will: Said by the broker when it goes without goodbye.
    """

    def __init__(
        self,
        broker: Broker,
        name: str,
        filters: tuple[str, ...],
        tell: Callable[[str, Message | int | None], None],
        *,
        lasting: bool = False,
        will: Message | None = None,
    ) -> None:
        self.name, self.filters, self.lasting, self.will = name, filters, lasting, will
        self.connection: Connection | None = None
        self.accepted = False
        self._broker, self._tell = broker, tell
        self._untaken: dict[int, Message] = {}
        self._numbers = 0

    def connect(self) -> None:
        """Begin a connection."""
        if self.connection is None:
            self.connection = self._broker.connection(self)
            self.connection.up.append(Packet("connect"))

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Hand a message over; it is kept until the broker acknowledges it."""
        self._numbers += 1
        message = Message(topic, payload, retain)
        self._untaken[self._numbers] = message
        if self.accepted:
            self._say(Packet("publish", self._numbers, message))
        return self._numbers

    def notice(self) -> None:
        """The connection turns out to be gone."""
        if self.connection is not None and self.connection.cut:
            self.connection, self.accepted = None, False
            self._tell("disconnected", None)

    def vanish(self) -> None:
        """Its process is killed: the broker's end of the connection closes."""
        if self.connection is not None:
            self.connection.lose()
            self.connection = None
        self.accepted = False
        self._untaken.clear()

    def goodbye(self) -> None:
        """An orderly end: everything on the wire still arrives, and no will is said."""
        if self.connection is not None:
            self._say(Packet("disconnect"))
            while self.connection.up and not self.connection.cut:
                self._broker.take(self.connection)
        self.vanish()

    def take(self, connection: Connection, index: int = 0) -> None:
        """Take one packet off the wire."""
        packet = connection.down[index]
        del connection.down[index]
        if packet.kind == "accepted":
            self.accepted = True
            self._say(Packet("subscribe"))
            self._tell("connected", None)
            for number, message in list(self._untaken.items()):
                self._say(Packet("publish", number, message))
        elif packet.kind == "taken":
            if self._untaken.pop(packet.number, None) is not None:
                self._tell("taken", packet.number)
        elif packet.kind == "publish" and packet.message is not None:
            self._tell("arrived", packet.message)
            self._say(Packet("taken", packet.number))

    def _say(self, packet: Packet) -> None:
        if self.connection is not None and not self.connection.cut:
            self.connection.up.append(packet)
