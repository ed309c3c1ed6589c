"""Tries the node's broker: reached, its certificate, the login, how fast it answers, what it keeps for the node.

The login is the node's alone: our broker takes it for the connection's name too, so a second connection with it ends
the first. While the node runs only `reach_broker` is allowed, which shakes hands and says nothing.
"""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from firmware.settings import Broker
from host.doctor import Found, Mark
from host.tls import client_context, trouble
from soak import wire
from soak.quantity import in_words, utc_ms

PATIENCE_S = 10.0
TRIES = 5
_WAIT_S = 1.0  # for what the broker keeps, after it has taken the subscription

LEAST_DAYS = 14
"""A certificate that ends sooner is told; it is renewed long before, so that something keeps it from being renewed."""

OLD_MS = 15 * 60_000
"""The collector speaks to each node that speaks every few seconds; one silent for so long is told. Our own choice."""

ANSWER_S = 10.0
"""A collector answers what a node says within a second or two, or not at all. Our own choice."""

SLOW_MS = 2_000
"""An answer that takes longer is told: alarms reach the desk by so much later."""


class Tried(NamedTuple):
    """What came of it.

    Attributes:
        problem: Why there is no connection; empty where there is one.
        todo: What to do about it.
        logged_in: The login was tried, and taken.
        encrypted: It went over TLS.
        certificate_days: Whole days until the broker's certificate ends; None without TLS.
        answers_ms: How long the broker took for each answer, milliseconds.
        denied: What the broker does not let this node read.
        asked: The collector was asked to answer.
        collector_ms: How long it took for that, milliseconds; None: no answer came.
        receipt: The receipt that the broker keeps; None: there is none.
        orders: The orders that it keeps.
    """

    problem: str = ""
    todo: str = ""
    logged_in: bool = False
    encrypted: bool = False
    certificate_days: int | None = None
    answers_ms: Sequence[int] = ()
    denied: Sequence[str] = ()
    asked: bool = False
    collector_ms: int | None = None
    receipt: wire.Receipt | None = None
    orders: wire.Orders | None = None


class _HinderedError(Exception):
    """There is no connection: why, and what to do."""


def reach_broker(broker: Broker) -> Tried:
    """Reach it and shake hands, without login: nobody is disturbed."""
    try:
        return Tried(encrypted=broker.ca_file is not None, certificate_days=_certificate_days(broker, _context(broker)))
    except _HinderedError as error:
        return Tried(*error.args)
    except OSError as error:
        return _hindered(error, broker)


def try_broker(node: str, broker: Broker, who: str, *, ask: bool = False) -> Tried:
    """Connect with the node's login, ask, and leave. Only while the node does not run: it would lose its connection.

    Args:
        node: The node's name.
        broker: Its broker.
        who: Names the connection, beside the node's: "doctor".
        ask: Also have the collector answer: it is told once more that the node is not up.
    """
    name = f"soakledger-{who}-{node}"
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv311)
    client.connect_timeout = PATIENCE_S / 2
    talk = _Talk(client)
    try:
        context = _context(broker)
        days = _certificate_days(broker, context)
        if context is not None:
            client.tls_set_context(context)
        _log_in(client, broker)
        client.connect(broker.host, broker.port, keepalive=30)
        return talk.hold(node, broker, ask=ask)._replace(encrypted=context is not None, certificate_days=days)
    except _HinderedError as error:
        return Tried(*error.args)
    except (OSError, ValueError) as error:
        return _hindered(error, broker)
    finally:
        talk.end()


def _hindered(problem: Exception | str, broker: Broker) -> Tried:
    by = trouble(problem, broker.host)
    return Tried(by.said, by.todo)


def _context(broker: Broker) -> ssl.SSLContext | None:
    if broker.ca_file is None:
        return None
    try:
        return client_context(broker.ca_file)
    except OSError as error:
        said = f"{broker.ca_file} cannot be used ({error})."
        todo = "Run this with sudo; if it stays so, enrol the node anew: `soakledger enrol`, `soakledger join`."
        raise _HinderedError(said, todo) from error


