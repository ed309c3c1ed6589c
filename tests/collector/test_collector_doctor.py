"""The collector's part of the doctor: each thing that can be wrong is found, in a sentence, with what to do."""

from __future__ import annotations

import datetime
import os
import sqlite3
import time
from collections.abc import Iterable
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from record_kit import ADMINISTRATOR, TECHNICIAN, Recording

from collector import credentials, doctor, doctor_computer, doctor_record, status
from collector.conditions import Condition
from collector.credentials import Kind
from collector.read import Reader
from collector.settings import BackupSettings, BrokerSettings, NotifySettings, Settings
from collector.status import Own, Status
from host import disk
from host.clock import boot_id, boottime_ms
from host.disk import Counted, Kept, read, write
from host.doctor import Found, Mark
from soak.quantity import utc_text
from soak.wire import Clock, DiskUse, State, encode

SETTINGS = """
site = "Harbour Lane"
[broker]
port = {port}
[[basin]]
node = "n1"
name = "b1"
label = "Basin 1"
sensors = {{ "28-0000072c1a5f" = {{}} }}
requirement = {{ min_temp_c = 20, contact = "12m" }}
"""
NOW_MS = 1_772_540_280_000
YEAR_MS = 31_557_600_000


def said(found: Iterable[Found]) -> list[tuple[str, str, str]]:
    return [(each.what, each.mark.value, each.said) for each in found]


def of(found: Iterable[Found], what: str) -> list[tuple[Mark, str]]:
    """What is said of one thing; whatever is wrong must say what to do."""
    here = [each for each in found if each.what == what]
    assert all(each.todo for each in here if each.mark in (Mark.WRONG, Mark.UNKNOWN))
    return [(each.mark, each.said) for each in here]


def a_collector(data: Path, *conditions: Condition, running: bool = True, own: Own | None = None) -> None:
    now_ms = time.time_ns() // 1_000_000
    one = Status(
        "e", "r", running, boot_id(), boottime_ms(), now_ms, now_ms - 2_000, list(conditions), 0, own=own or Own()
    )
    assert status.write(data, one)


# ---------------------------------------------------------------------------------------------------------- as a whole


def test_a_site_with_a_broker_a_database_and_a_collector(
    recording: Recording, tmp_path: Path, broker_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor_computer, "_SYSTEMD", tmp_path / "none")
    settings = tmp_path / "collector.toml"
    settings.write_text(SETTINGS.format(port=broker_port))
    data = recording.data
    a_collector(data, Condition("disk-full", "", "no\nroom", NOW_MS), own=Own(True))
    found = doctor.look(settings, data)
    assert of(found, "settings") == [(Mark.GOOD, f"{settings} is right: Harbour Lane, 1 basins.")]
    assert of(found, "collector") == [(Mark.GOOD, "It runs; it last stored something 2 s ago.")]
    assert of(found, "condition disk-full")[0][1].startswith("The disk is full (no room). Nodes keep their readings")
    ((mark, text),) = of(found, "database")
    assert mark is Mark.GOOD
    assert "was looked through whole: it holds" in text
    assert of(found, "broker") == [(Mark.GOOD, f"127.0.0.1:{broker_port} answers.")]
    assert of(found, "backup")[0][0] is Mark.WRONG
    assert of(found, "clock")
    assert all("\n" not in each.said + each.todo for each in found)


def test_nothing_at_all_is_found_without_an_exception(tmp_path: Path) -> None:
    found = doctor.look(tmp_path / "collector.toml", tmp_path / "data")
    assert of(found, "settings")[0][0] is Mark.WRONG
    assert of(found, "collector")[0][1].startswith(
        "It does not run: nothing new is stored. There is no collector.status"
    )
    assert of(found, "database") == [(Mark.WRONG, f"There is no folder {tmp_path / 'data'}.")]


def test_a_look_that_fails_hides_nothing_of_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: Path, __: int) -> list[Found]:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(doctor_computer, "disk", refuse)
    found = doctor.look(tmp_path / "collector.toml", tmp_path / "data")
    assert of(found, "disk") == [(Mark.UNKNOWN, "It could not be looked at ([Errno 13] Permission denied).")]
    assert of(found, "clock")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"this is no database at all, and longer than a header" * 20, "does not begin as a database does"),
        (b"", "empty"),
    ],
)
def test_a_database_that_is_damaged_or_gone(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "soakledger.sqlite").write_bytes(content)
    a_collector(tmp_path)
    ((mark, text),) = of(doctor.look(tmp_path / "c.toml", tmp_path), "database")
    assert mark is Mark.WRONG
    assert says in text


def test_a_database_of_a_newer_version_is_refused(recording: Recording, tmp_path: Path) -> None:
    with sqlite3.connect(recording.data / "soakledger.sqlite") as db:
        db.execute("INSERT INTO _sqlite_migrations VALUES (99, 'collector', 'm9999_from_the_future', '2030-01-01')")
    db.close()
    ((mark, text),) = of(doctor.look(tmp_path / "c.toml", recording.data), "database")
    assert mark is Mark.WRONG
    assert "newer" in text


