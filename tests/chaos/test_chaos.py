"""The chaos run in short, inside the tests: real processes, a real broker, and `kill -9`."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.chaos.campaign import Campaign, Plan
from tests.chaos.processes import ROOT
from tests.chaos.weather import Climate

pytestmark = pytest.mark.broker

MILD = Climate(deaf_rate=0.1, phase_s=(0.3, 2.0), silent_s=(0.5, 3.0))
"""Nothing in it takes longer than the test."""


def test_nothing_is_lost_whoever_is_killed(tmp_path: Path) -> None:
    """Node, broker, collector and dashboard, a dozen times; at first the broker keeps nothing, then it does."""
    plan = Plan(kills=12, seed=20, basins=4, nodes=2, seconds=15.0, climate=MILD, drain_s=90.0)
    outcomes = Campaign(plan, tmp_path, print).run()
    assert [outcome.line() for outcome in outcomes if outcome.problems] == []


def in_folder(folder: Path) -> list[str]:
    """Command lines of running processes that name a folder."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            words = (entry / "cmdline").read_bytes() if entry.name.isdigit() else b""
        except OSError:
            continue
        if str(folder).encode() in words:
            found.append(words.decode(errors="replace"))
    return found


def test_interrupted_it_stops_everything_and_leaves_nothing(tmp_path: Path, wait_until: Callable[..., None]) -> None:
    command = [sys.executable, "-m", "tests.chaos", "--kills", "1", "--basins", "1", "--minutes", "5", "--seed", "1"]
    with subprocess.Popen(
        command,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"TMPDIR": str(tmp_path)},
    ) as process:
        assert process.stdout is not None
        assert re.match(r"seed 1: 1 kills, 1 nodes, 1 basins", process.stdout.readline())
        (folder,) = tmp_path.iterdir()
        wait_until((folder / "n1" / "outbox.db").exists)
        assert in_folder(folder)
        process.send_signal(signal.SIGINT)
        said = process.stdout.read()
    assert process.returncode == 130, said
    assert "interrupted: everything is stopped" in said
    assert in_folder(folder) == []
    assert list(tmp_path.iterdir()) == []
