"""What nodes say of themselves: clocks set late, readings that are gone for good, two machines with one name."""

from __future__ import annotations

import msgspec
import pytest
from kit import BOOT, BOOTED_UTC_MS, Collecting, arrived, batch, clock_at, reading, soak, state, stream_id

from collector.nodes import CLONED_FOR_MS
from collector.read import Reader
from soak.wire import Clock, HeldStream, State

OTHER_BOOT = "00000000-0000-4000-8000-00000000000b"
IN_1970 = 1_000_000
"""A Pi without a battery: the wall clock begins anywhere before the clinic did."""


def unset(ms: int) -> Clock:
    return clock_at(ms, synced=False, booted_utc_ms=IN_1970)


def minutes_of(collecting: Collecting) -> set[int]:
    with Reader(collecting.data_dir) as reader:
        return {each.minute for table in reader.minutes(1, 0, 1 << 50).values() for each in table}


@pytest.mark.parametrize("sealed", [True, False], ids=["sealed", "unsealed"])
@pytest.mark.parametrize("by", ["readings", "state"])
def test_a_soak_of_before_the_clock_was_set_is_dated_back_and_judged_again(
    collecting: Collecting, by: str, sealed: bool
) -> None:
    """In 1970 nothing was required of the basin; the contact time itself never changes."""
    readings = soak(720_000) if sealed else soak(720_000)[:-1]
    collecting.take(batch(readings, clock=unset(readings[-1].ms)))
    before = collecting.closures(superseded=True)
    assert [(each.closure.verdict, each.clock_synced) for each in before] == ([("unproven", False)] if sealed else [])
    assert max(minutes_of(collecting)) < 60
    after = reading(900_000, "open")
    if by == "readings":
        collecting.take(batch([after], len(readings) + 1, clock=clock_at(900_000)))
    else:
        collecting.take(state((stream_id(1), 1, len(readings)), ms=900_000))
        collecting.take(batch([after], len(readings) + 1, clock=clock_at(900_000)))
    (closure,) = collecting.closures()
    # unsealed: the opening came after a pause longer than allowed, so the closure ended unseen; still it is met
    assert (closure.closure.verdict, closure.closure.credited_ms) == ("met", 720_000)
    assert "clock-unsynchronised" not in [each.code for each in closure.closure.findings]
    assert closure.clock_synced
    assert closure.closing_utc_ms == BOOTED_UTC_MS + 1_000
    if sealed:
        assert closure.dated_back_ms == 900_000 - 1_000
        assert [each.superseded_by for each in collecting.closures(superseded=True)].count(None) == 1
    assert min(minutes_of(collecting)) == BOOTED_UTC_MS // 60_000
    with Reader(collecting.data_dir) as reader:
        found = list(reader.readings(1, BOOTED_UTC_MS, BOOTED_UTC_MS + 2_000_000))
    assert [utc_ms - BOOTED_UTC_MS for utc_ms, _ in found] == [each.ms for each in [*readings, after]]


def test_dates_are_the_same_whatever_comes_first_and_after_a_restart(collecting: Collecting) -> None:
    readings = soak(720_000)
    collecting.take(batch([reading(900_000, "open")], len(readings) + 1, clock=clock_at(900_000)))
    collecting.restart()
    collecting.take(batch(readings, clock=unset(readings[-1].ms)))
    (closure,) = collecting.closures(superseded=True)
    assert (closure.closure.verdict, closure.closing_utc_ms) == ("met", BOOTED_UTC_MS + 1_000)
    assert closure.dated_back_ms == 899_000


def test_another_boot_is_not_dated_by_it(collecting: Collecting) -> None:
    readings = soak(720_000)
    collecting.take(batch(readings, clock=unset(readings[-1].ms)))
    collecting.take(batch([reading(900_000, "open")], boot=OTHER_BOOT, stream=stream_id(2), clock=clock_at(900_000)))
    (closure,) = collecting.closures()
    assert (closure.clock_synced, closure.closing_utc_ms) == (False, IN_1970 + 1_000)


@pytest.mark.parametrize("step_ms", [3_600_000, -3_600_000, 86_400_000, -1_000])
def test_a_step_of_the_wall_clock_changes_no_contact_time(collecting: Collecting, step_ms: int) -> None:
    """An hour, a day, a leap second (POSIX time repeats one): the uninterrupted clock does not step."""
    readings = soak(720_000)
    stepped = [msgspec.structs.replace(each, why="clock") if each.ms == 300_000 else each for each in readings]
    half = next(index for index, each in enumerate(stepped) if each.ms == 300_000)
    collecting.clock.now_ms += 10 * 86_400_000
    collecting.take(batch(stepped[:half]))
    later = clock_at(readings[-1].ms, booted_utc_ms=BOOTED_UTC_MS + step_ms)
    collecting.take(batch(stepped[half:], half + 1, clock=later))
    (closure,) = collecting.closures()
    assert (closure.closure.verdict, closure.closure.credited_ms) == ("met", 720_000)
    assert collecting.rows("SELECT count(*) FROM page") == [(2,)]  # a page ends where its clock stepped


