"""Types are ready before any thread gets to use them."""

from __future__ import annotations

import subprocess
import sys

import msgspec
import pytest

from soak.decoding import converted, from_json, json_decoder, msgpack_decoder

AT_ONCE = """
import sys, threading
import msgspec
from soak import decoding

sys.setswitchinterval(1e-6)
for trial in range(100):
    inner = [msgspec.defstruct(f"I{i}", [("a", int), ("b", list[str]), ("c", dict[str, int])]) for i in range(8)]
    outer = msgspec.defstruct("Outer", [(f"f{i}", kind) for i, kind in enumerate(inner)])
    content = {f"f{i}": {"a": 1, "b": ["x"], "c": {"y": 1}} for i in range(8)}
    packed, text = msgspec.msgpack.encode(content), msgspec.json.encode(content)
    ways = [
        lambda: decoding.from_json(text, outer),
        lambda: decoding.converted(content, outer),
        lambda: decoding.msgpack_decoder(outer).decode(packed),
        lambda: decoding.from_json(b"[]", list[inner[0]]),
    ]
    gate = threading.Barrier(len(ways))
    threads = [threading.Thread(target=lambda way=way: (gate.wait(), way())) for way in ways]
    for thread in threads: thread.start()
    for thread in threads: thread.join()
print("alive")
"""


class Piece(msgspec.Struct):
    length: int


def test_the_first_use_of_a_type_by_several_threads_at_once_ends_nobody() -> None:
    """With msgspec's own `decode` this ends by SIGSEGV in one of the first trials."""
    done = subprocess.run([sys.executable, "-c", AT_ONCE], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (0, "alive\n", "")


def test_decoders_are_made_once_and_are_strict() -> None:
    assert json_decoder(Piece) is json_decoder(Piece)
    assert msgpack_decoder(list[Piece]) is msgpack_decoder(list[Piece])
    assert from_json('{"length": 3}', Piece) == converted({"length": 3}, Piece) == Piece(3)
    assert msgpack_decoder(list[Piece]).decode(msgspec.msgpack.encode([Piece(3)])) == [Piece(3)]
    for way in (lambda: from_json('{"length": "3"}', Piece), lambda: converted({"length": "3"}, Piece)):
        with pytest.raises(msgspec.ValidationError, match="Expected `int`, got `str`"):
            way()
