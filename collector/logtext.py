"""From a file's bytes to its lines, in blocks: UTF-8 only, and no line so long that memory would grow."""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator

CHUNK_BYTES = 32 * 1024
"""A good size for the pieces a file is read in; larger ones cost memory and time (measured)."""

_LONGEST_LINE_BYTES = 64 * 1024  # below the csv module's limit for one field
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_SAVE_AS = "Save the file as CSV text in UTF-8."


class UnusableError(ValueError):
    """The file cannot be judged.

    Attributes:
        line: Its line, counted from 1, the header included.
    """

    def __init__(self, line: int, what: str) -> None:
        super().__init__(f"line {line}: {what}")
        self.line = line


def shown(text: str) -> str:
    """Someone else's text, quoted, on one line, without control characters, and not too much of it."""
    return repr(text if len(text) <= 40 else text[:39] + "…")


def text_blocks(chunks: Iterable[bytes]) -> Iterator[tuple[int, list[str]]]:
    """Whole lines, without their ends (LF or CRLF).

    Args:
        chunks: The file's bytes, in pieces of any size. A byte-order mark of UTF-8 is dropped.

    Yields:
        Number of the first line, and one line or more. Lines before a bad one come before the error.

    Raises:
        UnusableError: NUL bytes, not UTF-8, or a line of more than 64 KiB.
    """
    line = 1
    for raw in _whole_lines(chunks):
        data = raw.removeprefix(codecs.BOM_UTF8) if line == 1 else raw
        flaw = _flaw(data)
        good = data if flaw is None else data[: data.rfind(b"\n", 0, flaw[0]) + 1]
        if good:
            lines = good.decode().replace("\r\n", "\n").removesuffix("\n").split("\n")
            yield line, lines
            line += len(lines)
        if flaw is not None:
            raise UnusableError(line, f"{flaw[1]} {_SAVE_AS}")


def _whole_lines(chunks: Iterable[bytes]) -> Iterator[bytes]:
    rest = b""
    for chunk in chunks:
        cut = chunk.rfind(b"\n") + 1
        if cut:
            yield rest + chunk[:cut]
            rest = chunk[cut:]
        else:
            rest += chunk
        if len(rest) > _LONGEST_LINE_BYTES:
            break
    if rest:
        yield rest


def _flaw(data: bytes) -> tuple[int, str] | None:
    """Where the first thing stands that no text has, and what it is."""
    if data.startswith(_UTF_16):
        return 0, "the text is UTF-16, not UTF-8."
    flaws = []
    line_start = data.rfind(b"\n") + 1
    if len(data) - line_start > _LONGEST_LINE_BYTES:
        flaws.append((line_start, f"it is longer than {_LONGEST_LINE_BYTES} bytes: this is no list of readings."))
    nul = data.find(b"\0")
    if nul >= 0:
        flaws.append((nul, "a NUL byte stands in it: this is no text."))
    try:
        data.decode()
    except UnicodeDecodeError as error:
        flaws.append((error.start, f"byte 0x{data[error.start]:02X} is not UTF-8."))
    return min(flaws, default=None)