def test_a_collector_that_stopped(tmp_path: Path) -> None:
    a_collector(tmp_path, Condition("disk-full", "", "x", 1), running=False)
    found = doctor.look(tmp_path / "c.toml", tmp_path)
    assert of(found, "collector") == [(Mark.WRONG, "It does not run: nothing new is stored. It was stopped.")]
    assert of(found, "condition disk-full") == []


# ---------------------------------------------------------------------------------------------------------- the record


def put_node(recording: Recording, node: str, state: State, heard_ms: int = NOW_MS) -> None:
    row = node, heard_ms, int(state.up), encode(state).decode()
    recording.desk.connection.execute("INSERT OR REPLACE INTO node (node, heard_ms, up, body) VALUES (?, ?, ?, ?)", row)
    recording.desk.connection.commit()


def test_each_node_is_told_with_what_is_wrong(recording: Recording) -> None:
    clock, worn = Clock(1, utc_text(NOW_MS), synced=True), DiskUse(11 * 10**12, YEAR_MS, 1, 2, 20)
    version = doctor_record.version("soakledger")
    put_node(recording, "well", State(True, version, None, clock, disk=DiskUse(60 * 10**9, 30 * 86_400_000, 1, 2, 20)))
    put_node(recording, "gone", State(up=False))
    put_node(recording, "silent", State(True, version, None, clock), NOW_MS - 61_000)
    odd = State(True, "0.0.9", None, Clock(1, utc_text(NOW_MS + 9_000), True), outbox=601, dropped=2, disk=worn)
    put_node(recording, "odd", odd)
    put_node(recording, "unset", State(True, version, None, Clock(1, utc_text(0), False), troubles=["its card fails"]))
    with Reader(recording.data) as reader:
        found = list(doctor_record.nodes(reader, NOW_MS))
    assert of(found, "node well") == [(Mark.GOOD, "Heard 0 s ago; 0 readings wait for a receipt.")]
    assert of(found, "node well, card")[0][0] is Mark.GOOD
    assert of(found, "node gone")[0][0] is of(found, "node silent")[0][0] is Mark.WRONG
    assert [text for _, text in of(found, "node odd")][:3] == [
        "601 readings wait in its outbox.",
        "It gave 2 readings up since its boot.",
        "Its clock differs from the collector's.",
    ]
    assert of(found, "node odd")[3][0] is Mark.NOTE
    assert of(found, "node odd, card")[0][0] is Mark.WRONG
    assert [text for _, text in of(found, "node unset")] == [
        "Its clock is not synchronised: times of day may be off.",
        "It says: its card fails.",
    ]
    assert of(found, "node unset, card") == [(Mark.NOTE, "How much is written to its disk is not known.")]


def people(recording: Recording) -> list[Found]:
    with Reader(recording.data) as reader:
        return list(doctor_record.people(reader))


def test_somebody_must_be_able_to_administer(recording: Recording) -> None:
    connection = recording.desk.connection
    assert of(people(recording), "people")[0] == (Mark.WRONG, "No administrator has a secret of their own.")
    credentials.set_secret(connection, ADMINISTRATOR, Kind.PASSWORD, "copper lantern walks north", temporary=True)
    assert of(people(recording), "people")[0] == (Mark.WRONG, "No administrator has a secret of their own.")
    credentials.set_secret(connection, ADMINISTRATOR, Kind.PASSWORD, "copper lantern walks south")
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, "836152", temporary=True)
    marks = [mark for mark, _ in of(people(recording), "people")]
    assert marks == [Mark.NOTE, Mark.GOOD]
    connection.execute("DELETE FROM thing WHERE kind = 'person'")
    connection.commit()
    assert of(people(recording), "people")[0][1].startswith("Nobody is an administrator")


def test_backups_planned_or_not_and_their_room(recording: Recording, tmp_path: Path) -> None:
    plan = Settings("s", backup=BackupSettings(folder=str(tmp_path), at="02:30"))
    with Reader(recording.data) as reader:
        assert of(doctor_record.backups(reader, plan, NOW_MS), "backup plan")[0] == (
            Mark.GOOD,
            f"Each day at 02:30, to {tmp_path}.",
        )
        assert of(doctor_record.backups(reader, plan, NOW_MS), "backup folder")[0][0] is Mark.GOOD
        assert of(doctor_record.backups(reader, Settings("s"), NOW_MS), "backup plan")[0][0] is Mark.NOTE
    made = f'{{"name":"x","folder":"{tmp_path}","made_ms":{NOW_MS},"records":3,"hash":"0","bytes":{10**18}}}'
    recording.desk.connection.execute("INSERT INTO site VALUES ('backup', ?)", (made,))
    recording.desk.connection.commit()
    with Reader(recording.data) as reader:
        found = list(doctor_record.backups(reader, plan, NOW_MS + 47 * 3_600_000))
        old = list(doctor_record.backups(reader, plan, NOW_MS + 49 * 3_600_000))
    assert [mark for mark, _ in of(found, "backup")] == [Mark.GOOD, Mark.NOTE]
    assert of(found, "backup folder")[0][0] is Mark.WRONG
    assert of(old, "backup")[0][0] is Mark.WRONG


