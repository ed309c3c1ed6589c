"""The benches of size, wear, node and month run to their end on very small figures; no time is judged."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from collector.schema import FILE_NAME
from collector.verify import verify
from tests.bench import bench_month, bench_node, bench_size, bench_verify, bench_wear, trend_year, year
from tests.bench.bench_size import START_UTC_MS
from tests.bench.measuring_size import print_table
from tests.bench.real_node import lateness_ms, shares
from tests.bench.realistic import DAY_S, days

HOUR_S = 3_600


def test_readings_are_the_same_for_the_same_seed_and_fit_together() -> None:
    """What is measured must be what a node could send: numbers follow on, times rise, boots change when said."""
    chunks = list(days(3, 7, start_utc_ms=START_UTC_MS, boot_days=2))
    assert [each.readings for each in chunks] == [
        each.readings for each in days(3, 7, start_utc_ms=START_UTC_MS, boot_days=2)
    ]
    assert [each.first for each in chunks] == [1, len(chunks[0].readings) + 1, 1]
    assert chunks[0].stream == chunks[1].stream != chunks[2].stream
    for chunk in chunks:
        times = [each.ms for each in chunk.readings]
        assert times == sorted(set(times))
        assert len(times) > DAY_S
    assert chunks[1].readings[0].ms > chunks[0].readings[-1].ms


def test_lateness_is_counted_from_the_earliest_tick() -> None:
    assert lateness_ms([5_001, 6_000, 7_004, 8_012]) == [1, 0, 4, 12]
    assert shares([0, 1, 2, 3, 4, 9, 10, 50]) == ["12.5", "12.5", "12.5", "12.5", "25.0", "25.0"]


def test_size(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_size.main(day_count=1, live=20, jitter_s=2) in (0, 1)
    printed = capsys.readouterr().out
    for expected in ("page", "the file", "without the buffer of rows", "one row a reading", "read back", "a node here"):
        assert expected in printed


def test_verify(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_verify.main(day_count=1, basins=1) in (0, 1)
    printed = capsys.readouterr().out
    assert "1 days of 1 basins: 86,4" in printed
    assert "DOES NOT HOLD" in printed or "holds" in printed
    assert "does not hold:" not in printed


def test_wear(capsys: pytest.CaptureFixture[str]) -> None:
    """SQLite's files and the count of commits agree: at least one frame for each, whatever disk this is."""
    assert bench_wear.main(minutes=1) == 0
    printed = capsys.readouterr().out
    assert "collector, a commit a message" in printed
    rows = [line.split()[-5:] for line in printed.splitlines() if line.startswith(("node", "collector"))]
    assert len(rows) == 3
    assert all(float(frames) >= 1 for _, frames, *_ in rows)


@pytest.mark.broker
def test_node(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_node.main(seconds=3, outage_s=HOUR_S) in (0, 1)
    printed = capsys.readouterr().out
    for expected in ("CPU seconds", "times real time", "readings sent again", "while draining"):
        assert expected in printed


@pytest.mark.broker
def test_month(capsys: pytest.CaptureFixture[str]) -> None:
    """Everything taken is stored, whatever the memory of so short a run does."""
    assert bench_month.main(day_count=4, basin_count=2, day_s=HOUR_S) in (0, 1)
    printed = capsys.readouterr().out
    assert "holds          every reading is stored" in printed
    assert "holds          all of them are counted: 200" in printed


def test_a_table_has_its_first_column_to_the_left(capsys: pytest.CaptureFixture[str]) -> None:
    print_table(("a", "b"), [("one", "2")], width=4, first=5)
    assert capsys.readouterr().out == "a       b\none     2\n"


def test_year_and_its_trend(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two days of one basin, made of one part; what is made holds, and is made once."""
    folder = tmp_path / "year"
    assert year.main(folder, 2, 1) == 0
    assert trend_year.main(folder, 2, 1, times=1) in (0, 1)
    printed = capsys.readouterr().out
    assert re.search(r"2 days of 1 basins: 1\d\d,\d{3} readings on \d+ pages", printed)
    assert re.search(r"1 year .* half hours", printed)
    outcome = verify(folder)
    assert (outcome.wrong, outcome.pages > 40) == (None, True)
    before = (folder / FILE_NAME).stat().st_mtime_ns
    year.make(folder, 2, 1)
    assert (folder / FILE_NAME).stat().st_mtime_ns == before
    with pytest.raises(SystemExit, match="holds something else than 3 days of 1 basins"):
        year.make(folder, 3, 1)
