"""From nothing to a receipt: broker-setup, enrol, join, the node's firmware, a collector's process, all over TLS."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from brokersite import BrokerSite, until
from click.testing import CliRunner
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from collector import status
from collector.broker import enrol_command, passwords
from collector.broker.enrolling import keep_logins, read_logins
from collector.broker.telling import tell
from collector.schema import FILE_NAME
from collector.status import Status
from firmware import enrolment
from firmware.settings import load
from host.enrolment import COLLECTOR
from tests.collector.running import CollectorProcess
from tests.firmware.node_kit import Running, SpeedyClock, Tree

pytestmark = pytest.mark.broker

SENSOR = "28-00000000000a"
BOOT = "9f6c0000-0000-4000-8000-000000000001"
LID = 17

COLLECTOR_TOML = """site = "Clinic at the Mill"
certificates = ["tls/broker.pem", "tls/pages.pem"]
[broker]
host = "127.0.0.1"
port = {port}
username = "collector"
password_file = "{etc}/collector.password"
ca_file = "{etc}/tls/ca.pem"
[[basin]]
node = "room-3"
name = "b1"
label = "Basin 1"
[basin.sensors."28-00000000000a"]
"""
NODE_TOML = """node = "room-3"
data_dir = "{data}"
w1_devices = "{tree}"
[broker]
host = "to be enrolled"
[[basin]]
name = "b1"
sensors = ["28-00000000000a"]
lid_pin = 17
"""


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    Device.pin_factory.reset()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


@pytest.fixture
def collector(own_site: BrokerSite, tmp_path: Path) -> Iterator[CollectorProcess]:
    own_site.start()
    settings = COLLECTOR_TOML.format(port=own_site.port, etc=own_site.etc)
    one = CollectorProcess(own_site.etc, own_site.port, settings=settings)
    one.data_dir = tmp_path / "data"
    one.start()
    yield one
    one.close()


@pytest.fixture
def node(own_site: BrokerSite, collector: CollectorProcess, pins: MockFactory, tmp_path: Path) -> Iterator[Running]:
    """A Pi with its own folder, joined by an enrolment file; not before the collector has its data."""
    until((collector.data_dir / "collector.status").exists)
    pi, tree = tmp_path / "pi", Tree(tmp_path / "w1")
    pi.mkdir()
    tree.set(SENSOR, 336)
    (pi / "node.toml").write_text(NODE_TOML.format(data=tmp_path / "node", tree=tree.folder))
    file = tmp_path / "room-3.toml"
    options = ["--etc", str(own_site.etc), "--data", str(collector.data_dir), "--out", str(file)]
    enrolled = CliRunner().invoke(enrol_command.command, ["room-3", *options], catch_exceptions=False)
    assert "Recorded as " in enrolled.output
    joined = CliRunner().invoke(enrolment.command, [str(file), "--etc", str(pi)], catch_exceptions=False)
    assert joined.exit_code == 0, joined.output
    one = Running(load(pi / "node.toml"), SpeedyClock(BOOT))
    yield one
    one.stop()
    assert one.failure is None


def said(collector: CollectorProcess) -> Status:
    found = status.read(collector.data_dir).status
    assert found
    return found


def away(collector: CollectorProcess) -> str:
    return next((each.detail for each in said(collector).conditions if each.code == "broker-away"), "")


def test_from_setting_up_to_a_receipt_and_to_being_refused(
    own_site: BrokerSite, collector: CollectorProcess, node: Running, tmp_path: Path
) -> None:
    until(lambda: node.node._uplink is not None and node.node._uplink.orders is not None, 30)
    until(lambda: receipted(node), 30)
    until(lambda: not said(collector).conditions)
    assert said(collector).encrypted
    until(lambda: len(said(collector).certificates) == 4)
    a_second_collector_with_the_same_login_stops_by_itself(own_site, tmp_path)

    done = CliRunner().invoke(
        enrol_command.revoke_command,
        ["room-3", "--etc", str(own_site.etc), "--data", str(collector.data_dir)],
        catch_exceptions=False,
    )
    assert "The broker refuses it." in done.output
    until(lambda: node.node._uplink is not None and any("refuses this login" in each for each in troubles(node)))

    keep_logins(
        own_site.place, read_logins(own_site.place) | {COLLECTOR: passwords.hashed(COLLECTOR, passwords.new_password())}
    )
    tell(own_site.place.setup())
    until(lambda: "The broker refuses this login: the password is wrong" in away(collector))
    assert "run `soakledger broker-setup` again" in away(collector)


def a_second_collector_with_the_same_login_stops_by_itself(own_site: BrokerSite, folder: Path) -> None:
    """One login is one connection: the two throw each other out until the later one has heard of the earlier."""
    settings = (own_site.etc / "collector.toml").read_text()
    second = CollectorProcess(own_site.etc, own_site.port, settings=settings)
    second.data_dir, second.log_file = folder / "second", folder / "second.log"
    second.start()
    process = second.process
    assert process
    try:
        until(lambda: process.poll() is not None, 40)
        assert (process.returncode, "Another collector works on this broker" in second.log()) == (4, True)
        with closing(sqlite3.connect(second.data_dir / FILE_NAME)) as database:  # it took nothing from the first
            assert database.execute("SELECT count(*) FROM batch").fetchone() == (0,)
    finally:
        second.close()


def receipted(node: Running) -> bool:
    """The node let go of readings: only a receipt makes it."""
    outbox = node.node._outbox
    return any(outbox.held(each.stream).count() < each.newest for each in outbox.streams())


def troubles(node: Running) -> list[str]:
    uplink = node.node._uplink
    return uplink._troubles() if uplink else []
