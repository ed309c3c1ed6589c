"""Logs as journald takes them, on a real pipe that stands for it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PROGRAM = """
import logging, os, sys
if sys.argv[1] == "journal":
    found = os.fstat(2)
    os.environ["JOURNAL_STREAM"] = f"{found.st_dev}:{found.st_ino}"
from host.journal import log_to_stderr
log_to_stderr()
log = logging.getLogger("soak.place")
log.debug("left out")
log.info("node=%s up", "n1")
log.warning("disk full")
try:
    raise ValueError("first\\nsecond")
except ValueError:
    log.exception("failed")
"""


def said(where: str) -> list[str]:
    run = subprocess.run(
        [sys.executable, "-c", PROGRAM, where],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "JOURNAL_STREAM": "1:1"},
    )
    return run.stderr.splitlines()


def test_the_journal_gets_a_priority_on_each_line_and_no_time() -> None:
    lines = said("journal")
    assert lines[:3] == ["<6>soak.place node=n1 up", "<4>soak.place disk full", "<3>soak.place failed"]
    assert len(lines) > 5
    assert all(line.startswith("<3>") for line in lines[2:]), "each line of a traceback is a message of its own"


def test_what_ends_a_process_is_urgent() -> None:
    program = PROGRAM.partition("log.debug")[0] + "raise OSError('no\\nroom')"
    run = subprocess.run(
        [sys.executable, "-c", program, "journal"],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    lines = run.stderr.splitlines()
    assert (run.returncode, lines[0], lines[-1]) == (1, "<2>uncaught the process ends", "<2>room")
    assert all(line.startswith("<2>") for line in lines)


def test_a_terminal_gets_times_and_words() -> None:
    lines = said("terminal")
    assert lines[0].endswith(" INFO soak.place node=n1 up")
    assert lines[0][:2] == "20"
    assert not any(line.startswith("<") for line in lines)
