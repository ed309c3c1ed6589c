"""A process of its own that holds the broker's connection: what comes goes on to the collector, many messages at once.

Receiving costs paho more than storing and judging cost the collector: apart, both have a processor. And a process can
be watched and replaced from outside, whatever happens to it; a library's thread cannot. It ends with its collector.
"""

from __future__ import annotations

import contextlib
import select
import signal
import socket
import ssl
import sys
import time
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.channel import (
    ALIVE,
    CONNECTED,
    DISCONNECTED,
    MESSAGE,
    PUBLISH,
    RETAINED,
    UNSUBSCRIBE,
    Frame,
    Frames,
    encoded,
)
from host.journal import log_to_stderr
from host.tls import client_context, trouble
from soak.decoding import from_json

KEEPALIVE_S = 30
ALIVE_EVERY_S = 1.0
GATHER_S = 0.002
"""What comes meanwhile comes along: each look at the connection costs as much as a message."""

ANSWER_WITHIN_S = 10.0
"""A broker that takes a connection and then says nothing is as good as gone."""

_RETRY_S = (1.0, 2.0, 5.0, 10.0)
_AT_ONCE_BYTES = 256 * 1024
_MOST_WAITING_BYTES = 8_000_000
"""Waiting for a collector that is busy: beyond this nothing more is read, and the broker keeps it."""

_MOST_AT_ONCE = 500  # published and not acknowledged
_MOST_UNACKED = 5_000  # receipts and orders; newer ones replace them anyway


class Errand(msgspec.Struct, frozen=True):
    """What the receiver is to do; the first thing its collector says."""

    host: str
    port: int
    client_id: str
    topics: list[str]
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None


class Buffered:
    """A socket behind which paho reads and answers a hundred messages with two system calls, not five hundred."""

    def __init__(self, inner: Any) -> None:
        self._inner = inner
        self._read, self._at = b"", 0
        self._unsent: list[bytes] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def recv(self, count: int) -> bytes:
        """Up to so many bytes."""
        start = self._at
        if start == len(self._read):
            self._read, start = self._inner.recv(_AT_ONCE_BYTES), 0
        self._at = min(start + count, len(self._read))
        return self._read[start : self._at]

    @property
    def pending(self) -> bool:
        """Something has been read that nobody has taken yet."""
        return self._at < len(self._read)

    def send(self, data: bytes | bytearray) -> int:
        """Keep it for `flush`."""
        self._unsent.append(bytes(data))
        return len(data)

    @property
    def unsent(self) -> bool:
        """There is something to flush."""
        return bool(self._unsent)

    def flush(self) -> None:
        """Send what the system takes.

        Raises:
            OSError: The connection is gone.
        """
        data = b"".join(self._unsent)
        self._unsent = []
        if data:
            try:
                sent = self._inner.send(data)
            except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
                sent = 0
            if sent < len(data):
                self._unsent = [data[sent:]]


class _Client(mqtt.Client):
    """Paho's client, reading and writing through a buffer; it has no public place for that."""

    buffered: Buffered | None = None

    def _create_socket(self) -> Any:
        inner = super()._create_socket()
        with contextlib.suppress(OSError):  # receipts must not wait for company
            inner.setsockopt(  # type: ignore[attr-defined]
                socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
            )
        self.buffered = Buffered(inner)
        return self.buffered


class _Connection:
    """One connection to the broker, from first word to last; the next one is another."""

    def __init__(self, errand: Errand, topics: list[str], unsaid: dict[str, bytes], say: Any) -> None:
        self._say, self._topics, self._unsaid = say, topics, unsaid
        self._under_way: dict[int, tuple[str, bytes]] = {}
        self._began_s = time.monotonic()
        self.host, self.up = errand.host, False
        client = _Client(CallbackAPIVersion.VERSION2, errand.client_id, clean_session=False, protocol=mqtt.MQTTv311)
        if errand.username is not None:
            client.username_pw_set(errand.username, errand.password)
        if errand.ca_file:
            client.tls_set_context(client_context(errand.ca_file))
        client.max_queued_messages_set(_MOST_UNACKED)
        client.max_inflight_messages_set(_MOST_AT_ONCE)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_socket_register_write = lambda *_: None  # written after everything that has come was read
        self.client = client
        client.connect(errand.host, errand.port, KEEPALIVE_S)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            raise ConnectionError(f"refused: {reason}")
        client.subscribe([(topic, 1) for topic in self._topics])
        self.up = True
        self._say(Frame(CONNECTED))
        for topic, payload in list(self._unsaid.items()):
            self.publish(topic, payload)

    def publish(self, topic: str, payload: bytes) -> None:
        """Say something that the broker keeps; until it has, it stays with what is unsaid."""
        self._under_way[self.client.publish(topic, payload, qos=1, retain=True).mid] = topic, payload

    def _on_publish(self, _client: mqtt.Client, _data: Any, message: int, *_: Any) -> None:
        topic, payload = self._under_way.pop(message, ("", b""))
        if self._unsaid.get(topic) is payload:
            del self._unsaid[topic]

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._say(Frame(RETAINED if message.retain else MESSAGE, message.topic, bytes(message.payload)))

    def read(self) -> None:
        """Take in what has come.

        Raises:
            OSError: The connection is gone.
        """
        self._check(self.client.loop_read())
        while (buffered := self.client.buffered) is not None and buffered.pending:
            self._check(self.client.loop_read())

    def write(self) -> None:
        """Answer, publish, keep the connection alive.

        Raises:
            OSError: The connection is gone.
        """
        self._check(self.client.loop_misc())
        if self.client.want_write():
            self._check(self.client.loop_write())
        if self.client.buffered is not None:
            self.client.buffered.flush()
        if not self.up and time.monotonic() - self._began_s > ANSWER_WITHIN_S:
            raise TimeoutError("it takes the connection and says nothing")

    @staticmethod
    def _check(result: int) -> None:
        if result not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_AGAIN):
            raise ConnectionError(mqtt.error_string(result))

    def close(self) -> None:
        """Let go of the socket."""
        if self.client.buffered is not None:
            self.client.buffered.close()


