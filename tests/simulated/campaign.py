"""Plays seeds and tells what came of them."""

from __future__ import annotations

import functools
import logging
import shutil
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from tests.collector.kit import WallClock, opened
from tests.simulated.judge import judge
from tests.simulated.scheduler import simulate

_MEMORY = Path("/dev/shm")  # noqa: S108 - a process that is killed loses no page of the system's: no disk is needed


class Failure(NamedTuple):
    """A seed that did not hold.

    Attributes:
        seed: The seed.
        problem: What was wrong, in one line.
        trace: Where it came up.
    """

    seed: int
    problem: str
    trace: str

    def __str__(self) -> str:
        return f"seed {self.seed}: {self.problem}\n  replay: python -m tests.simulated --seed {self.seed} --trace"


class Played(NamedTuple):
    """What came of some seeds: those that did not hold, and how much of what the others have seen."""

    failures: list[Failure]
    seen: Counter[str]


def play(seed: int, say: Callable[[str], None] | None = None) -> Failure | Counter[str]:
    """Play one seed from beginning to end."""
    _prepare()
    with _folder() as folder:
        try:
            return simulate(seed, folder, judge, say)
        except Exception as error:
            return Failure(seed, f"{type(error).__name__}: {error}", traceback.format_exc())


@functools.cache
def _prepare() -> None:
    """The first store of a process is made blank, and draws names: not from a seed."""
    with _folder() as folder:
        opened(folder, WallClock()).close()


def play_all(seeds: Iterable[int]) -> Played:
    """Play seeds one after the other."""
    played = Played([], Counter())
    with quiet():
        for seed in seeds:
            came = play(seed)
            if isinstance(came, Failure):
                played.failures.append(came)
            else:
                played.seen.update(came)
    return played


@contextmanager
def quiet() -> Iterator[None]:
    """The parts' own warnings are as many as the faults: none of them."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


@contextmanager
def _folder() -> Iterator[Path]:
    parent = _MEMORY if _MEMORY.is_dir() else None
    folder = Path(tempfile.mkdtemp(prefix="simulated-", dir=parent))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)
