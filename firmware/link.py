"""The connection to the broker: only here does the node know paho. Its callbacks do nothing but put on a queue.

paho's own thread ends unseen by an exception in a callback, while the client goes on to say that it is connected. So
paho is driven from a thread of ours, which survives that, shows that it moves, and makes a new client for each
connection: what the broker had not taken ends with it, and the conversation sends it again.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from firmware.conversation import Arrived, Connected, Disconnected, Event, Taken
from firmware.errors import LinkError
from firmware.obstacle import Obstacle
from firmware.retry import Retry
from firmware.settings import Broker
from firmware.watch import Pulse
from host.tls import Trouble, client_context, trouble
from soak import wire

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
MOST_STILL_S = 120.0
"""A name server that does not answer holds a connection up for a minute and more."""

_LOOP_S = 1.0
_GOODBYE_S = 2.0
_JOIN_S = 6.0  # paho tries to connect for 5 s at most
_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_SILENT_LINE = "Keep alive timeout"  # paho's name for it under MQTT 3.1.1


class Link:
    """Connects, and connects again for ever; what happens goes on the queue.

    Args:
        node: The node's name.
        broker: Where to connect.
        events: Where everything that happens goes.
        retry: How long to wait in between.

    Attributes:
        obstacle: What keeps the node from its broker, if it does not pass by itself.
        pulse: Shows that the thread of the connection moves.

    Raises:
        LinkError: A file named in the settings cannot be used.
    """

    def __init__(self, node: str, broker: Broker, events: queue.Queue[Any], *, retry: Retry | None = None) -> None:
        self._node, self._broker, self._events, self._retry = node, broker, events, retry or Retry()
        self.obstacle = Obstacle()
        self.pulse = Pulse("the connection's thread", MOST_STILL_S)
        self._line = self._new_line()
        if broker.username is not None and broker.ca_file is None and broker.host not in _LOOPBACK:
            log.warning("link password travels unencrypted host=%s advice='set ca_file'", broker.host)

    @property
    def rival(self) -> bool:
        """Most likely another machine uses this node's name."""
        return self._retry.rival

    def start(self) -> None:
        """Begin to connect."""
        self.pulse.of(self._line.thread)
        self._line.thread.start()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Hand a message over, to be delivered at least once while this connection stands.

        Returns:
            What `Taken` will name.
        """
        return self._line.client.publish(topic, payload, qos=1, retain=retain).mid

    def renew(self, why: str) -> None:
        """Cut off the connection and its thread, whatever they do, and begin anew."""
        log.warning("link made anew why=%r", why)
        self._line.abandon()
        self._line = self._new_line()
        self._events.put(Disconnected(why))
        self.start()

    def goodbye(self) -> None:
        """Say that this is an orderly end, as far as the broker listens."""
        said = self._line.client.publish(
            wire.Topic.STATE.of(self._node), wire.encode(wire.State(up=False)), qos=1, retain=True
        )
        if said.rc == paho.MQTT_ERR_SUCCESS:
            said.wait_for_publish(_GOODBYE_S)

    def close(self) -> None:
        """End the connection and its thread."""
        self._line.end()

    def _new_line(self) -> _Line:
        topics = [wire.Topic.RECEIPT.of(self._node), wire.Topic.ORDERS.of(self._node)]
        put = self._events.put
        return _Line(
            self._new_client, self._broker, topics, put=put, retry=self._retry, pulse=self.pulse, obstacle=self.obstacle
        )

    def _new_client(self) -> paho.Client:
        name = f"soakledger-node-{self._node}"
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv311)
        client.will_set(wire.Topic.STATE.of(self._node), wire.encode(wire.State(up=False)), qos=1, retain=True)
        broker = self._broker
        if broker.ca_file is not None:
            try:
                client.tls_set_context(client_context(broker.ca_file))
            except OSError as error:  # ssl.SSLError is one
                advice = "Copy the broker's certificate authority there as PEM."
                raise LinkError(f"{broker.ca_file}: it cannot be used as ca_file ({error}). {advice}") from error
        if broker.username is not None and broker.password_file is not None:
            client.username_pw_set(broker.username, _password(broker.password_file))
        return client


class _Line:
    """One thread and the connections it makes, one after the other, each with a client of its own."""

    def __init__(
        self,
        new_client: Callable[[], paho.Client],
        broker: Broker,
        topics: list[str],
        *,
        put: Callable[[Event], None],
        retry: Retry,
        pulse: Pulse,
        obstacle: Obstacle,
    ) -> None:
        self._new_client, self._broker, self._topics = new_client, broker, topics
        self._put_event, self._retry, self._pulse, self._obstacle = put, retry, pulse, obstacle
        self._ending, self._abandoned = threading.Event(), False
        self._accepted, self._reason = False, ""
        self._rival_said = False
        self.client = self._prepared()
        self._fresh = True  # made to see whether the files can be used; the first connection takes it
        self.thread = threading.Thread(target=self._run, name="link", daemon=True)

    def end(self) -> None:
        """Disconnect and end the thread; it is not waited for longer than an attempt to connect takes."""
        self._ending.set()
        self.client.disconnect()
        if self.thread.is_alive():
            self.thread.join(_JOIN_S)

    def abandon(self) -> None:
        """Whatever it still does concerns nobody any more."""
        self._abandoned = True
        self._ending.set()
        if (held := self.client.socket()) is not None:
            held.close()

    def _run(self) -> None:
        while not self._ending.is_set():
            try:
                wait_s = self._connection()
            except BaseException as error:  # an exception in a callback, SystemExit among them, comes up here
                log.exception("link failed; it begins anew")
                self._put(Disconnected(f"the connection failed: {error or type(error).__name__}"))
                wait_s = self._retry.failed()
            if self._abandoned:
                return
            self._say_rival()
            self._pulse.moved()
            self._ending.wait(wait_s)

    def _connection(self) -> float:
        """One connection, from beginning to end; how many seconds to wait after it."""
        if not self._fresh:
            try:
                self.client = self._prepared()
            except LinkError as error:  # the file was in order at the start
                self._put(Disconnected(str(error)))
                return self._retry.failed()
        self._fresh, client = False, self.client
        self._accepted, self._reason = False, ""
        try:
            client.connect(self._broker.host, self._broker.port, KEEPALIVE_S)
        except OSError as error:  # nobody answers, or not the one who should
            self._put(Disconnected(self._hindered(trouble(error, self._broker.host))))
            return self._retry.failed()
        began_s = time.monotonic()
        try:
            self._loop(client)
        finally:
            if (held := client.socket()) is not None:  # else paho has closed it
                held.close()
        self._put(Disconnected(self._reason or "the connection is gone"))
        if self._ending.is_set():
            return 0.0  # by ourselves
        if not self._accepted:
            return self._retry.failed()
        return self._retry.ended(time.monotonic() - began_s, by_broker=self._reason != _SILENT_LINE)

    def _hindered(self, by: Trouble) -> str:
        self._obstacle.met(by)
        return by.text

    def _loop(self, client: paho.Client) -> None:
        leave_s: float | None = None
        while client.loop(_LOOP_S) == paho.MQTT_ERR_SUCCESS and not self._abandoned:
            self._pulse.moved()
            if self._ending.is_set():
                leave_s = leave_s or time.monotonic() + _GOODBYE_S
                if time.monotonic() > leave_s:  # a broker that does not even take a goodbye
                    return

    def _say_rival(self) -> None:
        if self._retry.rival and not self._rival_said:
            log.warning(
                "link thrown out %s times in a row, each time soon after it was let in. Most likely another machine "
                "uses this node's name, as after copying a card: give one of them another name, `node` in its settings."
                " Until then they take turns, and what each says arrives late.",
                self._retry.thrown_out,
            )
        self._rival_said = self._retry.rival

    def _prepared(self) -> paho.Client:
        client = self._new_client()
        client.on_socket_register_write = lambda *_: None  # else `publish` would write from the thread that calls it
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = lambda _client, _data, message: self._put(
            Arrived(message.topic, bytes(message.payload), bool(message.retain))
        )
        client.on_publish = lambda _client, _data, mid, *_: self._put(Taken(mid))
        return client

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, *_: Any) -> None:
        if reason.is_failure:
            self._reason = self._hindered(trouble(f"refused: {reason}", self._broker.host))
            return
        self._accepted = True
        self._obstacle.passed()
        client.subscribe([(topic, 1) for topic in self._topics])
        self._put(Connected())

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, *_: Any) -> None:
        self._reason = self._reason or str(reason)

    def _put(self, event: Event) -> None:
        if not self._abandoned:
            self._put_event(event)


def _password(file: str) -> str:
    try:
        return next(iter(Path(file).read_text().splitlines()), "")
    except (OSError, UnicodeDecodeError) as error:
        advice = "Write the password into its first line, readable for this user."
        raise LinkError(f"{file}: the password cannot be read ({error}). {advice}") from error
