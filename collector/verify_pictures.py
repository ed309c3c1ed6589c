"""Whether every picture that the record names is kept, and is what it was."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from collector.errors import DataError
from collector.ledger import COLLECTOR
from collector.pictures import FOLDER, Pictures
from collector.schema import FILE_NAME, connect
from collector.verify import DoesNotHold


class PicturesFound(NamedTuple):
    """What was found.

    Attributes:
        pictures: How many hold.
        wrong: The first that does not; None: all do.
    """

    pictures: int
    wrong: DoesNotHold | None


def verify_pictures(data_dir: Path) -> PicturesFound:
    """Look at each picture once; the ledger itself has been verified.

    Args:
        data_dir: The collector's data folder.

    Raises:
        sqlite3.Error: The database cannot be read.
    """
    db = connect(data_dir / FILE_NAME, read_only=True, once=True)
    try:
        named = _named(db.conn)
    finally:
        db.close()
    pictures = Pictures(data_dir)
    for found, (digest, number) in enumerate(named.items()):
        if text := _wrong_with(pictures, digest):
            return PicturesFound(found, DoesNotHold(number, text))
    return PicturesFound(len(named), None)


def _wrong_with(pictures: Pictures, digest: str) -> str:
    try:
        if pictures.find(digest) is None:
            return f"its picture {digest[:64]} is not in the folder {FOLDER}: restore that folder from a backup."
    except DataError as error:
        return f"its picture does not hold: {error}"
    except OSError as error:
        return f"its picture {digest} cannot be read ({error.strerror or error})."
    return ""


def _named(connection: sqlite3.Connection) -> dict[str, int]:
    """The digests that people's records name, each with the first record that does."""
    rows = connection.execute(
        """SELECT number, body FROM ledger WHERE who <> ? AND body LIKE '%\\_sha256":"%' ESCAPE '\\' ORDER BY number""",
        (COLLECTOR,),
    )
    named: dict[str, int] = {}
    for number, body in rows:
        for digest in digests(msgspec.json.decode(body)):
            named.setdefault(digest, number)
    return named


def digests(content: Any) -> Iterator[str]:
    """What stands in fields called …_sha256, however deep."""
    inside = [content]
    while inside:
        each = inside.pop()
        if isinstance(each, dict):
            inside.extend(each.values())
            yield from (
                text for name, text in each.items() if name.endswith("_sha256") and isinstance(text, str) and text
            )
        elif isinstance(each, list):
            inside.extend(each)
