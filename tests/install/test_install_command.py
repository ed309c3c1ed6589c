"""`./run install` and `./run uninstall` as a person meets them."""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from pretendkit import NEW, OLD, PretendedClinic, Pretending
from upgradekit import ROOT, Pretended, lean_python, source

from install.__main__ import main
from install.building import Builder, Version, disk_words
from install.errors import InstallError
from install.installing import Installing, Order
from install.places import Part, Places
from install.steps import Run
from install.uninstalling import uninstall


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("install",), "run: install needs to know what: sudo ./run install node, or sudo ./run install collector.\n"),
        (("install", "both"), "run: install needs to know what: sudo ./run install node, or sudo ./run install coll"),
        (("uninstall",), "run: uninstall needs to know what: sudo ./run uninstall node"),
    ],
)
def test_a_wrong_word_is_answered_with_the_right_ones(arguments: tuple[str, ...], said: str) -> None:
    run = subprocess.run((str(ROOT / "run"), *arguments), capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert run.stderr.startswith(said)


_APT = """#!/bin/sh
# {name}, on a machine of which apt has no lists yet: it knows nothing before `apt-get update`
case "{name} $*" in
    "sudo -n "*) shift; exec "$@" ;;
    *python3-lgpio*) exit 1 ;;
    "dpkg-query "*mosquitto|"apt-cache "*) [ -e {folder}/lists ] || exit 1 ;;
    "dpkg-query "*) printf installed ;;
    "apt-get update "*) touch {folder}/lists ;;
    "apt-get install "*) [ -e {folder}/lists ] || exit 100; echo "$@" >>{folder}/installed ;;
esac
"""


def test_the_broker_is_installed_though_apt_has_no_lists_yet(tmp_path: Path) -> None:
    """As on a new image; lgpio is taken only where apt knows it."""
    for name in ("sudo", "dpkg-query", "apt-cache", "apt-get"):
        (tmp_path / name).write_text(_APT.format(name=name, folder=tmp_path))
        (tmp_path / name).chmod(0o755)
    asked = f"PATH={tmp_path}:$PATH; source {ROOT}/run help >/dev/null; packages_for collector; packages_for node"
    run = subprocess.run(("bash", "-c", asked), capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert (tmp_path / "installed").read_text() == "install -y -q --no-install-recommends mosquitto\n"


def test_without_root_nothing_is_begun(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert main(["node"]) == 1
    assert capsys.readouterr().err == "\nThis changes the machine, so it needs root: put sudo before the command.\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (
            ["collector", "--enrolment", "x"],
            "--enrolment is a node's: a collector makes such files, with `soakledger en",
        ),
        (
            ["node", "--enrolment", "/nowhere"],
            "/nowhere is no file. Copy it from the collector, where `soakledger enrol`",
        ),
        (["node", "--nmae", "x"], "unrecognized arguments"),
    ],
)
def test_wrong_options(arguments: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "--root", str(tmp_path)])
    assert ended.value.code == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_enrolment_file_that_is_none_is_said_before_anything_is_built(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, root = tmp_path / "room-3.toml", tmp_path / "root"
    file.write_text("a letter")
    assert main(["node", "--root", str(root), "--packages-of", "/nowhere/python", "--enrolment", str(file)]) == 1
    said = capsys.readouterr().err
    assert said.startswith(f"\n{file} is no enrolment file (")
    assert not (root / "opt/soakledger/versions").exists()


def test_a_file_that_this_user_may_not_read_takes_the_administrator(monkeypatch: pytest.MonkeyPatch) -> None:
    closed = PermissionError(errno.EACCES, "Permission denied", "/etc/soakledger/node.toml")
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    said = (
        "/etc/soakledger/node.toml is closed to this user. Run this as the administrator: put sudo before the command."
    )
    assert disk_words(closed) == said
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert disk_words(closed).endswith("Look at the disk, then run this again.")


def test_a_dry_run_tells_everything_and_does_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["node", "--root", str(tmp_path / "root"), "--dry-run"]) == 0
    told = capsys.readouterr().out
    for begin in ("build  ", "folder ", "file   ", "run    ", "link   ", "start  "):
        assert f"\n{begin}" in f"\n{told}"
    assert not (tmp_path / "root").exists()


