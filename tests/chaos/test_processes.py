"""A part that does not end when asked to says where it stands before it is killed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.chaos.processes import Part

STUBBORN = """
import signal, sys, threading, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
def sleeps_on(): time.sleep(600)
threading.Thread(target=sleeps_on, daemon=True).start()
print("ready", flush=True)
sleeps_on()
"""


@pytest.fixture
def part(tmp_path: Path, wait_until: Callable[..., None]) -> Callable[[str], Part]:
    def start(program: str) -> Part:
        one = Part("part", (sys.executable, "-c", program), tmp_path / "log")
        one.start()
        wait_until(lambda: "ready" in one.last_lines(100))
        return one

    return start


def test_where_the_threads_of_one_that_does_not_end_stand_is_kept(part: Callable[[str], Part]) -> None:
    one = part(STUBBORN)
    assert one.end(patience_s=0.1) == -6
    assert "Fatal Python error: Aborted" in one.stacks
    assert sum("in sleeps_on" in line for line in one.stacks) == 2  # every thread
    assert not one.running


def test_one_that_ends_when_asked_to_is_left_to_it(part: Callable[[str], Part]) -> None:
    one = part("import time; print('ready', flush=True); time.sleep(600)")
    assert one.end() == -15
    assert one.stacks == []


def test_one_that_cannot_even_say_it_is_killed(part: Callable[[str], Part]) -> None:
    one = part(
        STUBBORN.replace("import", "import faulthandler; faulthandler.disable()\nimport", 1).replace(
            "SIGTERM, signal.SIG_IGN)", "SIGTERM, signal.SIG_IGN); signal.signal(signal.SIGABRT, signal.SIG_IGN)"
        )
    )
    assert one.end(patience_s=0.1) == -9
    assert one.stacks == []


def test_where_every_thread_of_one_that_crashes_stood_is_kept(
    part: Callable[[str], Part], wait_until: Callable[..., None]
) -> None:
    """Of its last life only: what an earlier one said has been told then."""
    one = part(STUBBORN.replace("sleeps_on()\n", "import ctypes; ctypes.string_at(0)\n"))
    for _ in range(2):
        wait_until(lambda: one.status is not None)
        assert one.status == -11
        said = one.last_words()
        assert sum(line.startswith("Fatal Python error: Segmentation fault") for line in said) == 1
        assert any("in string_at" in line for line in said)
        assert any("in sleeps_on" in line for line in said)
        one.wait(0)
        one.start()
    one.kill()


def test_the_last_words_of_one_that_ends_in_order_are_its_last_lines(
    part: Callable[[str], Part], wait_until: Callable[..., None]
) -> None:
    one = part("print('1\\n2\\n3\\nready')")
    wait_until(lambda: one.status is not None)
    assert one.last_words(2) == ["3", "ready"]
