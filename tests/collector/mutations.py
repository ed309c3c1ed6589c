"""Ways to spoil a message, seeded: bytes, numbers, structure, Unicode, topics, meaning, size."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from random import Random
from typing import Any, NamedTuple

LARGEST_BYTES = 256 * 1024
NUMBERS = (
    *(
        "0",
        "-0",
        "-1",
        "1",
        "2",
        "00",
        "01",
        "+1",
        "1.0",
        "1.5",
        "0.1",
        "-0.5",
        "1e3",
        "1e999",
        "-1e999",
        "1E2",
        "1e-9",
    ),
    *("NaN", "Infinity", "-Infinity", "0x10", "1_000", "१", "1.", ".5", "--1", "1e", "null", "true", '"1"', "[]"),
    *(str(2**53 + off) for off in (-2, -1, 0, 1)),
    *(str(sign * 2**power + off) for power in (31, 63, 64, 128) for sign in (1, -1) for off in (-1, 0, 1)),
    *("9" * 30, "9" * 400, "9" * 5_000, "-" + "9" * 400, "0." + "0" * 400 + "1", "253402300799999", "253402300800000"),
)
WRONG = (
    *(None, True, False, 0, -1, 1, 2**53, 2**53 - 1, 2**64, 1.5, "", "x", "0", "null", "\x00", "\n", "é", "a" * 65),
    *([], {}, [[]], [None], {"": None}, [0] * 50, {str(i): i for i in range(50)}, "b1\n", " b1", "B1", "open\n"),
)
UNICODE = (
    *(b"\xff", b"\xfe", b"\x80", b"\xc0\x80", b"\xed\xa0\x80", b"\xed\xbf\xbf", b"\xf4\x90\x80\x80", b"\xe2\x82"),
    *(b"\x00", b"\x01", b"\x1f", b"\x7f", b"\r\n", b"\t", b"\x1b[31m", b"\xc2\x85", b"\xe2\x80\xa8", b"\xe2\x80\xae"),
    *(b"\\ud800", b"\\udfff", b"\\ud83d\\ude00", b"\\ud83d", b"\\u0000", b"\\u000a", b"\\u007f", b"\\x", b"\\u12"),
    *(b"\xef\xbb\xbf", b"\xf0\x9f\x9b\x81", b"\xef\xbf\xbf", b"\xcc\x81", b'"', b"\\", b'\\"'),
)
KINDS = ("readings", "state", "receipt", "orders", "", "Readings", "readings ", "will", "+", "#", "readings/x", "\n")
PREFIXES = (
    "soakledger/1/",
    "soakledger/2/",
    "soakledger/",
    "/soakledger/1/",
    "Soakledger/1/",
    "",
    "$SYS/",
    "soakledger//",
)
_WHOLE = re.compile(rb"-?\b[0-9]+\b")


class Message(NamedTuple):
    """A topic and what was sent on it."""

    topic: str
    payload: bytes


Mutation = Callable[[Random, Message], Message]


def random_hex(rng: Random, digits: int) -> str:
    """So many hexadecimal digits."""
    return f"{rng.getrandbits(4 * digits):0{digits}x}"


def _cut(rng: Random, payload: bytes) -> tuple[int, int]:
    start, end = sorted((rng.randrange(len(payload) + 1), rng.randrange(len(payload) + 1)))
    return start, min(end, start + 1 + rng.randrange(40))


# Bytes


def flip(rng: Random, message: Message) -> Message:
    """One bit or one byte, some of them."""
    spoilt = bytearray(message.payload)
    for _ in range(rng.choice((1, 1, 1, 2, 8)) if spoilt else 0):
        spoilt[rng.randrange(len(spoilt))] ^= rng.choice((1, 2, 4, 8, 16, 32, 64, 128, 255))
    return message._replace(payload=bytes(spoilt))


def replace_digit(rng: Random, message: Message) -> Message:
    """A digit becomes another: often still JSON, often still of the right shape."""
    places = [index for index, byte in enumerate(message.payload) if byte in b"0123456789abcdef"]
    if not places:
        return message
    spoilt = bytearray(message.payload)
    for _ in range(rng.choice((1, 1, 2))):
        spoilt[rng.choice(places)] = rng.choice(b"0123456789abcdef")
    return message._replace(payload=bytes(spoilt))


def cut(rng: Random, message: Message) -> Message:
    """The end, the beginning, or something in the middle is gone."""
    start, end = _cut(rng, message.payload)
    parts = (message.payload[:start], message.payload[end:], message.payload[:start] + message.payload[end:], b"")
    return message._replace(payload=parts[rng.choice((0, 0, 1, 2, 2, 2, 2)) if rng.random() < 0.99 else 3])


def insert(rng: Random, message: Message) -> Message:
    """Bytes, or a piece of itself, where they do not belong."""
    start, end = _cut(rng, message.payload)
    piece = rng.choice(
        (rng.randbytes(rng.choice((1, 1, 3, 9))), message.payload[start:end], b" ", b",", b"{", b"]", b"0")
    )
    return message._replace(payload=message.payload[:start] + piece + message.payload[start:])


def swap(rng: Random, message: Message) -> Message:
    """Two stretches change places."""
    payload, (start, end) = message.payload, _cut(rng, message.payload)
    middle = (start + end) // 2
    return message._replace(payload=payload[:start] + payload[middle:end] + payload[start:middle] + payload[end:])


def noise(rng: Random, message: Message) -> Message:
    """Bytes that were never a message."""
    return message._replace(payload=rng.randbytes(rng.choice((0, 1, 2, 20, 300))))


# Numbers and Unicode


def renumber(rng: Random, message: Message) -> Message:
    """A number becomes one at or beyond an edge."""
    found = list(_WHOLE.finditer(message.payload))
    if not found:
        return message
    place = rng.choice(found)
    number = rng.choice(NUMBERS).encode()
    return message._replace(payload=message.payload[: place.start()] + number + message.payload[place.end() :])


def unicode(rng: Random, message: Message) -> Message:
    """What is not UTF-8, or should not stand in a name."""
    if rng.random() < 0.03:
        encoding = rng.choice(("utf-16", "utf-32", "utf-8-sig", "utf-16-be"))
        return message._replace(payload=message.payload.decode("utf-8", "replace").encode(encoding))
    start = rng.choice(
        (0, len(message.payload), rng.randrange(len(message.payload) + 1), rng.randrange(len(message.payload) + 1))
    )
    return message._replace(payload=message.payload[:start] + rng.choice(UNICODE) + message.payload[start:])


# Structure


def _places(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Every container and key in a tree."""
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, inner in items:
        yield tree, key
        yield from _places(inner)


