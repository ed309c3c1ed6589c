"""Who else speaks: what proves that another collector lives, and what only shows that one once did."""

from __future__ import annotations

import pytest

from collector.rivals import Rival, Rivals
from soak.wire import Sender

STARTED_MS = 1_772_438_400_000  # 2026-03-02T08:00:00Z
T1, T2 = "soakledger/1/n1/orders", "soakledger/1/n2/orders"


def _by(run: str, started: str = "07:00", sent: str = "08:30", epoch: str = "e") -> Sender:
    return Sender(epoch, run, f"2026-03-02T{started}:00.000Z", f"2026-03-02T{sent}:00.000Z")


@pytest.fixture
def rivals() -> Rivals:
    one = Rivals("e", "me", STARTED_MS)
    one.connected()
    return one


def _speak(rivals: Rivals, topic: str = T1) -> None:
    assert rivals.heard(topic, rivals.sender(STARTED_MS), retained=False) is None


def test_its_own_words_are_no_rival(rivals: Rivals) -> None:
    for retained in (True, False):
        assert rivals.heard(T1, rivals.sender(STARTED_MS + 5), retained=retained) is None


@pytest.mark.parametrize("epoch", ["e", "f"])
@pytest.mark.parametrize("sent", ["05:00", "07:59", "08:30"])
def test_what_waited_for_us_proves_nothing(rivals: Rivals, epoch: str, sent: str) -> None:
    """Whatever the clocks say: it came before our own words came back."""
    assert rivals.heard(T1, _by("other", sent=sent, epoch=epoch), retained=False) is None
    assert rivals.heard(T1, _by("other", sent=sent, epoch=epoch), retained=True) is None


@pytest.mark.parametrize(("started", "earlier"), [("07:00", True), ("08:10", False)])
@pytest.mark.parametrize("sent", ["05:00", "08:30"])
def test_what_is_said_after_our_own_words_is_said_now(rivals: Rivals, started: str, earlier: bool, sent: str) -> None:
    """Also from a machine whose clock is hours behind."""
    _speak(rivals)
    by = _by("other", started, sent, "f")
    assert rivals.heard(T2, by, retained=False) == Rival(by, earlier)


def test_of_two_that_started_together_exactly_one_is_earlier() -> None:
    here, there = Rivals("e", "aa", STARTED_MS), Rivals("e", "bb", STARTED_MS)
    _speak(here)
    _speak(there)
    found = [
        here.heard(T1, there.sender(STARTED_MS), retained=False),
        there.heard(T1, here.sender(STARTED_MS), retained=False),
    ]
    assert [each.earlier for each in found if each] == [False, True]


def test_on_a_new_connection_what_waited_comes_first_again(rivals: Rivals) -> None:
    _speak(rivals)
    rivals.connected()
    assert rivals.heard(T1, _by("other"), retained=False) is None
    _speak(rivals)
    assert rivals.heard(T1, _by("other"), retained=False)


def test_a_word_kept_in_the_place_of_ours_was_said_after_it(rivals: Rivals) -> None:
    """A copied data folder: both have one name at the broker, and are never there at the same time."""
    _speak(rivals, T1)
    rivals.connected()
    assert rivals.heard(T2, _by("other", "08:10", "08:29"), retained=True) is None  # never said anything there
    found = rivals.heard(T1, _by("other", "08:10", "08:30"), retained=True)
    assert found == Rival(_by("other", "08:10", "08:30"), earlier=False)


def test_a_broker_that_falls_back_to_an_older_state_proves_nothing(rivals: Rivals) -> None:
    known = _by("before", "07:00", "08:20")  # our own last start, on a machine whose clock was ahead
    assert rivals.heard(T1, known, retained=True) is None
    _speak(rivals, T1)
    rivals.connected()
    assert rivals.heard(T1, known, retained=True) is None
    assert rivals.heard(T1, _by("long before", "05:00", "06:00"), retained=True) is None


def test_one_that_does_not_sign_is_named_and_stops_nobody(rivals: Rivals) -> None:
    assert rivals.heard(T1, None, retained=True) is None
    _speak(rivals)
    assert rivals.heard(T1, None, retained=True) is None
    assert rivals.heard(T1, None, retained=False) == Rival(None, earlier=False)


def test_it_remembers_no_more_than_it_must(rivals: Rivals) -> None:
    for number in range(3_000):
        rivals.heard(T1, _by(f"run {number}"), retained=True)
    assert len(rivals._newest) <= 1_000
