"""The collector's connection to the broker, held by a process of its own: see `collector.receiver`."""

from __future__ import annotations

import contextlib
import logging
import queue
import socket
import subprocess
import sys
import threading
import time

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.channel import (
    CONNECTED,
    DISCONNECTED,
    ERRAND,
    MESSAGE,
    PUBLISH,
    RETAINED,
    UNSUBSCRIBE,
    Frame,
    Frames,
    encoded,
)
from collector.errors import SettingsError
from collector.intake import Arrived
from collector.lanes import Lanes
from collector.receiver import ANSWER_WITHIN_S, KEEPALIVE_S, Errand
from collector.settings import BrokerSettings
from host.tls import client_context
from soak.wire import PREFIX, Orders, Receipt, Topic, encode

log = logging.getLogger(__name__)

SILENT_S = 3 * ANSWER_WITHIN_S
"""A receiver that says nothing for so long is stuck; it may take `ANSWER_WITHIN_S` to find out that nobody answers."""

_MEND_EVERY_S = 5.0
_PATIENCE_S = 5.0
_MOST_WORDS = 10_000
_CHANNEL_BYTES = 1_048_576
_AT_ONCE_BYTES = 262_144
_RECEIPTS = f"{PREFIX}+/{Topic.RECEIPT}"


class Link:
    """One MQTT connection. A thread puts what its process passes on where it waits to be taken in.

    Args:
        settings: How to reach the broker.
        client_id: Fixed, so that the broker keeps what arrives while the collector is away.

    Attributes:
        lanes: What nodes say.
        words: What collectors say, this one among them: orders, and receipts for as long as they are listened to.
        connections: True for each new connection, False for each one lost.
        why: Why the last one was lost or did not come about, with what to do.

    Raises:
        SettingsError: A file that the settings name cannot be used.
    """

    def __init__(self, settings: BrokerSettings, client_id: str) -> None:
        self.lanes = Lanes()
        self.words: queue.Queue[Arrived] = queue.Queue(_MOST_WORDS)
        self.connections: queue.SimpleQueue[bool] = queue.SimpleQueue()
        self.why = ""
        self._settings, self._client_id = settings, client_id
        self._hears_receipts = True
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._speaking = threading.Lock()
        self._started_s = self._heard_s = float("-inf")
        _client(settings, client_id, clean_session=False)  # what it cannot use is said at once

    def start(self) -> None:
        """Connect, and keep connecting; returns at once."""
        settings = self._settings
        kinds = [Topic.READINGS, Topic.STATE, Topic.ORDERS] + [Topic.RECEIPT] * self._hears_receipts
        errand = Errand(
            settings.host,
            settings.port,
            self._client_id,
            [f"{PREFIX}+/{kind}" for kind in kinds],
            settings.username,
            None if settings.username is None else settings.password(),
            settings.ca_file,
        )
        ours, theirs = socket.socketpair()
        with theirs:
            for end in (ours, theirs):
                for size in (socket.SO_SNDBUF, socket.SO_RCVBUF):
                    end.setsockopt(socket.SOL_SOCKET, size, _CHANNEL_BYTES)
            command = [sys.executable, "-m", "collector.receiver", str(theirs.fileno())]
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, pass_fds=[theirs.fileno()])
        ours.settimeout(_PATIENCE_S)
        ours.sendall(encoded(Frame(ERRAND, payload=msgspec.json.encode(errand))))
        self._channel = ours
        self._started_s = self._heard_s = time.monotonic()
        self._thread = threading.Thread(target=self._listen, args=(ours,), name="link", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the connection and its process."""
        if self._channel is not None:
            with contextlib.suppress(OSError):
                self._channel.shutdown(socket.SHUT_RDWR)
        if self._process is not None:
            try:
                self._process.wait(_PATIENCE_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        if self._thread is not None:
            self._thread.join()
        if self._channel is not None:
            self._channel.close()
        self._process = self._thread = self._channel = None

    @property
    def address(self) -> str:
        """Of the broker, for people."""
        return f"{self._settings.host}:{self._settings.port}"

    def alive(self) -> bool:
        """The process that holds the connection runs, and has moved lately."""
        process, thread = self._process, self._thread
        if process is None or thread is None:
            return True  # not begun, or over
        return process.poll() is None and thread.is_alive() and time.monotonic() - self._heard_s < SILENT_S

    def mend(self) -> bool:
        """Begin anew if the process has died or hangs, now and then; True if so."""
        if self.alive() or time.monotonic() - self._started_s < _MEND_EVERY_S:
            return False
        if self._process is not None:
            self._process.kill()
        self.stop()
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
            old.connect(self._settings.host, self._settings.port, KEEPALIVE_S)
            old.loop_start()
            over.wait(_PATIENCE_S)
            old.disconnect()
            old.loop_stop()
        self._client_id = client_id
        self.start()

    def ignore_receipts(self) -> None:
        """Receipts that the broker kept have been heard; those that are said from now on cost time only."""
        self._hears_receipts = False
        self._say(Frame(UNSUBSCRIBE, _RECEIPTS))

    def send_receipt(self, node: str, receipt: Receipt) -> None:
        """Tell a node what the disk has; retained, so that a node that comes later learns it too."""
        self._say(Frame(PUBLISH, Topic.RECEIPT.of(node), encode(receipt)))

    def send_orders(self, node: str, orders: Orders) -> None:
        """Tell a node how to judge by itself; retained."""
        self._say(Frame(PUBLISH, Topic.ORDERS.of(node), encode(orders)))

    def _say(self, frame: Frame) -> None:
        """What cannot be said is said again: receipts when readings come again, orders with the next connection."""
        channel = self._channel
        if channel is None:
            return
        with self._speaking:
            try:
                channel.sendall(encoded(frame))
            except OSError:  # gone, or it takes nothing: half a frame must not be followed by another
                with contextlib.suppress(OSError):
                    channel.shutdown(socket.SHUT_RDWR)

    def _listen(self, channel: socket.socket) -> None:
        frames, connected = Frames(), False
        while True:
            try:
                more = channel.recv(_AT_ONCE_BYTES)
            except TimeoutError:
                continue
            except OSError:
                more = b""
            if not more:
                break
            self._heard_s = time.monotonic()
            for frame in frames.feed(more):
                if frame.kind in (MESSAGE, RETAINED):
                    self._put(Arrived(frame.topic, frame.payload, frame.kind == RETAINED))
                elif frame.kind in (CONNECTED, DISCONNECTED):
                    connected = frame.kind == CONNECTED
                    if not connected:
                        self.why = frame.payload.decode(errors="replace")
                        log.warning("broker %s: %s", self.address, self.why)
                    self.connections.put(connected)
        if connected:
            self.connections.put(False)

    def _put(self, arrived: Arrived) -> None:
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
            client.tls_set_context(client_context(settings.ca_file))
        except OSError as error:
            raise SettingsError(
                f"ca_file {settings.ca_file} cannot be used ({error}). Name the broker's authority, in PEM."
            ) from None
    return client
