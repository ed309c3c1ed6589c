"""The capacity bench at a size that takes a moment: it measures what it says, and stops where something fails."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import pytest

from collector.errors import SettingsError
from collector.settings import load
from tests.bench import bench_capacity
from tests.bench.bench_capacity import Step
from tests.bench.load import basins
from tests.bench.measuring import settings_text

GOOD = Step(
    basins=100,
    cpu=(0.1, 0.02, 0.08),
    load_cpu=0.1,
    others=0.0,
    record_ms=200.0,
    page_ms=300.0,
    receipt_ms=200.0,
    backlog_s=0.1,
    mb=250.0,
    late_ms=5.0,
    lids=10,
    raised=10,
)


def test_a_small_step_is_measured(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_capacity.main(["--basins", "8", "--seconds", "7"]) in (0, 1)
    said = capsys.readouterr().out
    (line,) = [line for line in said.splitlines()[3:-1] if line.split()[:1] == ["8"] and "%" in line]
    figures = [
        float(cell.replace(",", "")) for cell in line.split() if cell.replace(",", "").replace(".", "").isdigit()
    ]
    basins, collector, broker, pages, share, load, _others, record_ms, page_ms, receipt_ms, _backlog, mb = figures
    assert basins == 8
    assert collector > 0
    assert share == pytest.approx((collector + broker + pages) / 2, abs=1.01) or bench_capacity.os.cpu_count() != 2
    assert load >= 0
    assert min(record_ms, page_ms, receipt_ms) > 0
    assert mb > 100


@pytest.mark.parametrize(
    "changed",
    [
        {"record_ms": 1_001.0},
        {"record_ms": float("inf")},
        {"receipt_ms": 1_001.0},
        {"backlog_s": 2.0},
        {"mb": 1_001.0},
        {"raised": 9},
    ],
    ids=str,
)
def test_it_ends_at_the_first_step_that_does_not_hold(
    changed: dict[str, float], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def step(basins: int, _seconds: int) -> Step:
        asked.append(basins)
        return GOOD._replace(basins=basins, **(changed if basins == 300 else {}))

    monkeypatch.setattr(bench_capacity, "step", step)
    assert bench_capacity.main(["--basins", "100", "200", "300", "400"]) == 0
    assert asked == [100, 200, 300]
    said = capsys.readouterr().out
    assert said.count("DOES NOT HOLD") == 1
    assert "200 basins held" in said
    assert "300 did not: the limit lies between." in said


def test_a_step_whose_load_was_late_says_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench_capacity, "step", lambda basins, _: GOOD._replace(basins=basins, late_ms=300.0))
    assert bench_capacity.main(["--basins", "100", "200"]) == 1
    said = capsys.readouterr().out
    assert "the load itself was late" in said
    assert "No step held." in said


def test_the_collector_takes_as_many_basins_as_the_bench_says(tmp_path: Path) -> None:
    """One more is refused, so the bench's last step is the last there is."""
    file = tmp_path / "collector.toml"
    for more in (0, 1):
        file.write_text(settings_text(1883, basins(bench_capacity.MOST_BASINS + more)))
        with pytest.raises(SettingsError, match="length <= 1000") if more else nullcontext():
            load(file)
    with pytest.raises(SystemExit):
        bench_capacity.main(["--basins", str(bench_capacity.MOST_BASINS + 1)])
