"""Orders on the node's disk: what they say and how old they are survives a restart, whatever the wall clock says."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.kept_orders import FILE_NAME, KEEP_EVERY_MS, RETRY_MS, KeptOrders
from firmware.orders import OrdersInHand, taken
from soak.alarms import Priority
from soak.requirement import Requirement, SensorTerms
from soak.wire import AlarmOrders, BasinOrders, LoadOrders, Orders

A, B = "28-00000000000a", "28-00000000000b"
OURS = {"b1": frozenset({A}), "b2": frozenset({B})}
BOOTS = [f"9f6c0000-0000-4000-8000-{n:012d}" for n in range(300)]
HOUR_MS = 3_600_000
ESTIMATED = (
    "orders from before the restart are in use; how old they are is only estimated until the clock is synchronised"
)


class Machine:
    """Two clocks and one disk, over reboots."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.boots = folder, 0
        self.ms, self.wall_ms, self.in_step = 60_000, 1_700_000_000_000, True
        self.start()

    @property
    def boot_id(self) -> str:
        return BOOTS[self.boots]

    def boot_ms(self) -> int:
        return self.ms

    def utc_ms(self) -> int:
        return self.wall_ms

    def synced(self) -> bool:
        return self.in_step

    def real_s(self, ms: int) -> float:
        return ms / 1000

    def wait(self, ms: int) -> None:
        self.ms += ms
        self.wall_ms += ms

    def start(self, node: str = "n1", ours: dict[str, frozenset[str]] = OURS) -> None:
        """The node's process starts again."""
        self.kept = KeptOrders(self.folder, node, ours, self)
        self.hand = self.kept.load()

    def reboot(self, off_ms: int = 30_000, *, in_step: bool = True) -> None:
        self.wall_ms += off_ms
        self.boots, self.ms, self.in_step = self.boots + 1, 5_000, in_step
        self.start()

    def receive(self, good_for_s: int = 86_400, **part: object) -> None:
        of_b1 = BasinOrders(Requirement(20_000, 720_000), {A: SensorTerms(500)}, good_for_s, **part)  # type: ignore[arg-type]
        self.hand, _ = taken(self.hand, Orders(7, "e1", {"b1": of_b1}), self.ms, OURS)
        self.mind()

    def mind(self) -> None:
        self.hand = self.kept.mind(self.hand)

    @property
    def age_ms(self) -> int:
        assert self.hand
        return self.ms - self.hand.basins["b1"].received_ms

    @property
    def holds(self) -> bool:
        return self.hand is not None and self.hand.of("b1", self.ms) is not None


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_without_a_file_there_are_none_and_nothing_is_wrong(machine: Machine) -> None:
    assert (machine.hand, machine.kept.trouble) == (None, "")
    machine.mind()
    assert not (machine.folder / FILE_NAME).exists()


def test_what_they_say_survives_a_restart_of_the_process_with_their_age_to_the_millisecond(machine: Machine) -> None:
    machine.receive(fill_problem="out of date", load=LoadOrders("load-1", 2))
    before = machine.hand
    machine.wait(123_456)
    machine.wall_ms -= 9_999 * HOUR_MS  # within a boot no wall clock matters
    machine.start()
    assert machine.hand == before
    assert (machine.age_ms, machine.kept.trouble) == (123_456, "")


def test_alarms_are_not_kept_they_live_a_minute(machine: Machine) -> None:
    machine.receive(alarms=[AlarmOrders("opened-early", Priority.HIGH)])
    machine.start()
    assert machine.hand
    assert machine.hand.basins["b1"].orders.alarms == []


def test_over_a_reboot_a_synchronised_clock_knows_their_age(machine: Machine) -> None:
    machine.receive()
    machine.wait(HOUR_MS)
    machine.reboot(off_ms=2 * HOUR_MS)
    assert (machine.age_ms, machine.kept.trouble) == (3 * HOUR_MS, "")
    machine.reboot(off_ms=21 * HOUR_MS)
    assert not machine.holds


def test_without_one_the_age_counted_so_far_goes_on_and_that_is_said(machine: Machine) -> None:
    machine.receive()
    machine.wait(HOUR_MS)
    machine.mind()
    machine.wall_ms = 0  # no battery
    machine.reboot(in_step=False)
    assert machine.age_ms == HOUR_MS + KEEP_EVERY_MS
    assert machine.kept.trouble == ESTIMATED
    machine.wait(HOUR_MS)
    machine.mind()
    assert (machine.age_ms, machine.kept.trouble) == (2 * HOUR_MS + KEEP_EVERY_MS, ESTIMATED)


def test_once_the_clock_is_synchronised_it_corrects_the_estimate(machine: Machine) -> None:
    machine.receive()
    wall_ms = machine.wall_ms
    machine.wall_ms = 0
    machine.reboot(in_step=False)
    machine.mind()
    assert machine.holds
    machine.wall_ms, machine.in_step = wall_ms + 30 * HOUR_MS, True
    machine.mind()
    assert not machine.holds
    assert (machine.age_ms, machine.kept.trouble) == (30 * HOUR_MS, "")


