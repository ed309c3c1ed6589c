"""Whatever arrives on whatever topic, decoding gives a message or says why not: nothing else ever comes out."""

from __future__ import annotations

import json
import os
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutations import Message, mutated

from soak.wire import LARGEST_MESSAGE_BYTES, Topic, UnreadableError, decode, encode, parse_topic

GOLDEN = [path.read_bytes() for path in sorted((Path(__file__).parents[1] / "golden").rglob("*.json"))]
REASONS = {"huge", "not-utf-8", "not-json", "wrong-shape", "time"}
EACH = pytest.mark.parametrize("topic", list(Topic))
TIMES = int(os.environ.get("SOAKLEDGER_TIMES", "1"))
"""SOAKLEDGER_TIMES=100 tries so many times as much."""
often = settings(max_examples=300 * TIMES, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def names_in(tree: Any) -> set[str]:
    if isinstance(tree, dict):
        return set(tree) | {name for inner in tree.values() for name in names_in(inner)}
    return {name for inner in tree for name in names_in(inner)} if isinstance(tree, list) else set()


NAMES = sorted({name for payload in GOLDEN for name in names_in(json.loads(payload))})
leaves = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([0, 1, 2**53 - 1, 2**53, -1, 21_000, 10**400]),
    st.floats(),
    st.text(max_size=40),
    st.sampled_from(
        [
            "tick",
            "open",
            "closed",
            "b1",
            "28-00000000000a",
            "0" * 32,
            "2026-03-02T09:14:07.250Z",
            "crc",
            "a\n",
            "\ud800",
        ]
    ),
    st.sampled_from(["9f6c0000-0000-4000-8000-000000000001", "9f6c0000000040008000000000000001"]),
)
trees = st.recursive(
    leaves,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=5)), inner, max_size=8),
    ),
    max_leaves=30,
)


def _check_reason(error: UnreadableError, reasons: set[str]) -> None:
    assert error.reason in reasons
    assert error.detail
    assert str(error) == f"{error.reason}: {error.detail}"
    assert error.detail.isprintable(), error.detail


def check(topic: Topic, payload: bytes) -> bool:
    """A message that stays the same when it is sent again, or a reason on one line; True for a message."""
    try:
        message = decode(topic, payload)
    except UnreadableError as error:
        _check_reason(error, REASONS)
        return False
    assert decode(topic, encode(message)) == message
    return True


@EACH
@often
@given(payload=st.binary(max_size=200))
def test_any_bytes(topic: Topic, payload: bytes) -> None:
    check(topic, payload)


@EACH
@settings(often, max_examples=100 * TIMES)
@given(tree=trees)
def test_any_json(topic: Topic, tree: Any) -> None:
    check(topic, json.dumps(tree).encode("utf-8", "surrogatepass"))


@EACH
@often
@given(seed=st.integers(0, 2**32), payload=st.sampled_from(GOLDEN), times=st.integers(1, 4))
def test_any_good_message_spoilt(topic: Topic, seed: int, payload: bytes, times: int) -> None:
    """What an older release sent on this topic or another, and what is left of it after some changes."""
    rng, message = Random(seed), Message(topic.of("n1"), payload)
    for _ in range(times):
        try:
            message = mutated(rng, message)[1]
        except (
            ValueError,
            LookupError,
            TypeError,
            AttributeError,
            RecursionError,
        ):  # some changes need a message of the usual form
            continue
    check(topic, message.payload)


@often
@given(st.one_of(st.text(), st.text("soakledger/1-_+#\n", max_size=30).map(lambda rest: f"soakledger/1/{rest}")))
def test_any_topic(topic: str) -> None:
    try:
        node, kind = parse_topic(topic)
    except UnreadableError as error:
        _check_reason(error, {"topic"})
    else:
        assert topic == kind.of(node)


@EACH
def test_deep_and_large(topic: Topic) -> None:
    for depth in (100, 1_000, 10_000, 100_000):
        for opening in ("[", '{"a":', '{"readings":[', '{"streams":{"basins":'):
            assert not check(topic, (opening * depth).encode())
        check(topic, b'{"further":' + b"[" * depth + b"]" * depth + b"}")
    assert not check(topic, b" " * (LARGEST_MESSAGE_BYTES + 1))
    assert not check(topic, b"[" + b"0," * (LARGEST_MESSAGE_BYTES // 2 - 2) + b"0]")


def test_every_golden_message_decodes_on_its_own_topic() -> None:
    """Else the tests above would spoil what was never good."""
    assert GOLDEN
    assert all(any(check(topic, payload) for topic in Topic) for payload in GOLDEN)
