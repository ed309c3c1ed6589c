"""Finds every whole block in a damaged outbox file, without help from the file's structure.

Which of the missing readings a receipt had covered is not known: all of them are remembered as gone, and the collector
tells by its receipts and its records which ones it has.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from firmware.clock import Anchor
from firmware.packing import (
    LARGEST_BLOCK_BYTES,
    Block,
    Card,
    DamagedBlockError,
    Origin,
    Run,
    begin_ms,
    carve,
    pack,
    pack_card,
    parse,
    unpack,
)
from soak.ranges import Ranges

_SECTOR_BYTES, _CHUNK_BYTES = 512, 1 << 20


class _Piece(NamedTuple):
    """A block found in a damaged file: its numbers, and where it lies."""

    first: int
    last: int
    part: int
    offset: int
    length: int


class _Found:
    """What a damaged file says of one stream."""

    def __init__(self) -> None:
        self.stream: tuple[Origin, Anchor] | None = None
        self.newest = 0
        self.pieces: list[_Piece] = []
        self.gone = Ranges()

    def learn(self, block: Block) -> None:
        """A block of it was found."""
        if block.stream and (not self.stream or block.stream[1].boot_ms > self.stream[1].boot_ms):
            self.stream = block.stream
        self.newest = max(self.newest, block.newest if isinstance(block, Card) else block.last)
        for piece in block.gone if isinstance(block, Card) else ():
            self.gone.add(*piece)


class Image:
    """The bytes of an open file; zeros where the card does not give them any more."""

    def __init__(self, handle: int) -> None:
        self._handle, self._size = handle, os.fstat(handle).st_size

    def read(self, offset: int, length: int) -> bytes:
        """As many bytes from there as there are."""
        try:
            return os.pread(self._handle, length, offset)
        except OSError:
            if length <= _SECTOR_BYTES:
                return bytes(length)
            return b"".join(
                self.read(at, min(_SECTOR_BYTES, offset + length - at))
                for at in range(offset, offset + length, _SECTOR_BYTES)
            )

    def blocks(self) -> Iterator[tuple[int, bytes]]:
        """Every whole block with its offset."""
        for start in range(0, self._size, _CHUNK_BYTES):
            for offset, content in carve(self.read(start, _CHUNK_BYTES + LARGEST_BLOCK_BYTES)):
                if offset < _CHUNK_BYTES:  # else it is found in the next chunk
                    yield start + offset, content


def salvaged(parts: Sequence[Image]) -> Iterator[tuple[int, bytes]]:
    """The rows of a new file: cards that tell what is not there, then readings that no other row has, oldest first.

    Args:
        parts: The damaged file and its log.
    """
    streams = [(found, *found.stream) for found in _found(parts).values() if found.stream]
    boots: dict[str, int] = {}  # which boot came first: streams begin in the order of their serials
    rows: list[tuple[int, int, int, _Piece, int, tuple[Origin, Anchor]]] = []
    for found, origin, anchor in sorted(streams, key=lambda each: each[1].serial):
        boot = boots.setdefault(origin.boot, origin.serial)
        kept = Ranges()
        for piece in sorted(found.pieces, key=lambda piece: (piece.first, -piece.last)):
            for first, last in kept.missing(piece.first, piece.last):  # at most the end of it
                if found.gone.missing(first, last):
                    kept.add(first, last)
                    begins_ms = begin_ms(_run(parts, piece))
                    rows.append((boot, begins_ms, origin.serial, piece, first, (origin, anchor)))
        gone = kept.missing(1, found.newest)
        yield -origin.serial, pack_card(Card((origin, anchor), found.newest, tuple(gone)))
    id_ = 0
    for *_, piece, first, stream in sorted(rows):
        for data in _from(parts, piece, first, *stream):
            id_ += 1
            yield id_, data


def _found(parts: Sequence[Image]) -> dict[bytes, _Found]:
    """Every whole block in the damaged file and its log, by stream."""
    streams: dict[bytes, _Found] = {}
    for part, image in enumerate(parts):
        for offset, data in image.blocks():
            block = parse(data)
            found = streams.setdefault(block.key, _Found())
            found.learn(block)
            if isinstance(block, Run):
                found.pieces.append(_Piece(block.first, block.last, part, offset, len(data)))
    return streams


def _run(parts: Sequence[Image], piece: _Piece) -> Run:
    block = parse(parts[piece.part].read(piece.offset, piece.length))
    if isinstance(block, Card):
        raise DamagedBlockError("the file changes while it is read")
    return block


def _from(parts: Sequence[Image], piece: _Piece, first: int, origin: Origin, anchor: Anchor) -> list[bytes]:
    """The piece from number `first` on."""
    if first == piece.first:
        return [parts[piece.part].read(piece.offset, piece.length)]
    run = _run(parts, piece)
    readings = unpack(run, origin.sensors)[first - run.first :]
    return [data for _, _, data in pack(origin, anchor, first, readings, full=True)]
