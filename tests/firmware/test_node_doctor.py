"""The doctor's page of a node: what is wrong is told with what to do, and a node that runs is left alone."""

from __future__ import annotations

import datetime
import os
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from commission_kit import ROOM, SECOND, A, B, folder, settings_text
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from node_kit import Receiver, Running, SpeedyClock, Tree, orders_for

from firmware import doctor, said
from firmware.checkup.broker import judge_broker, try_broker
from firmware.checkup.computer import Disk, judge_disk
from firmware.checkup.running import judge_service, lock_file, runs
from firmware.checkup.waiting import judge_waiting, look_at_outbox
from firmware.clock import SystemClock
from firmware.doctor import judge_lid, judge_sensor
from firmware.fault_advice import fault_advice
from firmware.outbox import Outbox
from firmware.said import Said, Saying, heard
from firmware.sampler import STALE, STARTING
from firmware.scratchpad import ScratchpadFault
from firmware.sensors import fault_word
from firmware.settings import Broker, load
from host.doctor import Found, Mark
from soak import wire
from soak.reading import Fault, Lid, Reading, Why

BOOT = "9f6c2d1e-4b3a-4c5d-8e7f-0a1b2c3d4e5f"
NOW_MS = 1_700_000_000_000


def by_name(found: list[Found]) -> dict[str, Found]:
    return {each.what: each for each in found}


@pytest.fixture
def bus(tmp_path: Path) -> Tree:
    tree = Tree(tmp_path / "w1")
    tree.set(A, ROOM)
    return tree


def test_a_node_that_stands_still(tmp_path: Path, bus: Tree, broker_port: int) -> None:
    file = folder(tmp_path, settings_text(broker_port, node="doctor-1", more=SECOND))
    outbox = Outbox(tmp_path / "data", SpeedyClock(BOOT))
    outbox.begin("b1", [A])
    outbox.append([("b1", Reading(ms, Why.TICK, Lid.OPEN, {A: 21_000})) for ms in range(1_000, 4_000, 1_000)])
    outbox.close()
    before = sorted((each.name, each.read_bytes()) for each in (tmp_path / "data").iterdir())
    found = by_name(doctor.look(file, tmp_path / "elsewhere", tmp_path / "run"))
    assert found["settings"].mark is Mark.GOOD
    assert found["service"].mark is Mark.WRONG
    assert found[f"sensor {A} of basin b1"][1:3] == (Mark.GOOD, "it answers: 21.00 °C.")
    assert found[f"sensor {B} of basin b2"].mark is Mark.WRONG
    assert found["lid of basin b1"].mark is Mark.UNKNOWN
    assert found["outbox"].said == "3 readings wait for the collector, the oldest of 2023-11-14 22:13:21Z."
    assert found[f"broker 127.0.0.1:{broker_port}"].mark is Mark.GOOD
    assert found["collector's receipt"].mark is Mark.UNKNOWN
    assert found["orders"].mark is Mark.NOTE
    assert found["commissioning"].said == "this node was never commissioned."
    assert all(each.todo for each in found.values() if each.mark in (Mark.WRONG, Mark.UNKNOWN))
    after = sorted((each.name, each.read_bytes()) for each in (tmp_path / "data").iterdir())
    assert after == before, "it only looks"


def test_a_node_that_runs_is_asked_and_left_alone(
    tmp_path: Path,
    bus: Tree,
    broker_port: int,
    receiver: Callable[..., Receiver],
    wait_until: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
    pins: object,
) -> None:
    ear = receiver(broker_port, "doctor-2")
    ear.publish(wire.Topic.ORDERS, orders_for({"b1": [A]}))
    run = tmp_path / "run"
    run.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(run))
    monkeypatch.setattr(said, "SAY_EVERY_S", 0.2)
    file = folder(tmp_path, settings_text(broker_port, node="doctor-2"))
    running = Running(load(file), SystemClock())
    try:
        wait_until(lambda: (now := heard(run)) and now.connected and now.lids and not now.state.sensors[0].fault)
        wait_until(lambda: ear.count() > 1 and (tmp_path / "data" / "orders.json").exists())
        bus.set(A, "")  # would be a fault at once, if the doctor read it: it must not
        found = by_name(doctor.look(file, tmp_path / "elsewhere", run))
        assert running.node.sides, "it goes on"
    finally:
        running.stop()
    assert running.failure is None
    assert not ear.contradictions
    assert found["service"][1:3] == (Mark.GOOD, "the node runs.")
    assert found[f"sensor {A} of basin b1"][1:3] == (Mark.GOOD, "it answers.")
    assert found["lid of basin b1"].said.startswith("open; not seen to move since the node started")
    assert found["outbox"].mark is Mark.GOOD
    assert found["orders"].mark is Mark.GOOD
    assert found["uplink"].mark is Mark.GOOD
    assert found[f"broker 127.0.0.1:{broker_port}"].said == (
        "reached, not encrypted; its login was left to the node, which runs."
    )