def test_whether_anybody_is_told_of_alarms() -> None:
    told = NotifySettings("Sam", "sam.urls")
    assert of(doctor_record.routes(Settings("s")), "notifications")[0][0] is Mark.NOTE
    assert of(doctor_record.routes(Settings("s", notify=[told])), "notifications")[0][0] is Mark.NOTE
    assert of(doctor_record.routes(Settings("s", notify=[told], drill_at="08:00")), "notifications")[0][0] is Mark.GOOD


# --------------------------------------------------------------------------------------------------------- the computer


def test_a_broker_that_is_not_there_or_says_nothing(tmp_path: Path) -> None:
    import socket  # noqa: PLC0415

    certificate(tmp_path / "ca.pem", 900)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        port = silent.getsockname()[1]
        tls = BrokerSettings(port=port, ca_file=str(tmp_path / "ca.pem"))
        ((mark, text),) = of(doctor_computer.broker(tls, 0.2), "broker")
        assert mark is Mark.WRONG
        assert text.startswith(f"127.0.0.1:{port} over TLS: Nobody answers")
    ((mark, text),) = of(doctor_computer.broker(BrokerSettings(port=port)), "broker")
    assert mark is Mark.WRONG
    assert "no broker listens at that port" in text


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A systemctl that says what the files beside it say."""
    script = tmp_path / "systemctl"
    script.write_text(f'#!/bin/sh\nexec cat "{tmp_path}/$3" 2>/dev/null\n')
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    return tmp_path


def test_services(systemd: Path) -> None:
    def unit(name: str, active: str, enabled: str) -> None:
        (systemd / name).write_text(f"LoadState=loaded\nActiveState={active}\nUnitFileState={enabled}\nNRestarts=2\n")

    assert said(doctor_computer.services(systemd)) == [
        ("soakledger-collector", "wrong", "It is not installed as a service.")
    ]
    unit("soakledger-collector", "active", "enabled")
    unit("soakledger-dashboard", "failed", "enabled")
    unit("mosquitto", "active", "disabled")
    found = list(doctor_computer.services(systemd))
    assert of(found, "soakledger-collector") == [(Mark.GOOD, "It is active, started again 2 times since.")]
    assert of(found, "soakledger-dashboard") == [(Mark.WRONG, "It is failed.")]
    assert of(found, "mosquitto") == [(Mark.WRONG, "It runs, but does not start with the machine.")]
    assert of(doctor_computer.services(systemd / "none"), "services")[0][0] is Mark.NOTE


def certificate(path: Path, days: float) -> None:
    now, key = datetime.datetime.now(datetime.UTC), ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "here")])
    ends = now + datetime.timedelta(days=days)
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    made = made.serial_number(1).not_valid_before(now - datetime.timedelta(days=900)).not_valid_after(ends)
    path.write_bytes(made.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))


def test_certificates(tmp_path: Path) -> None:
    (tmp_path / "tls").mkdir()
    for name, days in (("broker", 59), ("pages", 61), ("old", -1.5)):
        certificate(tmp_path / f"tls/{name}.pem", days)
    (tmp_path / "tls/none.pem").write_text("no certificate")
    settings = Settings("s", BrokerSettings(ca_file=str(tmp_path / "tls/pages.pem")))
    found = list(doctor_computer.certificates(tmp_path / "c.toml", settings, datetime.datetime.now(datetime.UTC)))
    marks = {each.what: each.mark for each in found}
    assert marks == {
        "certificate broker.pem": Mark.WRONG,
        "certificate pages.pem": Mark.GOOD,
        "certificate old.pem": Mark.WRONG,
        "certificate none.pem": Mark.UNKNOWN,
    }
    assert "It ended on" in of(found, "certificate old.pem")[0][1]


def test_the_disk_s_room_and_wear(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Kept("card", "boot", 1_000, 5_000, 11 * 10**12, YEAR_MS)
    write(tmp_path, kept)
    monkeypatch.setattr(disk, "counted", lambda _: Counted("card", "boot", 1_000, 5_000))
    assert of(doctor_computer.disk(tmp_path, 20), "card or disk wear")[0] == (
        Mark.WRONG,
        "At this rate a card rated at 20 TB lasts about 1.8 years (11.000 TB counted in 365 days). About 0.8 years of "
        "them are left.",
    )
    assert of(doctor_computer.disk(tmp_path, 200), "card or disk wear")[0][0] is Mark.GOOD
    assert read(tmp_path) == kept, "the doctor only looks"
    monkeypatch.setattr(doctor_computer, "LEAST_FREE", 1.0)
    assert of(doctor_computer.disk(tmp_path, 20), "disk")[0][0] is Mark.WRONG
    assert list(doctor_computer.disk(tmp_path / "none", 20)) == []


@pytest.mark.parametrize("synced", [True, False])
def test_the_clock(synced: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor_computer.Synchronisation, "synced", lambda _: synced)
    assert of(doctor_computer.clock(), "clock")[0][0] is (Mark.GOOD if synced else Mark.WRONG)
