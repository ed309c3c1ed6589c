"""Outbox to collector over a real Mosquitto: nothing is lost, whatever is cut off between them."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from node_kit import Receiver, SpeedyClock

from firmware.conversation import MOST_STREAMS, listed
from firmware.errors import LinkError
from firmware.outbox import Outbox
from firmware.settings import Basin, Broker, Settings
from firmware.uplink import Uplink
from firmware.window import Window
from soak import wire
from soak.ranges import Ranges
from soak.reading import Fault, Lid, Reading, Why

pytestmark = pytest.mark.broker

A = "28-00000000000a"
BOOT = "9f6c0000-0000-4000-8000-000000000001"
Wait = Callable[..., None]


class Rig:
    """An outbox and its uplink, with the resending quicker than in earnest."""

    def __init__(self, folder: Path, port: int, node: str, most: int = 20_000, sensors: tuple[str, ...] = (A,)) -> None:
        self.ms, self.closed = 0, False
        self.all_sensors = sensors
        self.fault: Fault | None = None
        self.faults = [wire.SensorSeen(A, "b1")]
        basin = Basin(name="b1", sensors=sensors, lid_pin=17)
        settings = Settings(node=node, broker=Broker(host="127.0.0.1", port=port), basins=(basin,))
        clock = SpeedyClock(BOOT, speed=1000)
        self.outbox = Outbox(folder, clock, pause_s=0)
        self.stream = self.outbox.begin("b1", sensors)
        window = Window(most=most, resend_ms=300)
        self.uplink = Uplink(settings, clock, [self.outbox], lambda: self.faults, version="1.2", window=window)

    def start(self) -> None:
        self.outbox.start(self.uplink.wake)
        self.uplink.start()

    def read(self, count: int) -> None:
        self.outbox.append([("b1", self.reading()) for _ in range(count)])

    def reading(self) -> Reading:
        self.ms += 1
        if self.fault:
            faults = dict.fromkeys(self.all_sensors, self.fault)
            return Reading(self.ms, Why.TICK, Lid.CLOSED, dict.fromkeys(self.all_sensors), faults)
        return Reading(self.ms, Why.TICK, Lid.CLOSED, dict.fromkeys(self.all_sensors, self.ms % 30_000))

    def held(self) -> int:
        return sum(self.outbox.held(each.stream).count() for each in self.outbox.streams())

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            self.uplink.close()
            self.outbox.close()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Callable[..., Rig]]:
    """`rig(port, node, most=…)`; the same folder each time, as after a restart."""
    made: list[Rig] = []

    def make(port: int, node: str, **options: object) -> Rig:
        made.append(Rig(tmp_path / "data", port, node, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_readings_arrive_once_each_and_receipts_empty_the_outbox(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-1")
    one = rig(broker_port, "up-1")
    one.start()
    for _ in range(5):
        one.read(3)
    wait_until(lambda: ear.count() == 15)
    wait_until(lambda: one.held() == 0)
    assert list(ear.readings) == [one.stream]
    assert ear.dense()
    assert ear.contradictions == []
    assert {batch.boot for batch in ear.batches} == {BOOT}


def test_a_large_backlog_goes_in_batches_and_never_too_much_under_way(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-2", answers=False)
    one = rig(broker_port, "up-2", most=2_000)
    one.read(5_000)
    one.start()
    wait_until(lambda: ear.count() == 2_000)
    assert max(len(batch.readings) for batch in ear.batches) == 500
    wait_until(lambda: len(ear.batches) > 8)  # sent again, the same ones
    assert ear.count() == 2_000
    ear.answers = True
    wait_until(lambda: one.held() == 0)
    assert ear.count() == 5_000
    assert ear.dense()
    assert ear.contradictions == []


def test_lost_receipts_cause_a_resend_while_connected(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-3", answers=False)
    one = rig(broker_port, "up-3")
    one.start()
    one.read(4)
    wait_until(lambda: sum(batch.first == 1 for batch in ear.batches) >= 2)
    assert ear.count() == one.held() == 4
    ear.answers = True
    wait_until(lambda: one.held() == 0)
    assert ear.contradictions == []


def test_a_receipt_with_holes_causes_exactly_the_rest_to_be_sent_again(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-4", answers=False)
    one = rig(broker_port, "up-4")
    one.read(9)
    one.start()
    wait_until(lambda: ear.count() == 9)
    ear.publish(wire.Topic.RECEIPT, wire.encode(wire.Receipt({one.stream: [(1, 3), (6, 6)]})))
    wait_until(lambda: one.held() == 5)
    before = len(ear.batches)
    wait_until(lambda: len(ear.batches) >= before + 4)
    again = Ranges((batch.first, batch.last) for batch in ear.batches[-2:])
    assert list(again) == [(4, 5), (7, 9)]


def test_a_broker_restart_loses_nothing(
    broker: Callable[[], object], rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    """The broker keeps nothing on disk here: what it had confirmed is gone with it."""
    mosquitto = broker()
    ear = receiver(mosquitto.port, "up-5")
    one = rig(mosquitto.port, "up-5")
    one.start()
    one.read(10)
    wait_until(lambda: ear.count() == 10)
    mosquitto.stop(kill=True)
    one.read(10)
    ear.answers = False
    mosquitto.start()
    one.read(10)
    wait_until(lambda: ear.count() == 30)
    ear.answers = True
    wait_until(lambda: one.held() == 0)
    assert ear.dense()
    assert ear.contradictions == []


def test_a_broker_that_comes_later_is_found(
    broker: Callable[[], object], rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    mosquitto = broker()
    mosquitto.stop()
    one = rig(mosquitto.port, "up-6")
    one.start()
    one.read(3)
    mosquitto.start()
    ear = receiver(mosquitto.port, "up-6")
    wait_until(lambda: ear.count() == 3)
    wait_until(lambda: one.held() == 0)


def test_after_a_restart_of_the_node_what_no_receipt_covered_is_sent_first(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-7", answers=False)
    first = rig(broker_port, "up-7")
    first.start()
    first.read(6)
    wait_until(lambda: ear.count() == 6)
    first.close()
    ear.batches.clear()
    second = rig(broker_port, "up-7")
    second.read(2)
    second.start()
    wait_until(lambda: ear.count() == 8)
    assert [batch.stream for batch in ear.batches[:2]] == [first.stream, second.stream]
    ear.receipt()
    wait_until(lambda: second.held() == 0)
    assert ear.dense()


def test_the_state_tells_streams_sensors_and_depth_and_says_goodbye(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-8", answers=False)
    one = rig(broker_port, "up-8")
    one.read(5)
    one.start()
    wait_until(lambda: ear.states)
    first = ear.states[0]
    assert (first.up, first.version, first.boot) == (True, "1.2", BOOT)
    assert [(each.stream, each.basin, each.oldest) for each in first.streams] == [(one.stream, "b1", 1)]
    assert first.sensors == [wire.SensorSeen(A, "b1")]
    assert first.outbox == first.streams[0].newest
    wait_until(lambda: ear.count() == 5)
    ear.receipt()
    wait_until(lambda: one.held() == 0)
    one.faults = [wire.SensorSeen(A, "b1", "unplugged")]
    one.uplink.wake()  # as every commit does
    wait_until(lambda: len(ear.states) == 2)  # at once, not after ten seconds
    assert ear.states[1].sensors == [wire.SensorSeen(A, "b1", "unplugged")]
    assert (ear.states[1].streams[0].oldest, ear.states[1].streams[0].newest, ear.states[1].outbox) == (6, 5, 0)
    one.close()
    wait_until(lambda: not ear.states[-1].up)
    late = receiver(broker_port, "up-8")
    wait_until(lambda: late.states == [wire.State(up=False)])  # retained, for whoever comes later
    assert late.raw[0][2]


def test_the_last_will_speaks_for_a_node_that_just_vanished(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-9")
    one = rig(broker_port, "up-9")
    one.start()
    wait_until(lambda: ear.states and ear.states[-1].up)
    one.uplink._link._line.client.socket().shutdown(2)  # the cable is cut: no goodbye
    wait_until(lambda: wire.State(up=False) in ear.states)
    wait_until(lambda: ear.states[-1].up)  # and it is back


NONSENSE = [
    (b"\xff\xfe", "not-utf-8"),
    (b"{", "not-json"),
    (b'{"streams": 7}', "wrong-shape"),
    (b"[" * 100_000, "wrong-shape"),
    (b'{"streams": {"' + b"0" * 32 + b'": [[1, "x"]]}}', "wrong-shape"),
]


def test_nonsense_is_counted_told_once_and_never_ends_it(
    broker_port: int,
    rig: Callable[..., Rig],
    receiver: Callable[..., Receiver],
    wait_until: Wait,
    caplog: pytest.LogCaptureFixture,
) -> None:
    ear = receiver(broker_port, "up-10", answers=False, retain=False)
    one = rig(broker_port, "up-10")
    one.read(5)
    one.start()
    wait_until(lambda: ear.count() == 5)
    for payload, _ in NONSENSE * 2:
        ear.publish(wire.Topic.RECEIPT, payload)
        ear.publish(wire.Topic.ORDERS, payload)
    ear.publish(wire.Topic.RECEIPT, b'{"streams": {"%s": [[4, 2]]}}' % one.stream.encode())
    ear.publish(wire.Topic.RECEIPT, wire.encode(wire.Receipt({"e" * 32: [(1, 9)]})))
    ear.publish(wire.Topic.RECEIPT, wire.encode(wire.Receipt({one.stream: [(5, 5000)]})))
    wait_until(lambda: one.held() == 4)
    one.read(2)
    wait_until(lambda: ear.count() == 7)
    assert one.held() == 6  # the two that the receipt claimed before they were sent are still held
    assert set(one.uplink.refused) == {"not-utf-8", "not-json", "wrong-shape", "receipt-ahead"}
    assert (one.uplink.refused["not-utf-8"], one.uplink.refused["receipt-ahead"]) == (4, 1)
    told = [record.message for record in caplog.records if "refused" in record.message]
    assert len(told) == len(one.uplink.refused)
    ear.receipt()
    wait_until(lambda: one.held() == 0)


def orders(version: int, epoch: str = "e1") -> wire.Orders:
    return wire.Orders(version, epoch, {"b1": wire.BasinOrders(None, {}, good_for_s=60)})


def test_the_newest_orders_are_kept_and_a_restored_collector_begins_anew(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    ear = receiver(broker_port, "up-11")
    one = rig(broker_port, "up-11")
    one.start()
    wait_until(lambda: ear.states)  # said after it had subscribed
    assert one.uplink.orders is None
    for each in (orders(5), orders(4), orders(6)):  # in order: when 6 is there, 4 has been looked at
        ear.publish(wire.Topic.ORDERS, wire.encode(each))
    wait_until(lambda: one.uplink.orders and one.uplink.orders.orders == orders(6))
    assert one.uplink.refused["orders-old"] == 1
    ear.publish(wire.Topic.ORDERS, wire.encode(orders(1, "e2")))
    wait_until(lambda: one.uplink.orders.orders == orders(1, "e2"))
    assert one.uplink.orders.received_ms > 0


def test_a_batch_too_large_for_one_message_is_halved(
    broker_port: int, rig: Callable[..., Rig], receiver: Callable[..., Receiver], wait_until: Wait
) -> None:
    sensors = tuple(f"28-{number:012x}" for number in range(16))
    ear = receiver(broker_port, "up-12")
    one = rig(broker_port, "up-12", sensors=sensors)
    one.fault = Fault("crc", "4b017f46ff1010c4aa")
    one.read(1000)
    one.start()
    wait_until(lambda: ear.count() == 1000)
    assert max(len(payload) for _, payload, _ in ear.raw) <= wire.LARGEST_MESSAGE_BYTES
    assert max(len(batch.readings) for batch in ear.batches) < 500


def test_a_state_with_very_many_streams_keeps_the_oldest_and_those_being_written() -> None:
    old = [wire.HeldStream(f"{number:032x}", f"b{number % 3}", 1, 9) for number in range(3_000)]
    told = listed(old)
    assert len(told) == MOST_STREAMS
    assert told[:-3] == old[: MOST_STREAMS - 3]
    assert told[-3:] == old[-3:]
    assert listed(old[:MOST_STREAMS]) == old[:MOST_STREAMS]


def link_settings(**broker: object) -> Settings:
    basin = Basin(name="b1", sensors=(A,), lid_pin=17)
    return Settings(node="up-13", broker=Broker(host="127.0.0.1", **broker), basins=(basin,))


def test_a_missing_password_file_or_certificate_authority_is_named(tmp_path: Path) -> None:
    clock = SpeedyClock(BOOT)
    with pytest.raises(LinkError) as caught:
        Uplink(link_settings(username="up-13", password_file=str(tmp_path / "no")), clock, [], list)
    assert str(caught.value) == (
        f"{tmp_path}/no: the password cannot be read ([Errno 2] No such file or directory: '{tmp_path}/no'). "
        "Write the password into its first line, readable for this user."
    )
    (tmp_path / "ca.pem").write_text("not a certificate")
    with pytest.raises(LinkError) as caught:
        Uplink(link_settings(ca_file=str(tmp_path / "ca.pem")), clock, [], list)
    assert str(caught.value).startswith(f"{tmp_path}/ca.pem: it cannot be used as ca_file (")
    assert str(caught.value).endswith("). Copy the broker's certificate authority there as PEM.")
    assert caught.value.exit_code == 6


def test_a_password_over_an_open_line_is_warned_of(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "password").write_text("swordfish\nsecond line\n")
    caplog.set_level(logging.WARNING)
    basin = Basin(name="b1", sensors=(A,), lid_pin=17)
    for host, warned in [("127.0.0.1", False), ("broker.invalid", True)]:
        caplog.clear()
        login = Broker(host=host, username="n", password_file=str(tmp_path / "password"))
        one = Uplink(Settings(node="n", broker=login, basins=(basin,)), SpeedyClock(BOOT), [], list)
        assert ("unencrypted" in caplog.text) is warned
        assert "swordfish" not in caplog.text
        assert one._link._line.client.password == "swordfish"  # noqa: S105