# What a node gave up


def gone(newest: int, *, oldest: int | None = None, ms: int = 5_000, boot: str | None = BOOT) -> State:
    held = HeldStream(stream_id(1), "b1", oldest or newest + 1, newest, boot)
    return msgspec.structs.replace(state(ms=ms), streams=[held], dropped=newest)


def test_a_stream_of_which_nothing_ever_came_is_on_record_as_lost(collecting: Collecting) -> None:
    receipts = collecting.take(gone(40))
    assert collecting.rows("SELECT first, last FROM lost") == [(1, 40)]
    assert (receipts["n1"].streams, receipts["n1"].lost) == ({stream_id(1): []}, {stream_id(1): [(1, 40)]})
    assert [each.code for each in collecting.intake.noticed] == ["lost"]
    again = collecting.take(gone(40, ms=15_000))  # it lists the stream until it has heard
    assert again["n1"].lost == {stream_id(1): [(1, 40)]}


def test_a_stream_that_is_over_is_still_receipted(collecting: Collecting) -> None:
    """Else its node would list it for ever."""
    collecting.take(batch(soak(2_000)), state((stream_id(1), 1, 5), (stream_id(2), 1, 0), ms=6_000))
    assert collecting.rows("SELECT over FROM stream") == [(1,)]
    assert collecting.take(state((stream_id(1), 1, 5), ms=7_000))["n1"].streams[stream_id(1)] == [(1, 5)]


def test_a_part_that_is_gone_ends_the_wait_for_it(collecting: Collecting) -> None:
    readings = soak(720_000)
    collecting.take(batch(readings[100:], 101))
    assert collecting.verdicts() == []
    collecting.take(gone(len(readings), oldest=101, ms=800_000))
    assert collecting.verdicts() == [(101, 722, "unproven")]


# Two machines, one name


def test_two_machines_with_one_name_are_noticed_and_kept_apart(collecting: Collecting) -> None:
    readings = soak(720_000)
    other = [reading(each.ms, each.lid.value, 19_000) for each in readings]
    half = 400

    def speaks(boot: str, stream: str, ms: int) -> State:
        return state((stream, 1, half), ms=ms, boot=boot)

    collecting.take(batch(readings[:half]), speaks(BOOT, stream_id(1), 400_000))
    collecting.take(
        batch(other[:half], boot=OTHER_BOOT, stream=stream_id(2)), speaks(OTHER_BOOT, stream_id(2), 400_000)
    )
    assert collecting.intake.noticed == []  # it looks like a restart
    collecting.take(speaks(BOOT, stream_id(1), 410_000))
    collecting.take(speaks(OTHER_BOOT, stream_id(2), 410_000))
    assert {each.code for each in collecting.intake.noticed} == {"cloned-node"}
    collecting.take(
        batch(readings[half:], half + 1), batch(other[half:], half + 1, boot=OTHER_BOOT, stream=stream_id(2))
    )
    assert sorted(each.closure.verdict for each in collecting.closures()) == ["met", "not met"]
    assert collecting.rows("SELECT count(*) FROM lost") == [(0,)]


def test_an_old_word_of_an_earlier_boot_is_no_second_machine(collecting: Collecting) -> None:
    """A broker delivers again what the collector had not acknowledged when it was killed."""
    last = state((stream_id(1), 1, 5), ms=400_000)
    collecting.take(batch(soak(2_000)), last)
    collecting.take(state((stream_id(2), 1, 0), ms=1_000, boot=OTHER_BOOT))
    for _ in range(2):
        collecting.take(last, arrived(last, retained=True))
        assert collecting.store.state("n1") == state((stream_id(2), 1, 0), ms=1_000, boot=OTHER_BOOT)
        collecting.restart()
    collecting.take(state((stream_id(2), 1, 0), ms=11_000, boot=OTHER_BOOT))
    assert collecting.intake.noticed == []


def test_a_name_is_taken_to_be_shared_for_a_while_only(collecting: Collecting) -> None:
    for boot, ms in [(BOOT, 1_000), (OTHER_BOOT, 1_000), (BOOT, 2_000)]:
        collecting.take(state((stream_id(1 if boot == BOOT else 2), 1, 0), ms=ms, boot=boot))
    nodes = collecting.intake._nodes
    assert nodes.cloned("n1")
    collecting.clock.now_ms += CLONED_FOR_MS
    assert not nodes.cloned("n1")
