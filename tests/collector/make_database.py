"""Writes a small database of the present schema as text: `python tests/collector/make_database.py > NNNN.sql`.

One file of every released schema stays under tests/databases, named after its last migration, and is never edited:
what opened once must open for ever.
"""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from kit import Collecting, batch, soak, state, stream_id

from collector.intake import Arrived
from collector.schema import FILE_NAME
from soak.wire import Topic


def main() -> None:
    """A soak in two pieces whose middle came late, the next one running, a node, and a message set aside."""
    readings, later = soak(720_000), soak(720_000, start_ms=801_000)
    with TemporaryDirectory() as folder:
        collecting = Collecting(Path(folder))
        collecting.take(batch(readings[:300]), batch(readings[400:], 401))
        collecting.take(state((stream_id(1), 401, 723), ms=722_000))
        collecting.take(batch(readings[300:400], 301))
        collecting.take(batch(later[:2], 724), Arrived(Topic.READINGS.of("n1"), b"nonsense"))
        collecting.close()
        connection = sqlite3.connect(Path(folder) / FILE_NAME)
        sys.stdout.writelines(f"{line}\n" for line in connection.iterdump())
        connection.close()


if __name__ == "__main__":
    main()
