"""A second implementation, which shares no code with the program, comes to the same verdicts: on days that go wrong."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from bundlekit import WHOLE, bundled, checked, unpacked
from kit import BOOTED_UTC_MS, Collecting, batch, clock_at, soak
from played import HOUR_MS, Played, counted, put

from collector.bundle.span import Span
from collector.record.things import Device
from collector.schema import FILE_NAME
from collector.store import Store

DATABASES = Path(__file__).parents[1] / "databases"
SEEDS = [12, 25, 58, 147]
"""12, 58 and 147 found faults in the collector, 25 one in the checker."""


@pytest.mark.parametrize("seed", SEEDS)
def test_the_checker_comes_to_the_same_verdicts(tmp_path: Path, seed: int) -> None:
    """Losses, gaps, reboots, clocks that are wrong and are set, fills, corrections, sensor checks, restarts.

    And a part of the time holds all that its verdicts rest on.
    """
    data = tmp_path / "data"
    Played(data, seed)
    out, made = bundled(data)
    counts = made.gathered.counts
    assert counts["verdicts"] == counted(data, "SELECT count(*) FROM closure WHERE superseded_by IS NULL")
    assert counts["verdicts"] > counts["verdicts_not_covered"]
    found = checked(unpacked(out))
    assert found.status == 0, found.said
    shutil.rmtree(out.with_suffix(""))
    closings = counted(data, "SELECT group_concat(closing_utc_ms) FROM closure WHERE closing_utc_ms > 1772438400000")
    begin_ms = int(random.Random(seed).choice(closings.split(",")))
    out, made = bundled(data, Span(begin_ms, begin_ms + 100_000))
    assert 0 < made.gathered.counts["pages"] < counts["pages"]
    found = checked(unpacked(out))
    assert found.status == 0, found.said


@pytest.mark.parametrize("name", ["0001", "0002", "0003"])
def test_what_earlier_versions_stored_agrees(tmp_path: Path, name: str) -> None:
    data = tmp_path / "data"
    data.mkdir()
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        connection.executescript((DATABASES / f"{name}.sql").read_text(encoding="utf-8"))
    Store(data, lambda: BOOTED_UTC_MS).close()
    out, made = bundled(data)
    assert made.gathered.counts["verdicts"]
    found = checked(unpacked(out))
    assert found.status == 0, found.said


def test_a_device_that_is_renamed_half_way_has_both_names_in_the_records(data: Path) -> None:
    device = Device(id="E-900", type="scope", serial="the-old-one")
    put(data, device)
    put(data, msgspec.structs.replace(device, serial="the-new-one"))
    out, _ = bundled(data)
    folder = unpacked(out)
    records = (folder / "ledger.jsonl").read_text()
    assert records.index("the-old-one") < records.index("the-new-one")
    assert checked(folder).status == 0


def test_a_clock_that_is_set_back_an_hour_is_dated_as_it_came(tmp_path: Path) -> None:
    """The verdicts stand, in the order of the readings, and the bundle of either hour has them."""
    data = tmp_path / "data"
    collecting = Collecting(data, now_ms=BOOTED_UTC_MS - HOUR_MS)
    readings = [*soak(720_000), *soak(720_000, start_ms=800_000), *soak(720_000, start_ms=1_600_000)]
    for start in range(0, len(readings), 100):
        piece = readings[start : start + 100]
        behind_ms = HOUR_MS if start >= 1_000 else 0  # in the middle of the second soak
        clock = clock_at(piece[-1].ms, booted_utc_ms=BOOTED_UTC_MS - behind_ms)
        collecting.take(batch(piece, start + 1, clock=clock))
    assert [verdict for _, _, verdict in sorted(collecting.verdicts())] == ["met"] * 3
    collecting.close()
    for span in (WHOLE, Span(BOOTED_UTC_MS - HOUR_MS, BOOTED_UTC_MS), Span(BOOTED_UTC_MS, BOOTED_UTC_MS + HOUR_MS)):
        out, made = bundled(data, span)
        assert made.gathered.counts["verdicts"] in (1, 2, 3)
        found = checked(unpacked(out))
        assert found.status == 0, found.said
