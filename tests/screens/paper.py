"""The words on a PDF that Chromium made: enough of the format for that, so that no library is needed for one check."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator

Glyphs = dict[int, str]


def words(pdf: bytes) -> str:
    """Everything that is written on its pages, read with each of its fonts: one of them reads it right."""
    streams = list(_streams(pdf))
    fonts = [_glyphs(each) for each in streams if b"beginbfchar" in each or b"beginbfrange" in each]
    drawn = [_drawn(each) for each in streams if b"BT" in each]
    return "\n".join("".join(font.get(glyph, "") for glyph in glyphs) for font in fonts for glyphs in drawn)


def _streams(pdf: bytes) -> Iterator[bytes]:
    for found in re.finditer(rb"stream\r?\n", pdf):
        try:
            yield zlib.decompressobj().decompress(pdf[found.end() :])
        except zlib.error:
            continue  # a font, a picture


def _glyphs(cmap: bytes) -> Glyphs:
    """From a font's table of what its glyphs mean (ISO 32000-1, 9.10.3)."""
    found: Glyphs = {}
    for part in re.findall(rb"beginbfchar(.*?)endbfchar", cmap, re.DOTALL):
        for glyph, text in re.findall(rb"<(\w+)>\s*<(\w+)>", part):
            found[int(glyph, 16)] = _text(text)
    for part in re.findall(rb"beginbfrange(.*?)endbfrange", cmap, re.DOTALL):
        for first, last, text in re.findall(rb"<(\w+)>\s*<(\w+)>\s*<(\w+)>", part):
            for glyph in range(int(first, 16), int(last, 16) + 1):
                found[glyph] = chr(ord(_text(text)[-1]) + glyph - int(first, 16))
    return found


def _text(hexadecimal: bytes) -> str:
    return bytes.fromhex(hexadecimal.decode()).decode("utf-16-be")


def _drawn(content: bytes) -> list[int]:
    """Glyphs in the order in which they are drawn: two bytes each."""
    runs = re.findall(rb"<([0-9A-Fa-f]+)>", content)
    return [int(run[at : at + 4], 16) for run in runs for at in range(0, len(run), 4)]