def test_a_date_outlives_boots_without_a_clock(machine: Machine) -> None:
    machine.receive()
    for _ in range(3):
        machine.reboot(in_step=False)
        machine.mind()
    machine.wall_ms += 30 * HOUR_MS
    machine.reboot(in_step=True)
    assert not machine.holds


@pytest.mark.parametrize("wrong_ms", [-400 * 24 * HOUR_MS, 400 * 24 * HOUR_MS])
def test_a_wrong_clock_that_is_not_synchronised_neither_kills_nor_feeds_them(machine: Machine, wrong_ms: int) -> None:
    machine.receive()
    machine.wall_ms += wrong_ms
    machine.reboot(in_step=False)
    assert machine.holds
    machine.wait(24 * HOUR_MS)
    assert not machine.holds


def test_a_clock_synchronised_to_before_they_came_makes_them_no_younger(machine: Machine) -> None:
    machine.receive()
    machine.wait(23 * HOUR_MS)
    machine.mind()
    machine.wall_ms -= 4_000 * HOUR_MS
    machine.reboot()
    assert machine.age_ms == 23 * HOUR_MS
    machine.wait(HOUR_MS)
    assert not machine.holds


def test_a_node_that_restarts_for_ever_does_not_keep_them_for_ever(machine: Machine) -> None:
    machine.receive()
    machine.in_step = False
    boots = 0
    while machine.holds:
        machine.reboot(in_step=False)
        machine.mind()
        boots += 1
    assert boots == 86_400_000 // KEEP_EVERY_MS


def test_their_age_is_written_down_now_and_then_and_a_renewal_that_says_the_same_costs_no_write(
    machine: Machine,
) -> None:
    machine.receive()
    file = machine.folder / FILE_NAME
    first = file.read_bytes()
    for _ in range(29):
        machine.wait(20_000)
        machine.receive(alarms=[AlarmOrders("soak-waits", Priority.LOW)])
    assert file.read_bytes() == first
    machine.wait(20_000)
    machine.receive()
    assert file.read_bytes() != first
    second = file.read_bytes()
    machine.receive(fill_problem="out of date")
    assert file.read_bytes() != second


@pytest.mark.parametrize("place", [0, 40, 64, 65, 100, 300, -1])
def test_a_damaged_file_is_ignored_and_told(machine: Machine, place: int) -> None:
    machine.receive()
    file = machine.folder / FILE_NAME
    data = bytearray(file.read_bytes())
    data[place] ^= 0xFF
    file.write_bytes(data)
    machine.start()
    assert machine.hand is None
    assert machine.kept.trouble == ("the orders kept on disk cannot be used (it is damaged); new ones are waited for")
    machine.receive()
    assert machine.kept.trouble == ""
    machine.start()
    assert machine.holds


@pytest.mark.parametrize("content", [b"", b"{}", b"\n", b"\x00" * 5_000])
def test_so_is_one_that_is_none(machine: Machine, content: bytes) -> None:
    (machine.folder / FILE_NAME).write_bytes(content)
    machine.start()
    assert machine.hand is None
    assert "(it is damaged)" in machine.kept.trouble


def test_a_file_of_another_node_or_of_another_version_is_ignored_and_told(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine.receive()
    machine.start(node="n2")
    assert machine.hand is None
    assert "(it is of node n1)" in machine.kept.trouble
    monkeypatch.setattr("firmware.kept_orders._FORMAT", 2)
    machine.start()
    assert machine.hand is None
    assert "(its format is 1; this version reads 2)" in machine.kept.trouble


def test_a_basin_or_sensor_that_has_changed_since_has_no_orders(machine: Machine) -> None:
    machine.receive()
    machine.start(ours={"b1": frozenset({B}), "b2": frozenset({A})})
    assert machine.hand
    assert machine.hand.basins == {}
    machine.start(ours={"b9": frozenset({A})})
    assert machine.hand
    assert machine.hand.basins == {}


def test_a_disk_that_takes_nothing_is_told_and_tried_again_later(machine: Machine) -> None:
    machine.receive()
    (machine.folder / FILE_NAME).unlink()
    (machine.folder / FILE_NAME).mkdir()
    machine.receive(fill_problem="out of date")
    assert machine.kept.trouble == "orders cannot be kept on disk: Is a directory"
    (machine.folder / FILE_NAME).rmdir()
    machine.wait(RETRY_MS - 1)
    machine.mind()
    assert machine.kept.trouble != ""
    machine.wait(1)
    machine.mind()
    assert machine.kept.trouble == ""
    machine.start()
    assert isinstance(machine.hand, OrdersInHand)
    assert machine.hand.basins["b1"].orders.fill_problem == "out of date"


def test_the_file_is_for_its_owner_and_no_draft_stays(machine: Machine) -> None:
    machine.receive()
    assert (machine.folder / FILE_NAME).stat().st_mode & 0o777 == 0o600
    assert [each.name for each in machine.folder.iterdir()] == [FILE_NAME]
