"""What it means how the node's broker answered: whether readings reach the collector. Pure."""

from __future__ import annotations

from firmware.checkup.broker import ANSWER_S, Tried
from firmware.settings import Broker
from host.doctor import Found, Mark
from soak import wire
from soak.quantity import in_words, utc_ms

LEAST_DAYS = 14
"""A certificate that ends sooner is told; it is renewed long before, so that something keeps it from being renewed."""

OLD_MS = 15 * 60_000
"""The collector speaks to each node that speaks every few seconds; one silent for so long is told. Our own choice."""

SLOW_MS = 2_000
"""An answer that takes longer is told: alarms reach the desk by so much later."""


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
