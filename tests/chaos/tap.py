"""What a node wrote down for itself while it worked: nothing of the product's own reads or needs it.

One file for each life of a node, a JSON record a line, each written at once: after `kill -9` the system still has every
line that was written, and of the last one perhaps only a part.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import msgspec

from soak.reading import Reading
from tests.chaos.disk import KEY_DIGITS


class Begun(msgspec.Struct, frozen=True, tag=True):
    """A stream was begun.

    Attributes:
        stream: Its id.
        basin: Its basin.
        boot: Boot id of the node.
        offset_ms: The rehearsal's wall clock minus the node's uninterrupted one.
    """

    stream: str
    basin: str
    boot: str
    offset_ms: int


class Taken(msgspec.Struct, frozen=True, tag=True):
    """Readings are about to be handed to the outbox: stream, number, reading."""

    readings: list[tuple[str, int, Reading]]


class Kept(msgspec.Struct, frozen=True, tag=True):
    """The outbox has committed these: the beginning of the stream's id, first and last number."""

    runs: list[tuple[str, int, int]]


class Moved(msgspec.Struct, frozen=True, tag=True):
    """The lid's contact was moved, or found in a position at the start.

    Attributes:
        basin: Whose.
        closed: To where.
        before_ms: On the rehearsal's wall clock, before it was touched.
        after_ms: And when it had come to rest.
    """

    basin: str
    closed: bool
    before_ms: int
    after_ms: int


Record = Begun | Taken | Kept | Moved
_ENCODER = msgspec.json.Encoder()
_DECODER = msgspec.json.Decoder(Record)


class Tap:
    """Writes one life's file.

    Args:
        folder: The node's folder of such files.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        path = folder / f"{len(list(folder.iterdir())):05}-{os.getpid()}.jsonl"
        self._file = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND, 0o600)

    def say(self, record: Record) -> None:
        """Write a record; when this returns, no kill can take it back."""
        line = _ENCODER.encode(record) + b"\n"
        while line:
            line = line[os.write(self._file, line) :]


def lives(folder: Path) -> Iterator[list[Record]]:
    """The records of each life of a node, in the order in which they were written."""
    for path in sorted(folder.iterdir()):
        yield _records(path)


def life_of(folder: Path, pid: int) -> list[Record]:
    """The records of the life that runs as a process; none if it has not written any yet."""
    paths = sorted(folder.iterdir())
    return _records(paths[-1]) if paths and paths[-1].stem.endswith(f"-{pid}") else []


def at_rest(life: list[Record]) -> bool:
    """It has taken readings, and committed all of them."""
    taken = {
        (stream[:KEY_DIGITS], number) for each in life if isinstance(each, Taken) for stream, number, _ in each.readings
    }
    for each in life:
        if isinstance(each, Kept):
            taken -= {(key, number) for key, first, last in each.runs for number in range(first, last + 1)}
    return not taken and any(isinstance(each, Taken) for each in life)


def _records(path: Path) -> list[Record]:
    lines = path.read_bytes().split(b"\n")[:-1]  # what follows the last line feed was cut off by a kill
    return [_DECODER.decode(line) for line in lines]
