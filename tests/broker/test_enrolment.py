"""Logins made and ended by the commands, on a running Mosquitto; and on record, without a secret."""

from __future__ import annotations

import shutil
import sqlite3
import stat
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from brokersite import BrokerSite, free_port, until
from click.testing import CliRunner, Result

from collector.broker import enrol_command, passwords, setup_command, telling
from collector.broker.enrolling import Proof, read_logins, revoke
from collector.clock import wall_clock
from collector.ledger import Record, records
from collector.schema import FILE_NAME, connect
from collector.store import Store
from collector.verify import verify
from host.enrolment import Enrolment, read
from soak.wire import PREFIX

pytestmark = pytest.mark.broker

Run = Callable[..., Result]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A collector's data folder, held open for writing as a running collector does."""
    folder = tmp_path / "data"
    Store(folder, wall_clock()).close()
    return folder


@pytest.fixture
def run(site: BrokerSite, data: Path) -> Run:
    """A command at the shared site."""

    def one(command: object, *args: str) -> Result:
        options = ["--etc", str(site.etc), "--data", str(data)]
        return CliRunner().invoke(command, [*args, *options], catch_exceptions=False)  # type: ignore[arg-type]

    return one


def enrolled(run: Run, node: str, folder: Path) -> Enrolment:
    file = folder / f"{node}.toml"
    done = run(enrol_command.command, node, "--out", str(file))
    assert done.exit_code == 0, done.output
    return read(file.read_bytes())


def on_record(data: Path) -> list[Record]:
    database = connect(data / FILE_NAME, read_only=True)
    found = list(records(database.conn, kinds=("node-enrolled", "node-revoked")))
    database.close()
    return found


def test_enrolling_again_ends_the_login_before_and_revoking_ends_it_at_once(
    site: BrokerSite, run: Run, data: Path, tmp_path: Path
) -> None:
    first = enrolled(run, "en-1", tmp_path)
    bystander = site.client("en-2", enrolled(run, "en-2", tmp_path).password).ready()
    connected = site.client("en-1", first.password).ready()
    second = enrolled(run, "en-1", tmp_path)
    until(lambda: connected.ended)
    assert first.password != second.password
    late = site.client("en-1", first.password)
    until(lambda: late.answers)
    assert late.answers == ["Not authorized"]
    again = site.client("en-1", second.password).ready()

    done = run(enrol_command.revoke_command, "en-1")
    assert (done.exit_code, done.output) == (
        0,
        "en-1 has no login any more.\nRecorded as 4.\nThe broker refuses it.\n",
    )
    until(lambda: again.ended)
    for password in (first.password, second.password, ""):
        gone = site.client("en-1", password)
        until(lambda gone=gone: gone.answers)
        assert gone.answers == ["Not authorized"]
    assert bystander.ended == 0
    bystander.close()

    kept = [(each.kind, each.content()["node"], each.content().get("again", False)) for each in on_record(data)]
    assert kept == [
        ("node-enrolled", "en-1", False),
        ("node-enrolled", "en-2", False),
        ("node-enrolled", "en-1", True),
        ("node-revoked", "en-1", False),
    ]
    assert "en-1" not in read_logins(site.place)
    hashes = read_logins(site.place).values()
    content = (data / FILE_NAME).read_bytes()
    for secret in (first.password, second.password, *hashes):
        assert secret.encode() not in content
    assert verify(data, processes=1).wrong is None


def test_a_record_waits_for_a_collector_that_writes(run: Run, data: Path, tmp_path: Path) -> None:
    with sqlite3.connect(data / FILE_NAME, isolation_level=None, check_same_thread=False) as writer:
        writer.execute("BEGIN IMMEDIATE")
        timer = threading.Timer(0.3, lambda: writer.execute("ROLLBACK"))
        timer.start()
        enrolled(run, "en-3", tmp_path)
        timer.join()
    writer.close()
    assert [each.content()["node"] for each in on_record(data)] == ["en-3"]


def test_the_file_is_private_says_the_first_name_and_holds_what_a_node_needs(
    site: BrokerSite, run: Run, tmp_path: Path
) -> None:
    file = tmp_path / "en-4.toml"
    file.write_text("what was there before, for everybody to read")
    file.chmod(0o666)
    enrolment = enrolled(run, "en-4", tmp_path)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert enrolment == Enrolment("en-4", "127.0.0.1", site.port, "en-4", enrolment.password, site.place.ca.read_text())
    assert len(enrolment.password) == 43  # 256 bits
    assert list(tmp_path.glob(".en-4*")) == []


