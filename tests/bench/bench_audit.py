"""How soon the audit answers over a year: `python -m tests.bench.bench_audit FOLDER` prints a table.

The folder holds the year of `tests/bench/year.py`, made where it is missing; people's declarations are laid over a copy
of it (`tests/bench/audited.py`). Times are those of the whole answer of the application, without a network.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import time
from pathlib import Path

from litestar.testing import TestClient

from collector.schema import FILE_NAME, connect
from dashboard.app import build_app
from soak.rehearsal import Rehearsal
from tests.bench import year
from tests.bench.audited import declare

TIMES = 7


def asked(folder: Path) -> dict[str, str]:
    """What is asked: names and addresses."""
    db = connect(folder / FILE_NAME, read_only=True)
    rows = db.conn.execute(
        """SELECT id, closing_utc_ms FROM closure WHERE superseded_by IS NULL ORDER BY closing_utc_ms"""
    ).fetchall()
    turn = db.conn.execute("SELECT json_extract(body, '$.came_from') FROM thing WHERE kind = 'turn' LIMIT 1").fetchone()
    lot = db.conn.execute("SELECT json_extract(body, '$.poured[0].lot') FROM thing WHERE kind = 'fill'").fetchone()
    loaded = db.conn.execute(
        """SELECT c.id FROM thing t JOIN basin b ON b.node || '/' || b.name = t.grp JOIN closure c ON c.basin_id = b.id
           AND c.closing_utc_ms = t.at_ms + 20000 WHERE t.kind = 'load' ORDER BY t.at_ms LIMIT 1 OFFSET 50"""
    ).fetchone()
    db.close()
    middle = rows[len(rows) // 2]
    return {
        "everything, newest": "/audit",
        "everything, half-way back": f"/audit?after={middle[1]}-{middle[0]}",
        "one basin": "/audit?basin=n1/b1",
        "a verdict": "/audit?verdict=unproven",
        "a device": "/audit?device=GS-07",
        "an encounter": f"/audit?encounter={turn[0]}",
        "a lot": f"/audit?lot={lot[0]}",
        "a person": "/audit?person=p3",
        "any alarm": "/audit?alarm=any",
        "device, person, verdict, basin": "/audit?device=GS-07&person=p3&verdict=met&basin=n1/b1",
        "nothing fits": "/audit?encounter=none",
        "a soak of the year's begin, with evidence": f"/closures/{loaded[0]}",
        "unassigned, 30 days": "/unassigned",
        "unassigned, the year": "/unassigned?since=2020-01-01",
        "table of a device (CSV)": "/audit/table.csv?device=GS-07",
        "table of the year (CSV)": "/audit/table.csv",
    }


def main(folder: Path, days: int) -> int:
    """Make what is missing, ask, print."""
    year.make(folder, days, year.YEAR_BASINS)
    declared = folder.with_name(f"{folder.name}-declared")
    if not (declared / FILE_NAME).exists():
        declared.mkdir(exist_ok=True)
        shutil.copy(folder / FILE_NAME, declared / FILE_NAME)
        declare(declared)
    now_ms = year.end_ms(days)
    boot_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    app = build_app(declared, rehearsal=Rehearsal(boot_ms, now_ms, 1))
    db = connect(declared / FILE_NAME, read_only=True)
    counts = [
        db.conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        for table in (
            "closure WHERE superseded_by IS NULL",
            "thing WHERE kind = 'load'",
            "thing WHERE kind = 'turn'",
            "ledger",
        )
    ]
    db.close()
    size = (declared / FILE_NAME).stat().st_size / 1e6
    print("{:,} closures, {:,} loads, {:,} rounds, {:,} records, {:,.0f} MB".format(*counts, size))
    print(f"{'what':44} {'median ms':>10} {'worst ms':>9} {'kB':>8}")
    with TestClient(app, base_url="http://127.0.0.1") as client:
        client.get("/audit")
        for name, address in asked(declared).items():
            took, size_kb = [], 0.0
            for _ in range(TIMES):
                began = time.perf_counter()
                answer = client.get(address)
                took.append(1_000 * (time.perf_counter() - began))
                assert answer.status_code == 200, (address, answer.text[:500])
                size_kb = len(answer.content) / 1_000
            print(f"{name:44} {statistics.median(took):10.0f} {max(took):9.0f} {size_kb:8.0f}")
    return 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=year.YEAR_DAYS)
    chosen = parser.parse_args()
    sys.exit(main(chosen.folder, chosen.days))
