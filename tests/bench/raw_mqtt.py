"""The few MQTT 3.1.1 packets that a load generator needs, over a plain socket.

A client library spends more on a message than the broker does, and would be what is measured. So packets are encoded
before the clock starts, go out many to a call, and acknowledgements are read in bulk. Packet layouts: MQTT 3.1.1 (OASIS
standard, 2014), sections 2.2.3, 3.1 to 3.4, 3.8 and 3.9. Nothing here could talk to a broker for long: no keep-alive,
no reconnecting, no session.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import NamedTuple

CONNACK, PUBLISH, PUBACK, SUBACK = 2, 3, 4, 9
PUBACK_BYTES = 4
MOST_IDS = 65_535


class Packet(NamedTuple):
    """One packet: the upper and the lower half of its first byte, and what follows the length."""

    kind: int
    flags: int
    body: bytes

    @property
    def topic(self) -> str:
        """Of a PUBLISH."""
        return self.body[2 : 2 + self._topic_bytes].decode()

    @property
    def payload(self) -> bytes:
        """Of a PUBLISH."""
        return self.body[2 + self._topic_bytes + (2 if self._acknowledged else 0) :]

    @property
    def retained(self) -> bool:
        """Of a PUBLISH: said before this client subscribed."""
        return bool(self.flags & 1)

    @property
    def acknowledgement(self) -> bytes:
        """What a PUBLISH is to be answered with; empty at QoS 0."""
        start = 2 + self._topic_bytes
        return b"\x40\x02" + self.body[start : start + 2] if self._acknowledged else b""

    @property
    def _topic_bytes(self) -> int:
        return int.from_bytes(self.body[:2], "big")

    @property
    def _acknowledged(self) -> bool:
        return bool(self.flags & 0b0110)


def publish_packet(topic: str, payload: bytes, packet_id: int, *, retain: bool = False) -> bytes:
    """A message at QoS 1."""
    return _packet(0x33 if retain else 0x32, _text(topic) + packet_id.to_bytes(2, "big") + payload)


def _packet(first: int, body: bytes) -> bytes:
    length, rest = bytearray(), len(body)
    while True:
        rest, low = divmod(rest, 128)
        length.append(low | (128 if rest else 0))
        if not rest:
            return bytes([first]) + bytes(length) + body


def _text(text: str) -> bytes:
    return len(text.encode()).to_bytes(2, "big") + text.encode()


class Connection:
    """A client of a broker on this machine, not blocking once connected.

    Args:
        port: The broker's.
        name: Client id.
        subscribe: Topic filters, at QoS 1.
    """

    def __init__(self, port: int, name: str, subscribe: tuple[str, ...] = ()) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), 10)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._held = b""
        # Protocol level 4, clean session, keep-alive 0: never asked for a sign of life.
        self.socket.sendall(_packet(0x10, _text("MQTT") + b"\x04\x02\x00\x00" + _text(name)))
        self._wait_for(CONNACK)
        if subscribe:
            filters = b"".join(_text(each) + b"\x01" for each in subscribe)
            self.socket.sendall(_packet(0x82, b"\x00\x01" + filters))
            self._wait_for(SUBACK)
        self.socket.setblocking(False)

    def fileno(self) -> int:
        """For `select`."""
        return self.socket.fileno()

    def close(self) -> None:
        """Leave."""
        self.socket.close()

    def packets(self) -> Iterator[Packet]:
        """What has arrived; publications are acknowledged."""
        acknowledgements = bytearray()
        for packet in self._arrived():
            if packet.kind == PUBLISH:
                acknowledgements += packet.acknowledgement
            yield packet
        if acknowledgements:
            self.socket.sendall(acknowledgements)  # a few bytes: there is room for them

    def acknowledged(self) -> int:
        """How many publications the broker has acknowledged since last asked; for a client without subscriptions."""
        try:
            self._held += self.socket.recv(1 << 18)
        except BlockingIOError:
            return 0
        count, rest = divmod(len(self._held), PUBACK_BYTES)
        self._held = self._held[-rest:] if rest else b""
        return count

    def _wait_for(self, kind: int) -> None:
        while True:
            if any(packet.kind == kind for packet in self._arrived()):
                return

    def _arrived(self) -> Iterator[Packet]:
        try:
            more = self.socket.recv(1 << 18)
        except BlockingIOError:
            return
        if not more:
            raise SystemExit("The broker has closed the connection of the load generator.")
        self._held += more
        while (end := self._first_end()) is not None:
            start, stop = end
            first = self._held[0]
            packet, self._held = Packet(first >> 4, first & 15, self._held[start:stop]), self._held[stop:]
            yield packet

    def _first_end(self) -> tuple[int, int] | None:
        """Where the body of the first packet held begins and ends; None while it is not all there."""
        length = 0
        for index, byte in enumerate(self._held[1:5]):
            length |= (byte & 127) << (7 * index)
            if byte < 128:
                start = index + 2
                return (start, start + length) if len(self._held) >= start + length else None
        return None
