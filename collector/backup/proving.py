"""Whether a copy holds: its files, its database, every record, page and picture."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from collector.backup.manifest import Manifest, differing
from collector.ledger import Head
from collector.schema import FILE_NAME
from collector.verify import verify
from collector.verify_pictures import verify_pictures


def wrong_with(
    backup: Path, manifest: Manifest, *, processes: int = 1, say: Callable[[str], None] = lambda _line: None
) -> str:
    """The first thing that does not hold; empty if everything does.

    Args:
        backup: Its folder, or a data folder just made from it.
        manifest: What it must be.
        processes: How many open pages side by side.
        say: Told how it goes.

    Raises:
        DataError: Another version wrote the database.
    """
    if found := differing(backup, manifest):
        return found
    return wrong_with_data(backup, manifest, processes=processes, say=say)


def wrong_with_data(
    data_dir: Path, manifest: Manifest, *, processes: int = 1, say: Callable[[str], None] = lambda _line: None
) -> str:
    """The same of the data alone, as they lie in a data folder.

    Raises:
        DataError: Another version wrote the database.
    """
    path = data_dir / FILE_NAME
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=10)) as connection:
            found = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if found != "ok":
            return f"{FILE_NAME} is damaged ({found.splitlines()[0][:200]})."
        outcome = verify(data_dir, processes=processes, known=[Head(manifest.records, manifest.hash)], say=say)
        pictures = verify_pictures(data_dir) if outcome.wrong is None else None
    except sqlite3.Error as error:
        return f"{FILE_NAME} is damaged ({error})."
    wrong = outcome.wrong or (pictures.wrong if pictures else None)
    if wrong is not None:
        return wrong.text if wrong.number is None else f"Record {wrong.number} does not hold: {wrong.text}"
    if outcome.head.records != manifest.records:
        return f"Its ledger has {outcome.head.records} records instead of {manifest.records}."
    return ""