@pytest.mark.parametrize("word", ["none", "stale", "of another boot"])
def test_a_node_that_runs_and_says_nothing_here_is_not_guessed_at(tmp_path: Path, bus: Tree, word: str) -> None:
    file = folder(tmp_path, settings_text(1))
    machine, run = SystemClock(), tmp_path / "run"
    if word != "none":
        run.mkdir()
        state = wire.State(True, sensors=[wire.SensorSeen(A, "b1")])
        ms = machine.boot_ms() - (said.STALE_MS + 1 if word == "stale" else 0)
        one = Said(state, ms, BOOT if word == "of another boot" else machine.boot_id, {"b1": True})
        Saying({"RUNTIME_DIRECTORY": str(run)}).mind(lambda: one)
    outbox = Outbox(tmp_path / "data", SpeedyClock(BOOT))
    try:
        found = by_name(doctor.look(file, tmp_path, tmp_path / "run"))
    finally:
        outbox.close()
    assert found["sensors, lids, outbox"].mark is Mark.UNKNOWN
    assert not [what for what in found if what.startswith("sensor 28")]


def test_whether_a_node_runs_is_seen_without_touching_its_lock(tmp_path: Path) -> None:
    assert runs(tmp_path) is False
    outbox = Outbox(tmp_path, SpeedyClock(BOOT))
    assert runs(tmp_path) is True
    outbox.close()
    assert runs(tmp_path) is False
    assert runs(tmp_path, tmp_path / "no such list") is None
    assert lock_file(tmp_path).exists()


def test_settings_that_cannot_be_used_are_the_first_thing_to_mend(tmp_path: Path) -> None:
    file = folder(tmp_path, settings_text(1).replace("buzzer_pin", "buzer_pin"))
    (found,) = doctor.look(file, tmp_path, tmp_path)
    assert found.mark is Mark.WRONG
    assert "Did you mean `buzzer_pin`?" in found.said


def test_a_mistyped_sensor_names_the_nearest(tmp_path: Path, bus: Tree) -> None:
    file = folder(tmp_path, settings_text(1, first="28-00000000001a"))
    found = [each for each in doctor.look(file, tmp_path, tmp_path) if each.what == "settings"]
    assert [each.mark for each in found] == [Mark.GOOD, Mark.WRONG]
    assert f"{A} is, and is in no basin: one digit differs." in found[1].said


@pytest.mark.parametrize(
    ("word", "running", "mark"),
    [
        ("active", True, Mark.GOOD),
        ("", True, Mark.GOOD),
        ("inactive", True, Mark.NOTE),
        ("failed", False, Mark.WRONG),
        ("activating", False, Mark.NOTE),
        ("inactive", False, Mark.WRONG),
        ("", False, Mark.WRONG),
        ("", None, Mark.UNKNOWN),
    ],
)
def test_the_service(word: str, running: bool | None, mark: Mark) -> None:
    assert judge_service(word, running).mark is mark


def test_a_lid_that_has_not_moved_for_a_day_may_be_a_short() -> None:
    day_ms = 24 * 3_600_000
    assert judge_lid("b1", True, 1_000, 1_000 + day_ms).mark is Mark.GOOD
    still = judge_lid("b1", True, 1_000, 2_000 + day_ms)
    assert still[1:3] == (Mark.NOTE, "closed; last moved 24 h ago.")
    assert "a short reads closed for ever" in still.todo
    assert judge_lid("b1", None, None, 1).mark is Mark.UNKNOWN


def test_every_fault_is_told_with_what_to_do_and_its_raw_bytes() -> None:
    codes = [fault.value for fault in ScratchpadFault] + [STALE.code, STARTING.code, fault_word(FileNotFoundError())]
    for code in [*codes, fault_word(PermissionError())]:
        words, todo = fault_advice(Fault(code))
        assert not words.startswith("fault "), code
        assert todo
    found = judge_sensor(A, "b1", Fault("power-on", "50054b467fff0c101c"))
    assert found.mark is Mark.WRONG
    assert "power-up, 85 °C: it has measured nothing (raw 50054b467fff0c101c)" in found.said