@pytest.mark.parametrize(
    ("node", "said"),
    [
        ("collector", "No node is called collector: that is the collector's own login. Choose another name."),
        ("Room 3", "'Room 3' cannot be a node's name: "),
        ("a:b", "'a:b' cannot be a node's name: "),
        ("+", "'+' cannot be a node's name: "),
        ("../x", "'../x' cannot be a node's name: "),
        ("", "'' cannot be a node's name: "),
    ],
)
def test_names_that_no_node_has_are_refused(site: BrokerSite, run: Run, node: str, said: str) -> None:
    before = site.place.passwords.read_text()
    done = run(enrol_command.command, node)
    assert done.exit_code == 5
    assert done.output.startswith(f"soakledger enrol: {said}")
    assert site.place.passwords.read_text() == before


def test_who_has_no_login_cannot_be_revoked_nor_the_collector(site: BrokerSite, run: Run) -> None:
    for node in ("nobody", "collector"):
        done = run(enrol_command.revoke_command, node)
        assert done.exit_code == 5
        assert done.output.startswith(f"soakledger revoke: No node '{node}' has a login. Nodes with one: ")
    assert "collector" in read_logins(site.place)


def test_a_node_without_a_basin_is_allowed_but_said(site: BrokerSite, run: Run, tmp_path: Path) -> None:
    (site.etc / "collector.toml").write_text('site = "Mill"\n[[basin]]\nnode = "en-5"\n')
    said = "names no basin of"
    assert said not in run(enrol_command.command, "en-5", "--out", str(tmp_path / "a")).output
    assert said in run(enrol_command.command, "en-6", "--out", str(tmp_path / "b")).output
    (site.etc / "collector.toml").unlink()


