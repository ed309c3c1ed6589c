"""The collector's connection to the broker: subscribes, queues what arrives, publishes receipts and orders."""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.errors import SettingsError
from collector.intake import Arrived
from collector.lanes import Lanes
from collector.settings import BrokerSettings
from soak.wire import PREFIX, Orders, Receipt, Topic, encode

log = logging.getLogger(__name__)

_KEEPALIVE_S = 30
_MEND_EVERY_S = 5.0
_PATIENCE_S = 5.0
_MOST_WORDS = 10_000
_RECEIPTS = f"{PREFIX}+/{Topic.RECEIPT}"


class Link:
    """One MQTT connection. Its callbacks run in paho's thread and do nothing but queue.

    Args:
        settings: How to reach the broker.
        client_id: Fixed, so that the broker keeps what arrives while the collector is away.

    Attributes:
        lanes: What nodes say.
        words: What collectors say, this one among them: orders, and receipts for as long as they are listened to.
        connections: True for each new connection, False for each one lost.

    Raises:
        SettingsError: A file that the settings name cannot be used.
    """

    def __init__(self, settings: BrokerSettings, client_id: str) -> None:
        self.lanes = Lanes()
        self.words: queue.Queue[Arrived] = queue.Queue(_MOST_WORDS)
        self.connections: queue.SimpleQueue[bool] = queue.SimpleQueue()
        self._settings, self._client_id = settings, client_id
        self._hears_receipts = True
        self._thread: threading.Thread | None = None
        self._started_s = float("-inf")
        self._client = self._made()

    def _made(self) -> mqtt.Client:
        client = _client(self._settings, self._client_id, clean_session=False)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 10)
        return client

    def start(self) -> None:
        """Connect, and keep connecting; returns at once."""
        self._started_s = time.monotonic()
        self._client.connect_async(self._settings.host, self._settings.port, _KEEPALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect and end paho's thread."""
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def address(self) -> str:
        """Of the broker, for people."""
        return f"{self._settings.host}:{self._settings.port}"

    def alive(self) -> bool:
        """Paho's thread runs. An error in it ends it without a word, and the client goes on saying it is connected."""
        return self._thread is None or self._thread.is_alive()

    def mend(self) -> bool:
        """Begin anew if paho's thread has died, now and then; True if so."""
        if self.alive() or time.monotonic() - self._started_s < _MEND_EVERY_S:
            return False
        if socket := self._client.socket():
            with contextlib.suppress(OSError):
                socket.close()
        self._thread = None
        self._client = self._made()
        self.connections.put(False)
        self.start()
        return True

    def rename(self, client_id: str) -> None:
        """Go on under another id; what the broker keeps for the old one is given up, and comes from its nodes again."""
        self.stop()
        over = threading.Event()
        old = _client(self._settings, self._client_id, clean_session=True)
        old.on_connect = lambda *_: over.set()
        with contextlib.suppress(OSError):
            old.connect(self._settings.host, self._settings.port, _KEEPALIVE_S)
            old.loop_start()
            over.wait(_PATIENCE_S)
            old.disconnect()
            old.loop_stop()
        self._client_id, self._thread = client_id, None
        self._client = self._made()
        self.start()

    def ignore_receipts(self) -> None:
        """Receipts that the broker kept have been heard; those that are said from now on cost time only."""
        self._hears_receipts = False
        self._client.unsubscribe(_RECEIPTS)

    def send_receipt(self, node: str, receipt: Receipt) -> None:
        """Tell a node what the disk has; retained, so that a node that comes later learns it too."""
        self._client.publish(Topic.RECEIPT.of(node), encode(receipt), qos=1, retain=True)

    def send_orders(self, node: str, orders: Orders) -> None:
        """Tell a node how to judge by itself; retained."""
        self._client.publish(Topic.ORDERS.of(node), encode(orders), qos=1, retain=True)

    def _on_pre_connect(self, _client: mqtt.Client, _data: Any) -> None:
        self._thread = threading.current_thread()

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.warning("broker %s refuses the collector: %s", self.address, reason)
            return
        kinds = [Topic.READINGS, Topic.STATE, Topic.ORDERS] + [Topic.RECEIPT] * self._hears_receipts
        client.subscribe([(f"{PREFIX}+/{kind}", 1) for kind in kinds])
        self.connections.put(True)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, _reason: Any, _properties: Any) -> None:
        self.connections.put(False)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        arrived = Arrived(message.topic, bytes(message.payload), bool(message.retain))
        if arrived.topic.endswith(("/orders", "/receipt")):
            with contextlib.suppress(queue.Full):
                self.words.put_nowait(arrived)
        else:
            self.lanes.put(arrived)


def _client(settings: BrokerSettings, client_id: str, *, clean_session: bool) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=clean_session, protocol=mqtt.MQTTv311)
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password())
    if settings.ca_file:
        try:
            client.tls_set(settings.ca_file)
        except OSError as error:
            raise SettingsError(
                f"ca_file {settings.ca_file} cannot be used ({error}). Name the broker's authority, in PEM."
            ) from None
    return client
