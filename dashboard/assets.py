"""Scripts, styles and plotly.js, read once and served under names that change with their content."""

from __future__ import annotations

import functools
import gzip
import hashlib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

_FOLDER = Path(__file__).parent / "static"
_TYPES = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml; charset=utf-8",
}
PLOTLY = "plotly.js"


class Asset(NamedTuple):
    """One file: its hashed name, its type, its bytes plain and compressed."""

    name: str
    media_type: str
    plain: bytes
    gzipped: bytes


@functools.cache
def assets() -> Mapping[str, Asset]:
    """Every asset by its plain name; read and compressed once in the life of the process."""
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 - half a second; only a server needs it

    found = {entry.name: entry.read_bytes() for entry in _FOLDER.iterdir() if entry.suffix[1:] in _TYPES}
    found[PLOTLY] = get_plotlyjs().encode()
    return {name: _asset(name, content) for name, content in found.items()}


@functools.cache
def served() -> Mapping[str, Asset]:
    """Every asset by its hashed name."""
    return {asset.name: asset for asset in assets().values()}


@functools.cache
def style_ids() -> list[str]:
    """Elements that plotly.js looks for before it adds style sheets of its own, which our policy would refuse.

    They belong to map drawing, which no page of ours uses: with an element of that name on the page none is added.
    """
    return re.findall(r'if\(!document\.getElementById\("([0-9a-f]{64})"\)\)', assets()[PLOTLY].plain.decode())


def url(name: str) -> str:
    """Where a page finds an asset."""
    return f"/static/{assets()[name].name}"


def _asset(name: str, content: bytes) -> Asset:
    stem, _, suffix = name.rpartition(".")
    digest = hashlib.sha256(content).hexdigest()[:16]
    return Asset(f"{stem}.{digest}.{suffix}", _TYPES[suffix], content, gzip.compress(content, 6, mtime=0))