def test_two_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    places = Places(tmp_path)
    places.opt.mkdir(parents=True)
    with places.lock.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert main(["node", "--root", str(tmp_path)]) == 1
        assert "Another installation is running on this machine." in capsys.readouterr().err
        assert main(["recover", "--boot", "--root", str(tmp_path)]) == 0  # asked for by a service that it starts
    places.lock.chmod(0o644)
    assert main(["recover", "--root", str(tmp_path)]) == 0
    assert places.lock.stat().st_mode & 0o777 == 0o600, "anybody could hold it"


NO_SYSTEMD = set() if shutil.which("systemctl") else {"soakledger-recover.service", "soakledger-node.service"}
"""Without systemctl units lie ready, and nobody enables them."""


def enabled(places: Places) -> set[str]:
    return {path.name for path in places.units.glob("*.wants/*")}


def test_a_node_below_a_folder_with_real_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Installed, made the site's own, installed again; wrong settings; taken off again."""
    places = Places(tmp_path / "root")
    again = ["node", "--root", str(places.root), "--packages-of", lean_python(tmp_path)]
    assert main(again) == 0
    said = capsys.readouterr().err
    assert 'delete its line that begins with "# EXAMPLE:".' in said
    assert enabled(places) == {"soakledger-recover.service"} - NO_SYSTEMD

    file = places.etc / "node.toml"
    ours = file.read_text().partition("\n")[2]
    file.write_text(ours.replace("lid_pin = 17", "lid_pni = 17"))
    assert main(again) == 1
    said = capsys.readouterr().err
    assert "lid_p" in said
    assert said.endswith("Nothing was switched or started. Mend that file, then run this again.\n")

    file.write_text(ours)
    assert main(again) == 0
    said = capsys.readouterr().err
    assert "systemd does not run here, so nothing was started." in said
    assert enabled(places) == {"soakledger-recover.service", "soakledger-node.service"} - NO_SYSTEMD
    assert file.read_text() == ours
    assert not file.with_name("node.toml.new").exists()
    run = subprocess.run([str(places.command), "--version"], capture_output=True, text=True, check=True)
    assert run.stdout.startswith("soakledger")

    assert main(["uninstall", "node", "--root", str(places.root)]) == 0
    assert f"Kept: data in {places.node_data}" in capsys.readouterr().err
    assert file.read_text() == ours
    assert places.node_data.is_dir()
    assert not places.current.is_symlink()
    assert list(places.units.glob("soakledger-*")) == []
    assert main(["uninstall", "node", "--root", str(places.root)]) == 1
    assert capsys.readouterr().err == "\nNo node is installed on this machine. Nothing was changed.\n"


class Built(Builder):
    """A version that is there already."""

    def __init__(self, clinic: PretendedClinic, fails: str = "") -> None:
        super().__init__(clinic.places, clinic.hands, ROOT)
        self._version, self._fails = clinic.new, fails

    def name(self, parts: tuple[Part, ...]) -> str:  # noqa: ARG002
        return self._version

    def build(self, parts: tuple[Part, ...]) -> Version:
        if self._fails:
            raise InstallError(self._fails)
        return Version(self._version, parts)


ORDER = Order(Part.NODE, ("clinic.lan",), None, start=True)


@pytest.fixture
def node(tmp_path: Path) -> PretendedClinic:
    """Installed, with settings of its own."""
    clinic = PretendedClinic(tmp_path, parts=(Part.NODE,))
    clinic.places.etc.mkdir(parents=True)
    (clinic.places.etc / "node.toml").write_text("a person's")
    return clinic


def installing(clinic: PretendedClinic, services: Pretended, fails: str = "") -> Installing:
    return Installing(clinic.places, clinic.hands, services, Built(clinic, fails))


def checked(clinic: PretendedClinic, monkeypatch: pytest.MonkeyPatch, refuses: str = "") -> None:
    """`node --check` says so."""
    real = type(clinic.hands).run

    def run(self: object, step: Run, *arguments: object, **named: object) -> str:
        if step.argv[-1] != "--check":
            return real(self, step, *arguments, **named)  # type: ignore[arg-type]
        if refuses:
            raise InstallError(f"{step.why} failed: {refuses}")
        return ""

    monkeypatch.setattr(type(clinic.hands), "run", run)


