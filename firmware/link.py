"""The connection to the broker: only here does the node know paho. Its callbacks do nothing but put on a queue.

An exception in a callback would end paho's thread unseen, while it goes on to say that it is connected.
"""

from __future__ import annotations

import logging
import queue
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from firmware.conversation import Arrived, Connected, Disconnected, Taken
from firmware.errors import LinkError
from firmware.settings import Broker
from soak import wire

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
_GOODBYE_S = 2.0
_LONGEST_RETRY_S = 30
_LOOPBACK = ("127.0.0.1", "::1", "localhost")


class Link:
    """Connects, and connects again for ever; what happens goes on the queue.

    Args:
        node: The node's name.
        broker: Where to connect.
        events: Where everything that happens goes.

    Raises:
        LinkError: A file named in the settings cannot be used.
    """

    def __init__(self, node: str, broker: Broker, events: queue.SimpleQueue[Any]) -> None:
        self._node, self._broker, self._put = node, broker, events.put
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"soakledger-node-{node}", protocol=MQTTProtocolVersion.MQTTv311
        )
        client.will_set(wire.Topic.STATE.of(node), wire.encode(wire.State(up=False)), qos=1, retain=True)
        client.reconnect_delay_set(1, _LONGEST_RETRY_S)
        client.on_connect = self._on_connect
        client.on_connect_fail = lambda *_: self._put(Disconnected("nobody answers"))
        client.on_disconnect = self._on_disconnect
        client.on_message = lambda _client, _data, message: self._put(Arrived(message.topic, bytes(message.payload)))
        client.on_publish = lambda _client, _data, mid, *_: self._put(Taken(mid))
        self._client = client
        self._identify(broker)

    def start(self) -> None:
        """Begin to connect, in a thread of paho's."""
        self._client.connect_async(self._broker.host, self._broker.port, KEEPALIVE_S)
        self._client.loop_start()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Hand a message over, to be delivered at least once.

        Returns:
            What `Taken` will name.
        """
        return self._client.publish(topic, payload, qos=1, retain=retain).mid

    def goodbye(self) -> None:
        """Say that this is an orderly end, as far as the broker listens."""
        said = self._client.publish(
            wire.Topic.STATE.of(self._node), wire.encode(wire.State(up=False)), qos=1, retain=True
        )
        if said.rc == paho.MQTT_ERR_SUCCESS:
            said.wait_for_publish(_GOODBYE_S)

    def close(self) -> None:
        """End the connection; before the thread, which would otherwise wait for a silent broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def _identify(self, broker: Broker) -> None:
        if broker.ca_file is not None:
            try:
                self._client.tls_set(ca_certs=broker.ca_file)
            except OSError as error:  # ssl.SSLError is one
                advice = "Copy the broker's certificate authority there as PEM."
                raise LinkError(f"{broker.ca_file}: it cannot be used as ca_file ({error}). {advice}") from error
        if broker.username is None or broker.password_file is None:
            return
        try:
            password = next(iter(Path(broker.password_file).read_text().splitlines()), "")
        except (OSError, UnicodeDecodeError) as error:
            advice = "Write the password into its first line, readable for this user."
            raise LinkError(f"{broker.password_file}: the password cannot be read ({error}). {advice}") from error
        self._client.username_pw_set(broker.username, password)
        if broker.ca_file is None and broker.host not in _LOOPBACK:
            log.warning("link password travels unencrypted host=%s advice='set ca_file'", broker.host)

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, *_: Any) -> None:
        if reason.is_failure:
            self._put(Disconnected(f"refused: {reason}"))
            return
        client.subscribe([(wire.Topic.RECEIPT.of(self._node), 1), (wire.Topic.ORDERS.of(self._node), 1)])
        self._put(Connected())

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, *_: Any) -> None:
        self._put(Disconnected(str(reason)))
