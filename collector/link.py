"""The collector's connection to the broker: subscribes, queues what arrives, publishes receipts and orders."""

from __future__ import annotations

import logging
import queue
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.errors import SettingsError
from collector.intake import Arrived
from collector.settings import BrokerSettings
from soak.wire import Orders, Receipt, Topic, encode

log = logging.getLogger(__name__)

_KEEPALIVE_S = 30
MOST_QUEUED = 20_000
"""Messages waiting to be taken in; what comes on top is dropped here and sent again by its node, without a receipt."""

FRESH_BYTES = 8_192
"""A message up to this size goes before larger ones: after an outage the past must not keep what happens now waiting.
Streams do not mind: each is judged in the order of its numbers, whatever the order of its messages."""


class Link:
    """One MQTT connection. Its callbacks run in paho's thread and do nothing but queue.

    Args:
        settings: How to reach the broker.
        client_id: Fixed, so that the broker keeps what arrives while the collector is away.

    Raises:
        SettingsError: A file that the settings name cannot be used.
    """

    def __init__(self, settings: BrokerSettings, client_id: str) -> None:
        self.fresh: queue.Queue[Arrived] = queue.Queue(MOST_QUEUED)
        self.backlog: queue.Queue[Arrived] = queue.Queue(MOST_QUEUED)
        self.connections: queue.SimpleQueue[bool] = queue.SimpleQueue()
        self.dropped = 0
        self._settings = settings
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=False, protocol=mqtt.MQTTv311)
        if settings.username is not None:
            self._client.username_pw_set(settings.username, settings.password())
        if settings.ca_file:
            try:
                self._client.tls_set(settings.ca_file)
            except OSError as error:
                raise SettingsError(
                    f"ca_file {settings.ca_file} cannot be used ({error}). Name the broker's authority, in PEM."
                ) from None
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 10)

    def start(self) -> None:
        """Connect, and keep connecting; returns at once."""
        self._client.connect_async(self._settings.host, self._settings.port, _KEEPALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect and end paho's thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def send_receipt(self, node: str, receipt: Receipt) -> None:
        """Tell a node what the disk has; retained, so that a node that comes later learns it too."""
        self._client.publish(Topic.RECEIPT.of(node), encode(receipt), qos=1, retain=True)

    def send_orders(self, node: str, orders: Orders) -> None:
        """Tell a node how to judge by itself; retained."""
        self._client.publish(Topic.ORDERS.of(node), encode(orders), qos=1, retain=True)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.warning("broker %s:%d refuses the collector: %s", self._settings.host, self._settings.port, reason)
            return
        client.subscribe([(f"soakledger/1/+/{Topic.READINGS}", 1), (f"soakledger/1/+/{Topic.STATE}", 1)])
        self.connections.put(True)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, _reason: Any, _properties: Any) -> None:
        self.connections.put(False)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            lane = self.fresh if len(message.payload) <= FRESH_BYTES else self.backlog
            lane.put_nowait(Arrived(message.topic, bytes(message.payload), bool(message.retain)))
        except queue.Full:
            self.dropped += 1