class Receiver:
    """The process: one loop, no threads.

    Args:
        collector: The socket to the collector.
    """

    def __init__(self, collector: socket.socket) -> None:
        self._collector = collector
        self._frames = Frames()
        self._waiting: list[bytes] = []
        self._waiting_bytes = 0
        self._connection: _Connection | None = None
        self._attempts = 0
        self._next_attempt_s = 0.0
        self._said_s = 0.0
        self._failure = ""
        self._unwanted: set[str] = set()
        self._unsaid: dict[str, bytes] = {}  # by topic, the newest: it replaces what was said before

    def run(self) -> None:
        """Until the collector is gone."""
        errand = from_json(self._first_word(), Errand)
        while True:
            if self._connection is None and time.monotonic() >= self._next_attempt_s:
                self._connect(errand)
            readable = self._wait()
            if self._collector in readable and not self._hear():
                return
            if self._connection is not None:
                came = self._connection.client.buffered in readable
                if came:
                    time.sleep(GATHER_S)
                self._serve(self._connection, came)
            if time.monotonic() - self._said_s >= ALIVE_EVERY_S:
                self._say(Frame(ALIVE))
            if self._waiting:
                self._pass_on()

    def _first_word(self) -> bytes:
        while True:
            more = self._collector.recv(_AT_ONCE_BYTES)
            if not more:
                sys.exit(0)
            if frames := self._frames.feed(more):
                self._collector.setblocking(False)
                self._heed(frames[1:])
                return frames[0].payload

    def _wait(self) -> list[Any]:
        reads: list[Any] = [self._collector]
        writes: list[Any] = [self._collector] if self._waiting else []
        wait_s = ALIVE_EVERY_S
        connection = self._connection
        if connection is not None and connection.client.buffered is not None:
            if self._waiting_bytes < _MOST_WAITING_BYTES:
                reads.append(connection.client.buffered)
            if connection.client.buffered.unsent:
                writes.append(connection.client.buffered)
        else:
            wait_s = min(wait_s, max(0.0, self._next_attempt_s - time.monotonic()))
        return select.select(reads, writes, [], wait_s)[0]

    def _connect(self, errand: Errand) -> None:
        try:
            topics = [topic for topic in errand.topics if topic not in self._unwanted]
            self._connection = _Connection(errand, topics, self._unsaid, self._say)
        except (OSError, ValueError) as error:
            self._lost(trouble(error, errand.host).text)

    def _serve(self, connection: _Connection, readable: bool) -> None:
        try:
            if readable:
                connection.read()
            connection.write()
        except OSError as error:
            self._lost(trouble(error, connection.host).text if not connection.up else str(error) or "it is gone")
        else:
            if connection.up:
                self._attempts, self._failure = 0, ""

    def _lost(self, why: str) -> None:
        if self._connection is not None:
            with contextlib.suppress(OSError):
                self._connection.close()
        self._connection = None
        self._next_attempt_s = time.monotonic() + _RETRY_S[min(self._attempts, len(_RETRY_S) - 1)]
        self._attempts += 1
        if why != self._failure:
            self._say(Frame(DISCONNECTED, payload=why.encode()))
        self._failure = why

    def _hear(self) -> bool:
        """What the collector wants; False when it is gone."""
        try:
            more = self._collector.recv(_AT_ONCE_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            return False
        self._heed(self._frames.feed(more))
        return bool(more)

    def _heed(self, frames: list[Frame]) -> None:
        for frame in frames:
            if frame.kind == UNSUBSCRIBE:
                self._unwanted.add(frame.topic)
            elif frame.kind == PUBLISH:
                self._unsaid[frame.topic] = frame.payload
            if self._connection is None or not self._connection.up:
                continue
            if frame.kind == PUBLISH:
                self._connection.publish(frame.topic, frame.payload)
            elif frame.kind == UNSUBSCRIBE:
                self._connection.client.unsubscribe(frame.topic)

    def _say(self, frame: Frame) -> None:
        data = encoded(frame)
        self._waiting.append(data)
        self._waiting_bytes += len(data)
        self._said_s = time.monotonic()

    def _pass_on(self) -> None:
        """Send the collector what it takes."""
        data = b"".join(self._waiting)
        try:
            sent = self._collector.send(data[:_AT_ONCE_BYTES])
        except BlockingIOError:
            sent = 0
        except OSError:
            sent = len(data)  # it is gone: the next look says so
        self._waiting = [data[sent:]] if sent < len(data) else []
        self._waiting_bytes = len(data) - sent


def main(descriptor: int) -> None:
    """Be the receiver of the collector at the other end of this socket."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # ctrl-C is the collector's to answer
    log_to_stderr()
    with socket.socket(fileno=descriptor) as collector:
        Receiver(collector).run()


if __name__ == "__main__":
    main(int(sys.argv[1]))