def _text(tree: Any) -> bytes:
    return json.dumps(tree, separators=(",", ":")).encode()


def structure(rng: Random, message: Message) -> Message:
    """A wrong type, a missing, further, renamed or repeated name, null, an array too long."""
    tree = json.loads(message.payload)
    places = list(_places(tree))
    if not places:
        return message._replace(payload=_text(rng.choice(WRONG)))
    inside, key = rng.choice(places)
    what = rng.randrange(9)
    if what <= 2:
        inside[key] = rng.choice(WRONG)
    elif what == 3:
        del inside[key]
    elif what == 4 and isinstance(inside, dict):
        inside[rng.choice(("new", key + "2", key.upper(), "", "\x00", "__proto__"))] = inside.pop(key)
    elif what == 5 and isinstance(inside, dict):
        return message._replace(payload=_repeated_name(rng, tree, inside, key))
    elif what == 6:
        inside[key] = [inside[key]] * rng.choice((0, 1, 2, 17, 130))
    elif what == 7 and isinstance(inside, dict):
        inside["further"] = rng.choice(WRONG)
    else:
        tree = rng.choice(({"": tree}, [tree], _text(tree).decode(), rng.choice(WRONG)))
    return message._replace(payload=_text(tree))


def _repeated_name(rng: Random, tree: Any, inside: dict[str, Any], key: str) -> bytes:
    """The same name twice in one object."""
    mark = f"\x02{key}"
    inside[mark] = rng.choice((inside[key], rng.choice(WRONG)))
    return _text(tree).replace(_text(mark), _text(key))


def deep(rng: Random, message: Message) -> Message:
    """Nested far deeper than anything here."""
    depth = rng.choice((50, 400, 20_000))
    opening, closing = rng.choice(((b"[", b"]"), (b'{"a":', b"}")))
    nested = opening * depth + b"1" + (closing * depth if rng.random() < 0.8 else b"")
    payload = message.payload
    if rng.random() < 0.5 and payload.startswith(b"{"):
        return message._replace(payload=b'{"further":' + nested + b"," + payload[1:])
    return message._replace(payload=nested)


def huge(rng: Random, message: Message) -> Message:
    """About as large as is taken in, and larger."""
    payload = message.payload
    size = LARGEST_BYTES + rng.choice((-1, 0, 1, 1_000, 300_000)) - len(payload)
    padded = (payload + b" " * size, b" " * size + payload, b'{"further":"' + b"x" * (size - 14) + b'",' + payload[1:])
    return message._replace(payload=rng.choice(padded))