def test_an_older_version_is_upgraded_and_kept_beside(
    node: PretendedClinic, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    earlier = node.places.version(OLD) / "install/examples/node.toml"
    earlier.parent.mkdir(parents=True, exist_ok=True)
    earlier.write_text("as it was")
    checked(node, monkeypatch)
    services = Pretended(node)
    installing(node, services).install(ORDER)
    assert node.stands() == NEW
    assert {path.name for path in node.places.versions.iterdir()} == {OLD, NEW}
    assert "enable soakledger-node.service" in services.said
    told = capsys.readouterr().err
    assert f"lie beside your settings: {node.places.etc / 'node.toml.new'}." in told
    installing(node, Pretended(node)).install(ORDER)
    assert "node.toml.new" not in capsys.readouterr().err


def test_what_fails_again_and_again_is_not_said_to_run(
    node: PretendedClinic, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Installed again as it is: a unit that is up stays up, one that systemd starts anew every few seconds is tried."""
    checked(node, monkeypatch)
    installing(node, Pretended(node)).install(ORDER)
    services = Pretended(node)
    installing(node, services).install(ORDER)
    assert "start soakledger-node.service" not in services.said
    services = Pretended(node, fails="soakledger-node.service did not stay up (it is activating).")
    services.falls.add("soakledger-node.service")
    capsys.readouterr()
    with pytest.raises(InstallError, match=r"did not stay up.*mend that, then: systemctl restart"):
        installing(node, services).install(ORDER)
    assert "start soakledger-node.service" in services.said
    assert "Running" not in capsys.readouterr().err


def test_without_a_network_what_runs_goes_on(node: PretendedClinic) -> None:
    services = Pretended(node)
    with pytest.raises(InstallError, match="no network"):
        installing(node, services, "no network").install(ORDER)
    assert node.stands() == OLD
    assert services.said == []


def test_settings_that_the_new_version_refuses_stop_it_before_anything(
    node: PretendedClinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked(node, monkeypatch, "Did you mean `lid_pin`?")
    services = Pretended(node)
    with pytest.raises(InstallError, match=r"(?s)Did you mean.*Nothing was switched or started\. Mend that file"):
        installing(node, services).install(ORDER)
    assert node.stands() == OLD
    assert services.said == []


def test_data_of_a_newer_version_stop_it_before_anything(tmp_path: Path) -> None:
    clinic = PretendedClinic(tmp_path)
    assert isinstance(clinic.hands, Pretending)
    clinic.hands._set(clinic.places.collector_data, 3)
    clinic.places.etc.mkdir(parents=True)
    for name in ("collector.toml", "dashboard.toml"):
        (clinic.places.etc / name).write_text("a person's")
    installing = Installing(clinic.places, clinic.hands, services := Pretended(clinic), Built(clinic))
    with pytest.raises(InstallError, match=r"(?s)newer version.*Nothing was switched or started\."):
        installing._check(NEW, clinic.parts)
    assert services.said == []


def test_an_upgrade_that_was_cut_off_is_settled_first(node: PretendedClinic, monkeypatch: pytest.MonkeyPatch) -> None:
    checked(node, monkeypatch)

    def cut_off() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        node.upgrade(services=Pretended(node, meanwhile=cut_off))
    assert node.places.journal.exists()
    installing(node, Pretended(node)).install(ORDER)
    assert node.stands() == NEW


def test_a_broker_that_was_left_stopped_is_started_with_the_collector(tmp_path: Path) -> None:
    """As by an upgrade whose process was killed; nobody else would start it before the next boot."""
    clinic = PretendedClinic(tmp_path, parts=(Part.COLLECTOR,))
    clinic.places.etc.mkdir(parents=True)
    (clinic.places.etc / "dashboard.toml").write_text("a person's")
    services = Pretended(clinic)
    services.runs.remove("mosquitto.service")
    order = Order(Part.COLLECTOR, ("clinic.lan",), None, start=True)
    Installing(clinic.places, clinic.hands, services, Built(clinic))._start(clinic.parts, {}, order)
    assert [said for said in services.said if said.startswith("start")] == ["start mosquitto.service"]
    assert "enable mosquitto.service" not in services.said


def test_one_part_goes_and_the_other_stays(tmp_path: Path) -> None:
    clinic = PretendedClinic(tmp_path, parts=tuple(Part))
    uninstall(Part.COLLECTOR, clinic.places, clinic.hands, Pretended(clinic))
    assert clinic.places.current_name() == OLD
    assert sorted(path.name for path in clinic.places.units.glob("*.service")) == [
        "soakledger-node.service",
        "soakledger-recover.service",
    ]
    assert clinic.places.database.exists()


def test_what_is_copied_is_what_a_version_needs() -> None:
    copied = {path.parts[0] for path in source.files(ROOT)}
    assert "tests" not in copied
    assert {"install", "soak", "requirements", "soakledger.py"} <= copied