def test_passwords_are_never_on_a_command_line(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[list[str]] = []
    real = subprocess.run

    def spy(command: list[str], **how: object) -> object:
        seen.append(command)
        return real(command, **how)  # type: ignore[call-overload]

    monkeypatch.setattr(subprocess, "run", spy)
    password = passwords.new_password()
    hashed = passwords.hashed("en-7", password)
    assert hashed.startswith("$7$")
    assert [len(command) for command in seen] == [3]
    assert password not in " ".join(seen[0])


def test_a_broker_that_does_not_run_is_said_and_one_without_its_pid_is_not_believed(
    own_site: BrokerSite, tmp_path: Path
) -> None:
    own_site.enrol("en-8")
    assert revoke(own_site.place, "en-8").proof is Proof.NOT_RUNNING
    own_site.start()
    own_site.enrol("en-8")
    with subprocess.Popen(["sleep", "60"]) as stranger:  # not a Mosquitto: it must get no signal
        (own_site.folder / "mosquitto.pid").write_text(str(stranger.pid))
        done = CliRunner().invoke(
            enrol_command.revoke_command, ["en-8", "--etc", str(own_site.etc), "--data", str(tmp_path / "none")]
        )
        assert stranger.poll() is None
        stranger.kill()
    assert done.exit_code == 1
    assert "en-8 has no login any more.\nNot recorded: there are no data in" in done.output
    assert "does not name it, so that it could not be told. Run: systemctl restart mosquitto" in done.output
    assert "en-8" not in read_logins(own_site.place)


def test_a_broker_that_is_just_starting_is_not_ended_by_being_told(
    own_site: BrokerSite, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """SIGHUP ends a process that does not listen for it yet; a program of the same name stands for one."""
    monkeypatch.setattr(telling, "_PATIENCE_S", 0.2)
    program = tmp_path / "mosquitto"
    shutil.copy(shutil.which("sleep") or "/bin/sleep", program)
    with subprocess.Popen([program, "60"]) as starting:
        (own_site.folder / "mosquitto.pid").write_text(str(starting.pid))
        while telling.running(own_site.place.setup()) is None:  # until it has its name
            time.sleep(0.01)
        assert telling.tell(own_site.place.setup()) is False
        assert starting.poll() is None
        starting.kill()


def test_setting_up_again_keeps_authority_logins_and_what_waits_for_the_collector(own_site: BrokerSite) -> None:
    place = own_site.place
    own_site.start()
    secret = own_site.enrol("en-9")
    kept = {file: file.read_bytes() for file in (place.ca, place.key("broker"), place.certificate("broker"), place.acl)}
    readings = f"{PREFIX}en-9/readings"
    node = own_site.client("en-9", secret).ready()
    collector = own_site.collector(client_id="any", clean=False, subscribe=[readings]).ready()
    options = ["--etc", str(place.etc), "--mosquitto", str(own_site.mosquitto)]
    files = [file for file in place.etc.rglob("*") if file.is_file()]
    rights = {file: stat.S_IMODE(file.stat().st_mode) for file in files}
    for file in files:
        file.chmod(0o666)  # a copy that was put back by hand
    done = CliRunner().invoke(setup_command.command, options, catch_exceptions=False)
    assert (done.exit_code, done.output.splitlines()[-1]) == (0, "The broker runs and works by them.")
    del rights[place.broker / "lock"]  # holds nothing
    assert {file: stat.S_IMODE(file.stat().st_mode) for file in rights} == rights
    assert (node.ended, collector.ended) == (0, 0)
    assert {file: file.read_bytes() for file in kept} == kept
    assert set(read_logins(place)) == {"collector", "en-9"}
    node.say(readings, b"still")
    collector.heard(readings, b"still")
    done = CliRunner().invoke(setup_command.command, [*options, "--name", "new.test"], catch_exceptions=False)
    assert "New certificate for the broker: it lacked a name." in done.output
    assert place.setup().names == ("new.test",)
    node.close()
    collector.close()


def test_what_is_missing_is_said_in_one_line(tmp_path: Path) -> None:
    for command, args, said in (
        (setup_command.command, [], "soakledger broker-setup: Give the names and addresses under which"),
        (
            setup_command.command,
            ["--name", "https://x", "--mosquitto", str(tmp_path)],
            f"soakledger broker-setup: There is no folder {tmp_path}/conf.d. Install the broker",
        ),
        (enrol_command.revoke_command, ["n"], f"soakledger revoke: There is no broker set up in {tmp_path}/etc."),
    ):
        done = CliRunner().invoke(command, [*args, "--etc", str(tmp_path / "etc")])
        assert done.exit_code == 5
        assert done.output.startswith(said)
        assert done.output.count("\n") == 1


@pytest.mark.parametrize(
    ("host", "said"),
    [
        ("https://soakledger.test:8883", "'https://soakledger.test:8883' is neither a name nor an address."),
        ("other.test", "The broker's certificate is not for other.test: no node would believe it. Names it has: "),
    ],
)
def test_a_name_that_no_node_would_believe_is_refused_before_anything_changes(
    site: BrokerSite, run: Run, tmp_path: Path, host: str, said: str
) -> None:
    before = site.place.passwords.read_bytes()
    done = run(enrol_command.command, "en-9", "--host", host, "--out", str(tmp_path / "en-9.toml"))
    assert (done.exit_code, said in done.output) == (5, True), done.output
    assert (site.place.passwords.read_bytes(), (tmp_path / "en-9.toml").exists()) == (before, False)


def test_a_folder_that_is_not_there_is_named_as_it_was_typed(run: Run, tmp_path: Path) -> None:
    done = run(enrol_command.command, "en-9", "--out", str(tmp_path / "none" / "en-9.toml"))
    assert done.exit_code == 5
    assert done.output == (
        f"soakledger enrol: There is no folder {tmp_path / 'none'} for the enrolment file. Name another with --out.\n"
    )


def test_a_file_of_logins_that_somebody_spoiled_is_one_line(site: BrokerSite, run: Run, tmp_path: Path) -> None:
    before = site.place.passwords.read_bytes()
    try:
        site.place.passwords.write_bytes(before + "bücher:x\n".encode())
        done = run(enrol_command.command, "en-9", "--out", str(tmp_path / "en-9.toml"))
    finally:
        site.place.passwords.write_bytes(before)
    assert (done.exit_code, "is no longer what was written there" in done.output) == (5, True)


def test_what_was_said_at_the_setting_up_can_be_said_again_and_what_is_gone_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mosquitto" / "conf.d").mkdir(parents=True)
    etc = tmp_path / "etc"
    options = ["--etc", str(etc), "--mosquitto", str(tmp_path / "mosquitto"), "--pid-file", str(tmp_path / "none.pid")]
    options += ["--port", str(free_port())]
    assert CliRunner().invoke(setup_command.command, ["--name", "a.test", *options]).exit_code == 0
    (etc / "broker" / "setup.json").write_bytes(b"")
    again = CliRunner().invoke(setup_command.command, options)
    assert (again.exit_code, "Give the names and addresses" in again.output) == (5, True)
    assert CliRunner().invoke(setup_command.command, ["--name", "a.test", *options]).exit_code == 0
    (etc / "tls" / "ca.pem").unlink()
    gone = CliRunner().invoke(enrol_command.command, ["n", "--etc", str(etc), "--data", str(tmp_path / "data")])
    assert gone.exit_code == 5
    assert f"{etc / 'tls' / 'ca.pem'} is not there any more. Run `soakledger broker-setup` again" in gone.output