def many(rng: Random, message: Message) -> Message:
    """More of something than is allowed, or just as many."""
    tree = json.loads(message.payload)
    if not isinstance(tree, dict):
        return message
    if readings := tree.get("readings"):
        count, ms = rng.choice((999, 1_000, 1_001)), readings[0]["ms"]
        tree["readings"] = [{"ms": ms + index, "why": "tick", "lid": "open", "mc": {}} for index in range(count)]
        if rng.random() < 0.5:
            tree["readings"] = readings[:1]
            readings[0]["mc"] = {f"28-{index:012x}": 20_000 for index in range(rng.choice((15, 16, 17, 400)))}
    else:
        name, most = rng.choice((("streams", 1_000), ("sensors", 128), ("refused", 100), ("troubles", 100)))
        tree[name] = _many_of(name, most + rng.choice((0, 1)))
    return message._replace(payload=_text(tree))


def _many_of(name: str, count: int) -> Any:
    if name == "refused":
        return {f"reason {index}": index for index in range(count)}
    if name == "troubles":
        return ["disk"] * count
    if name == "sensors":
        return [{"sensor": f"28-{index:012x}", "basin": "b1"} for index in range(count)]
    return [{"stream": f"{index:032x}", "basin": "b9", "oldest": 1, "newest": 0} for index in range(count)]


# Topics


def topic(rng: Random, message: Message) -> Message:
    """Another node's name, another kind, another prefix, a wildcard, nothing, far too long."""
    _, _, node, kind = (*message.topic.split("/"), "", "", "", "")[:4]
    names = (
        "n1",
        "n2",
        "s1",
        "n",
        "",
        "+",
        "#",
        "N1",
        "n_1",
        "n1-",
        "n1--x",
        "a" * 32,
        "a" * 33,
        "n1\x00",
        "n1\n",
        "ñ",
        "n 1",
        "../n1",
    )
    choice = rng.randrange(5)
    if choice == 0:
        return message._replace(topic=f"soakledger/1/{rng.choice(names)}/{kind}")
    if choice == 1:
        return message._replace(topic=f"soakledger/1/{node}/{rng.choice(KINDS)}")
    if choice == 2:
        return message._replace(topic=f"{rng.choice(PREFIXES)}{node}/{kind}")
    if choice == 3:
        return message._replace(
            topic=rng.choice(("", "/", "soakledger", "+/+/+/+", "#", message.topic + "/", "x" * 65_000, "\U0001f6c1"))
        )
    place = rng.randrange(len(message.topic) + 1)
    return message._replace(
        topic=message.topic[:place] + rng.choice("/0az-+#\x00\n é\t") + message.topic[place + rng.randrange(2) :]
    )


# Meaning: of the right shape, and still wrong or untrue


def meaning(rng: Random, message: Message) -> Message:
    """Right in form; what it says contradicts itself, what is stored, the calendar or its sender."""
    tree = json.loads(message.payload)
    if not isinstance(tree, dict):
        return message
    if tree.get("readings"):
        _BATCH_LIES[rng.randrange(len(_BATCH_LIES))](rng, tree)
    elif tree.get("streams"):
        _state_lie(rng, tree)
    return message._replace(payload=_text(tree))


def _shift_first(rng: Random, tree: Any) -> None:
    tree["first"] = rng.choice(
        (tree["first"] + rng.choice((-3, -1, 1, 2, 100)), 2**53 - 1, 2**53 - len(tree["readings"]), 1, 2**53)
    )


def _times_fall(rng: Random, tree: Any) -> None:
    one = rng.choice(tree["readings"])
    one["ms"] = max(0, one["ms"] + rng.choice((-5_000, -1_000, -1, 1, 999, 1_000, 5_000, 3_600_001, 10**9)))


def _other_content(rng: Random, tree: Any) -> None:
    one = rng.choice(tree["readings"])
    if rng.random() < 0.4:
        one["lid"] = "open" if one["lid"] == "closed" else "closed"
    elif rng.random() < 0.5 and one["mc"]:
        one["mc"][rng.choice(list(one["mc"]))] = rng.choice((None, 20_000, -55_000, 125_000, 125_001, -55_001, 85_000))
    else:
        one["why"] = rng.choice(("tick", "lid", "button", "clock", "start", "because"))