def test_a_full_disk_and_one_that_takes_nothing() -> None:
    assert judge_disk(Disk(10, 100)).mark is Mark.GOOD
    assert judge_disk(Disk(4, 100)).mark is Mark.WRONG
    assert judge_disk(Disk(50, 100, [3, 1_001])).mark is Mark.NOTE
    assert judge_disk(Disk(50, 100, problem="it takes nothing")).mark is Mark.WRONG


def test_what_waits_is_counted_up_to_a_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SpeedyClock(BOOT)
    assert judge_waiting(look_at_outbox(tmp_path, clock)).said == "no reading waits."
    (tmp_path / "outbox.db").write_bytes(b"x" * 100)
    monkeypatch.setattr("firmware.checkup.waiting.MOST_BYTES", 99)
    assert judge_waiting(look_at_outbox(tmp_path, clock)).mark is Mark.UNKNOWN


def test_it_is_said_now_and_then_and_only_where_systemd_gives_a_folder(tmp_path: Path) -> None:
    now_s = [0.0]
    state = wire.State(True)
    saying = Saying({"RUNTIME_DIRECTORY": f"{tmp_path}:/other"}, lambda: now_s[0])
    saying.mind(lambda: Said(state, 1, BOOT))
    now_s[0] = said.SAY_EVERY_S - 0.1
    saying.mind(lambda: Said(state, 2, BOOT))
    assert heard(tmp_path) == Said(state, 1, BOOT)
    now_s[0] = said.SAY_EVERY_S
    saying.mind(lambda: Said(state, 3, BOOT))
    assert heard(tmp_path) == Said(state, 3, BOOT)
    Saying({}, lambda: 0.0).mind(lambda: pytest.fail("nobody would hear it"))
    Saying({"RUNTIME_DIRECTORY": "/nowhere"}, lambda: 0.0).mind(lambda: Said(state, 1, BOOT))
    assert heard(tmp_path / "none") is None
    (tmp_path / "state.json").write_text("{")
    assert heard(tmp_path) is None


# ----------------------------------------------------------------------------------------------- a real broker over TLS


def certificate(
    name: str, issuer: tuple[x509.Certificate, ec.EllipticCurvePrivateKey] | None, days: int
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    built = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer[0].subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=days, hours=1))
        .add_extension(x509.BasicConstraints(ca=issuer is None, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(issuer[1] if issuer else key, hashes.SHA256())
    )
    return built, key


class TlsBroker:
    """A real Mosquitto with TLS and a login."""

    def __init__(self, folder: Path, days: int) -> None:
        authority = certificate("authority", None, 90)
        server, key = certificate("localhost", authority, days)
        other, _ = certificate("another authority", None, 90)
        for name, content in (("ca.pem", authority[0]), ("server.pem", server), ("other.pem", other)):
            (folder / name).write_bytes(content.public_bytes(serialization.Encoding.PEM))
        plain = serialization.NoEncryption()
        private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
        (folder / "server.key").write_bytes(private)
        subprocess.run(["mosquitto_passwd", "-c", "-b", folder / "passwords", "room-3", "right"], check=True)
        (folder / "right").write_text("right\n")
        (folder / "wrong").write_text("wrong\n")
        self._folder = folder

    def lines(self) -> str:
        here = self._folder
        return (
            f"cafile {here}/ca.pem\ncertfile {here}/server.pem\nkeyfile {here}/server.key\n"
            f"password_file {here}/passwords\nallow_anonymous false\nuse_username_as_clientid true\n"
        )

    def broker(self, port: int, ca: str = "ca.pem", login: str = "right", host: str = "localhost") -> Broker:
        here = self._folder
        return Broker(host, port, "room-3", str(here / login), str(here / ca))


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TlsBroker, int]]:
    """It, and its port."""
    here = tmp_path_factory.mktemp("tls")
    one = TlsBroker(here, 13)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    user = "user root\n" if os.geteuid() == 0 else ""
    (here / "conf").write_text(f"listener {port} 127.0.0.1\n{one.lines()}{user}persistence false\n")
    with (
        (here / "log").open("wb") as log,
        subprocess.Popen(["/usr/sbin/mosquitto", "-c", str(here / "conf")], stdout=log, stderr=log) as process,
    ):
        for _ in range(500):
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                break
            except OSError:
                time.sleep(0.02)
        yield one, port
        process.terminate()


