"""The watchdog: what is dead or stuck is noticed, mended where it can be, and ends the process where it cannot."""

from __future__ import annotations

import threading
from itertools import pairwise

import pytest

from firmware.errors import StuckError
from firmware.watch import MOST_FRUITLESS, Pulse, Watch


class Bench:
    """A watch whose clock the test moves, looked through by hand."""

    def __init__(self) -> None:
        self.now_s, self.fed, self.errors = 0.0, 0, []
        self.watch = Watch(self._feed, self.errors.append)

    def _feed(self) -> None:
        self.fed += 1

    def pulse(self, limit_s: float = 10) -> Pulse:
        return Pulse("the part", limit_s, lambda: self.now_s)

    def look_at(self, now_s: float) -> None:
        self.now_s = now_s
        self.watch.look()


@pytest.fixture
def bench() -> Bench:
    return Bench()


def ended() -> threading.Thread:
    thread = threading.Thread(target=lambda: None)
    thread.start()
    thread.join()
    return thread


def test_while_everything_moves_systemd_is_fed_and_not_otherwise(bench: Bench) -> None:
    pulse = bench.pulse()
    bench.watch.add(pulse)
    bench.look_at(10)
    assert bench.fed == 1  # at the limit is still well
    bench.look_at(10.1)
    assert bench.fed == 1
    assert [str(error) for error in bench.errors] == [
        "the part has not moved for 10 s. Readings could be missed unseen, so the node ends; systemd starts it again. "
        "If this comes back, restart the machine and look for errors of its card and its bus in `journalctl -k`."
    ]
    assert isinstance(bench.watch.failure, StuckError)
    assert bench.watch.failure.exit_code == 7
    pulse.moved()
    bench.look_at(11)
    assert (len(bench.errors), bench.fed) == (1, 1)  # said once, and no way back


def test_a_thread_that_has_ended_is_noticed_at_once(bench: Bench) -> None:
    pulse = bench.pulse(limit_s=1_000)
    bench.watch.add(pulse)
    pulse.of(threading.Thread(target=lambda: None))
    bench.look_at(0.1)
    assert bench.errors == []  # not even begun
    pulse.of(ended())
    bench.look_at(0.2)
    assert str(bench.errors[0]).startswith("the part has ended. ")


def test_what_can_be_mended_is_and_all_is_well_again(bench: Bench) -> None:
    pulse, mended = bench.pulse(), []

    def mend() -> None:
        mended.append(bench.now_s)
        pulse.moved()

    bench.watch.add(pulse, mend)
    for now_s in (10, 10.5, 11, 20, 21, 22, 31.5):
        bench.look_at(now_s)
    assert mended == [10.5, 21, 31.5]
    assert bench.errors == []
    assert bench.fed == 7


def test_what_is_mended_in_vain_is_tried_ever_more_rarely_and_then_ends_the_process(bench: Bench) -> None:
    pulse, mended = bench.pulse(), []
    bench.watch.add(pulse, lambda: (mended.append(bench.now_s), pulse.of(threading.Thread(target=lambda: None))))
    for now_s in range(2_000):
        bench.look_at(now_s)
    assert len(mended) == MOST_FRUITLESS
    pauses = [later - earlier for earlier, later in pairwise(mended)]
    assert pauses == [21, 41, 81, 161]
    assert len(bench.errors) == 1


def test_a_sensor_never_ends_the_process(bench: Bench) -> None:
    pulse, mended = bench.pulse(), []
    bench.watch.add(
        pulse, lambda: (mended.append(bench.now_s), pulse.of(threading.Thread(target=lambda: None))), vital=False
    )
    for now_s in range(0, 40_000, 10):
        bench.look_at(now_s)
    assert bench.errors == []
    assert bench.fed == 4_000
    assert 10 < len(mended) < 25


def test_a_mending_that_fails_is_told_and_the_watch_goes_on(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    looked = threading.Event()

    def fails() -> None:
        looked.set()
        raise RuntimeError("no more threads")

    pulse = bench.pulse()
    pulse.of(ended())
    bench.watch.add(pulse, fails)
    bench.watch.start()
    assert looked.wait(10)
    looked.clear()
    assert looked.wait(10)
    bench.watch.close()
    assert "no more threads" in caplog.text
    assert bench.fed == 0