def _other_sensor(rng: Random, tree: Any) -> None:
    one = rng.choice(tree["readings"])
    name = rng.choice(
        (f"28-{random_hex(rng, 12)}", "28-xyz", "28-00000000000A", "28-00000000000a\n", "ff-000000000000")
    )
    one["mc"][name] = 21_000
    if rng.random() < 0.3:
        one["fault"] = {
            name: {
                "code": rng.choice(("crc", "CRC", "", "word-" + random_hex(rng, 6), "a" * 33)),
                "raw": rng.choice(("", "4b", "4", "zz", "00" * 17)),
            }
        }


def _other_owner(rng: Random, tree: Any) -> None:
    name, said = rng.choice(
        (
            ("basin", rng.choice(("b1", "b2", "b9", "x" + random_hex(rng, 3), "B1", ""))),
            ("boot", f"{random_hex(rng, 8)}-0000-4000-8000-{random_hex(rng, 12)}"),
            (
                "stream",
                rng.choice(
                    (random_hex(rng, 32), random_hex(rng, 31), tree["stream"].upper(), f"{rng.randrange(9):032x}")
                ),
            ),
        )
    )
    tree[name] = said


def _fresh(rng: Random, tree: Any) -> None:
    tree["stream"] = random_hex(rng, 32)


def _other_clock(rng: Random, tree: Any) -> None:
    clock = tree["clock"]
    what = rng.randrange(4)
    if what == 0:
        clock["utc"] = rng.choice(
            (
                *(
                    "1970-01-01T00:00:00.000Z",
                    "1969-12-31T23:59:59.999Z",
                    "9999-12-31T23:59:59.999Z",
                    "0000-00-00T00:00:00.000Z",
                ),
                *(
                    "2026-02-30T00:00:00.000Z",
                    "2026-03-02T23:59:60.000Z",
                    "2026-03-02T24:00:00.000Z",
                    "2027-03-02T09:00:00.000Z",
                ),
                *(
                    "2026-03-02T09:00:00Z",
                    "2026-03-02 09:00:00.000Z",
                    "2026-03-02T09:00:00.000+00:00",
                    "2026-03-02T09:00:00.000z",
                ),
            )
        )
    elif what == 1:
        clock["ms"] = rng.choice((0, 1, 2**53 - 1, clock["ms"] - 3_600_001, clock["ms"] + 10**12, clock["ms"] + 1))
    elif what == 2:
        clock["synced"] = rng.choice((not clock["synced"], 1, "true", None))
    else:
        tree["clock"] = rng.choice((None, {}, clock | {"further": [1]}))


_BATCH_LIES = (_shift_first, _times_fall, _other_content, _other_sensor, _other_owner, _fresh, _other_clock)


def _state_lie(rng: Random, tree: Any) -> None:
    held = rng.choice(tree["streams"])
    what = rng.randrange(7)
    if what == 0:
        held["oldest"], held["newest"] = held["newest"] + rng.choice((1, 2, 100)), held["newest"]
    elif what == 1:
        held["newest"] = rng.choice((0, 2**53 - 1, 2**53, held["newest"] + 1_000))
    elif what == 2:
        held["oldest"] = held["newest"] = rng.choice((1, 2**53 - 1, 2**53))
    elif what == 3:
        held["stream"], held["boot"] = random_hex(rng, 32), tree.get("boot")
        held["oldest"] = held["newest"] + 1
    elif what == 4:
        tree["streams"] = tree["streams"] * 2
    elif what == 5:
        tree["boot"] = rng.choice((None, "", f"{random_hex(rng, 8)}-0000-4000-8000-{random_hex(rng, 12)}"))
    else:
        _other_clock(rng, tree)


MUTATIONS: dict[str, tuple[int, Mutation]] = {
    "bits flipped": (14, flip),
    "digits replaced": (14, replace_digit),
    "cut": (8, cut),
    "inserted": (8, insert),
    "swapped": (5, swap),
    "noise": (2, noise),
    "numbers": (12, renumber),
    "unicode": (8, unicode),
    "structure": (14, structure),
    "meaning": (20, meaning),
    "topic": (7, topic),
    "deep": (1, deep),
}
"""By name: how often, and how."""

RARE: dict[str, tuple[int, Mutation]] = {"huge": (1, huge), "many": (1, many)}
"""Large ones: a few in a thousand."""


def mutated(rng: Random, message: Message) -> tuple[str, Message]:
    """A spoilt message, and the name of what was done to it."""
    table = RARE if rng.random() < 0.002 else MUTATIONS
    name = rng.choices(list(table), [weight for weight, _ in table.values()])[0]
    return name, table[name][1](rng, message)