def test_a_broker_with_tls_and_login_tells_how_long_its_certificate_lasts(tls: tuple[TlsBroker, int]) -> None:
    one, port = tls
    broker = one.broker(port)
    tried = try_broker("room-3", broker, "doctor")
    found = by_name(judge_broker(broker, tried, NOW_MS))
    assert (tried.problem, tried.encrypted, tried.certificate_days) == ("", True, 13)
    assert len(tried.answers_ms) == 5
    assert found[f"broker localhost:{port}"].mark is Mark.GOOD
    assert "with its login, over TLS" in found[f"broker localhost:{port}"].said
    assert found["broker's certificate"][1:] == (
        Mark.WRONG,
        "it lasts 13 more days. After that no node can connect.",
        "On the collector run `sudo soakledger certificates --renew`.",
    )


def test_a_running_nodes_connection_stands_where_its_login_is_its_connections_name(
    tmp_path: Path,
    bus: Tree,
    tls: tuple[TlsBroker, int],
    wait_until: Callable[..., None],
    caplog: pytest.LogCaptureFixture,
    pins: object,
) -> None:
    """As our own broker has it: a second connection with the node's login would end the node's own."""
    one, port = tls
    broker = one.broker(port)
    login = f'username = "room-3"\npassword_file = "{broker.password_file}"\nca_file = "{broker.ca_file}"'
    file = folder(tmp_path, settings_text(port, login=login).replace('"127.0.0.1"', '"localhost"'))
    with caplog.at_level("INFO"):
        running = Running(load(file), SystemClock())
        try:
            wait_until(lambda: "uplink connected" in caplog.text)
            found = by_name(doctor.look(file, tmp_path, tmp_path / "run"))
            still_ms = running.node._clock.boot_ms()
            wait_until(lambda: running.node._clock.boot_ms() - still_ms > 500)
        finally:
            running.stop()
    assert found[f"broker localhost:{port}"].mark is Mark.GOOD
    assert found["broker's certificate"].mark is Mark.WRONG
    assert [each.message for each in caplog.records if each.message.startswith("uplink ")] == ["uplink connected"]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"login": "wrong"}, "The broker refuses this login"),
        ({"ca": "other.pem"}, "certificate that this site's authority did not sign"),
        ({"host": "127.0.0.1"}, "The broker's certificate is not for 127.0.0.1."),
        ({"ca": "none.pem"}, "none.pem cannot be used"),
        ({"login": "none"}, "The password in"),
    ],
)
def test_each_way_a_login_fails_says_what_to_do(tls: tuple[TlsBroker, int], changed: dict[str, str], says: str) -> None:
    one, port = tls
    broker = one.broker(port, **changed)
    (found,) = judge_broker(broker, try_broker("room-3", broker, "doctor"), NOW_MS)
    assert found.mark is Mark.WRONG
    assert says in found.said
    assert found.todo


def test_a_port_without_tls_and_one_with_it(tls: tuple[TlsBroker, int], broker_port: int) -> None:
    one, port = tls
    for broker in (one.broker(broker_port), Broker("127.0.0.1", port)):
        tried = try_broker("room-3", broker, "doctor")
        assert tried.problem
        assert tried.todo


def test_what_the_collector_said_last_has_an_age(broker_port: int, receiver: Callable[..., Receiver]) -> None:
    ear = receiver(broker_port, "doctor-3")
    sender = wire.Sender("e1", "r1", "2023-11-14T22:00:00.000Z", "2023-11-14T22:13:20.000Z")
    ear.publish(wire.Topic.RECEIPT, wire.encode(wire.Receipt({}, by=sender)))
    ear.publish(wire.Topic.ORDERS, orders_for({"b1": [A]}, sender=sender))
    broker = Broker("127.0.0.1", broker_port)
    tried = try_broker("doctor-3", broker, "doctor")
    found = by_name(judge_broker(broker, tried, NOW_MS + 60_000))
    assert found["collector's receipt"][1:3] == (Mark.GOOD, "1 min old.")
    assert found["collector's orders"].mark is Mark.GOOD
    old = by_name(judge_broker(broker, tried, NOW_MS + 3_600_000))
    assert old["collector's receipt"].mark is Mark.NOTE