def _certificate_days(broker: Broker, context: ssl.SSLContext | None) -> int | None:
    """Whole days until the broker's certificate ends, from a connection that only shakes hands; None without TLS.

    Raises:
        OSError: Nobody answers, or the certificate does not hold.
    """
    with socket.create_connection((broker.host, broker.port), PATIENCE_S / 2) as line:
        if context is None:
            return None
        with context.wrap_socket(line, server_hostname=broker.host) as safe:
            shown = safe.getpeercert() or {}
    return int((ssl.cert_time_to_seconds(str(shown["notAfter"])) - time.time()) // 86_400)


def _log_in(client: paho.Client, broker: Broker) -> None:
    if broker.username is None or broker.password_file is None:
        return
    try:
        lines = Path(broker.password_file).read_text().splitlines()
    except (OSError, UnicodeDecodeError) as error:
        said = f"The password in {broker.password_file} cannot be read ({error})."
        todo = "Run this with sudo; if it stays so, enrol the node anew: `soakledger enrol`, `soakledger join`."
        raise _HinderedError(said, todo) from error
    client.username_pw_set(broker.username, lines[0] if lines else "")


class _Talk:
    """One connection, driven from here: no thread."""

    def __init__(self, client: paho.Client) -> None:
        self._client = client
        self._accepted: bool | None = None
        self._reason = ""
        self._taken: dict[int, list[Any]] = {}
        self._kept: dict[wire.Topic, wire.Message] = {}
        self._answered = False
        client.on_connect = self._on_connect
        client.on_subscribe = lambda _client, _data, mid, reasons, *_: self._taken.update({mid: reasons})
        client.on_message = self._on_message

    def hold(self, node: str, broker: Broker, *, ask: bool) -> Tried:
        if not self._until(lambda: self._accepted is not None, PATIENCE_S):
            return Tried("It takes the connection and says nothing.", "Check `port`: something else may listen there.")
        if not self._accepted:
            return _hindered(f"refused: {self._reason}", broker)
        answers_ms, denied = [], set()
        topics = [wire.Topic.RECEIPT, wire.Topic.ORDERS]
        for number in range(TRIES):
            topic = topics[number % 2]
            began_ns = time.monotonic_ns()
            _, mid = self._client.subscribe(topic.of(node), 1)
            if mid is None or not self._until(lambda: mid in self._taken, PATIENCE_S):  # noqa: B023 - used at once
                return Tried("The connection broke off.", "Look at the broker's log: another may use this login.")
            answers_ms.append((time.monotonic_ns() - began_ns) // 1_000_000)
            if any(reason.is_failure for reason in self._taken[mid]):
                denied.add(topic.value)
        self._until(lambda: len(self._kept) == len(topics), _WAIT_S)
        collector_ms = self._answer_ms(node) if ask else None
        receipt, orders = self._kept.get(wire.Topic.RECEIPT), self._kept.get(wire.Topic.ORDERS)
        return Tried(
            logged_in=True,
            answers_ms=answers_ms,
            denied=sorted(denied),
            asked=ask,
            collector_ms=collector_ms,
            receipt=receipt if isinstance(receipt, wire.Receipt) else None,
            orders=orders if isinstance(orders, wire.Orders) else None,
        )

    def _answer_ms(self, node: str) -> int | None:
        """Say what the broker keeps of a node that does not run; the collector answers each state with a receipt."""
        self._answered = False
        began_ns = time.monotonic_ns()
        self._client.publish(wire.Topic.STATE.of(node), wire.encode(wire.State(up=False)), qos=1, retain=True)
        if not self._until(lambda: self._answered, ANSWER_S):
            return None
        return (time.monotonic_ns() - began_ns) // 1_000_000

    def end(self) -> None:
        self._client.disconnect()
        if (held := self._client.socket()) is not None:
            held.close()

    def _until(self, there: Any, within_s: float) -> bool:
        end_s = time.monotonic() + within_s
        while not there() and time.monotonic() < end_s:
            if self._client.loop(0.05) != paho.MQTT_ERR_SUCCESS:
                break
        return bool(there())

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, *_: Any) -> None:
        self._accepted, self._reason = not reason.is_failure, str(reason)

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = wire.parse_topic(message.topic)[1]
            self._kept[topic] = wire.decode(topic, bytes(message.payload))
            self._answered = self._answered or (topic is wire.Topic.RECEIPT and not message.retain)
        except wire.UnreadableError:
            pass  # as if it were not there: the node does not take it in either


def judge_broker(broker: Broker, tried: Tried, now_ms: int) -> list[Found]:
    """What that means.

    Args:
        broker: The settings that were tried.
        tried: What came of it.
        now_ms: The wall clock, milliseconds since 1970: by it ages are told.
    """
    where = f"{broker.host}:{broker.port}"
    if tried.problem:
        said = f"{tried.problem} Readings wait here; nobody at the desk sees them."
        return [Found(f"broker {where}", Mark.WRONG, said, tried.todo)]
    if tried.denied:
        said = f"it does not let this node read its {' and '.join(tried.denied)}: readings would wait here for ever."
        todo = "Check that the login is the node's name, and enrol it anew: `soakledger enrol`, `soakledger join`."
        return [Found(f"broker {where}", Mark.WRONG, said, todo)]
    found = [_reached(where, broker, tried), *_certificate(tried)]
    return [*found, *_collector(tried, now_ms)] if tried.logged_in else found


def _reached(where: str, broker: Broker, tried: Tried) -> Found:
    line = "over TLS" if tried.encrypted else "not encrypted"
    slowest_ms = max(tried.answers_ms, default=0)
    if tried.logged_in:
        login = "with its login" if broker.username is not None else "without a login"
        said = f"reached {login}, {line}; {len(tried.answers_ms)} answers took at most {slowest_ms} ms each."
    else:
        said = f"reached, {line}; its login was left to the node, which runs."
    if not tried.encrypted and broker.host not in ("127.0.0.1", "::1", "localhost"):
        todo = "Whoever is on that network can read and forge readings: enrol the node with `soakledger join`."
        return Found(f"broker {where}", Mark.NOTE, said, todo)
    if slowest_ms > SLOW_MS:
        return Found(f"broker {where}", Mark.NOTE, said, "Slow: alarms come late. Look at the network between them.")
    return Found(f"broker {where}", Mark.GOOD, said)


def _certificate(tried: Tried) -> list[Found]:
    days = tried.certificate_days
    if days is None:
        return []
    said = f"it lasts {days} more days."
    if days < LEAST_DAYS:
        todo = "On the collector run `sudo soakledger certificates --renew`."
        return [Found("broker's certificate", Mark.WRONG, f"{said} After that no node can connect.", todo)]
    return [Found("broker's certificate", Mark.GOOD, said)]


def _collector(tried: Tried, now_ms: int) -> list[Found]:
    return [
        _answer(tried)
        if tried.asked
        else _spoken("receipt", tried.receipt, now_ms, "readings are kept here until the collector has them."),
        _spoken("orders", tried.orders, now_ms, "the node cannot judge soaks by itself without them."),
    ]


def _answer(tried: Tried) -> Found:
    name = "collector's receipt"
    if tried.collector_ms is None:
        said = f"none came within {ANSWER_S:.0f} s: readings would wait here until the collector has them."
        return Found(name, Mark.WRONG, said, "Look whether the collector runs: `soakledger doctor` on its machine.")
    return Found(name, Mark.GOOD, f"the collector answered within {tried.collector_ms} ms.")


def _spoken(what: str, message: wire.Receipt | wire.Orders | None, now_ms: int, means: str) -> Found:
    name = f"collector's {what}"
    if message is None:
        todo = "Start the node, wait a minute, look again; then look whether the collector runs."
        return Found(name, Mark.UNKNOWN, f"none yet: {means}", todo)
    if message.by is None:
        return Found(name, Mark.NOTE, "there; it does not say how old it is.")
    age_ms = max(0, now_ms - utc_ms(message.by.sent))
    said = f"{in_words(age_ms // 1000 * 1000)} old."
    if age_ms > OLD_MS and what == "receipt":
        todo = "Where the node runs, look whether the collector does: `soakledger doctor` on its machine."
        return Found(name, Mark.NOTE, f"{said} Nothing has been stored for this node since.", todo)
    return Found(name, Mark.GOOD, said)
