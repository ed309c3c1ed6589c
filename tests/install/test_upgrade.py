"""An upgrade that succeeds, and every way in which one fails: the old version is back, or a person is asked."""

from __future__ import annotations

import errno
import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
from pretendkit import NEW, OLD, PretendedClinic, Pretending, look, take_in
from upgradekit import Pretended

from collector.conditions import WORDS, Condition
from collector.status import Status, encoded
from install import health
from install.errors import ByHandError, InstallError, NotKeptError
from install.places import Part
from install.steps import File
from install.upgrade import Upgrade


@pytest.fixture
def clinic(tmp_path: Path) -> PretendedClinic:
    return PretendedClinic(tmp_path)


def pretending(clinic: PretendedClinic) -> Pretending:
    assert isinstance(clinic.hands, Pretending)
    return clinic.hands


def test_a_backup_is_taken_before_and_the_broker_waits_until_the_new_version_stays_up(clinic: PretendedClinic) -> None:
    services = Pretended(clinic)
    clinic.upgrade(services=services)
    assert clinic.stands() == NEW
    (backup,) = clinic.places.backups.iterdir()
    assert look(backup) == (1, 723)
    assert services.said[0] == "stop mosquitto.service"
    assert services.said[-1] == "start mosquitto.service"
    assert services.runs == set(Pretended.at_first(clinic))
    assert not clinic.places.ballast.exists()


def test_units_that_the_version_has_not_go(clinic: PretendedClinic) -> None:
    """Going back from a version with one more must not leave it to start something that is not there."""
    later, other = clinic.places.units / "soakledger-later.service", clinic.places.units / "other.service"
    for path in (later, other):
        path.write_text("")
    clinic.upgrade()
    assert not later.exists()
    assert other.exists()
    assert clinic.stands() == NEW


def test_what_did_not_run_before_is_not_started(clinic: PretendedClinic) -> None:
    services = Pretended(clinic)
    services.runs.clear()
    clinic.upgrade(services=services)
    assert clinic.stands() == NEW
    assert services.runs == set()


def test_data_of_a_newer_version_are_refused_while_everything_runs_on(clinic: PretendedClinic) -> None:
    pretending(clinic)._set(clinic.places.collector_data, 3)
    services = Pretended(clinic)
    with pytest.raises(InstallError, match="written by a newer version"):
        clinic.upgrade(services=services)
    assert services.said == []
    assert clinic.places.current_name() == OLD


def test_too_little_room_is_refused_while_everything_runs_on(
    clinic: PretendedClinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(1, 1, 5_000))  # type: ignore[attr-defined]
    services = Pretended(clinic)
    with pytest.raises(InstallError, match=r"has 0 MiB free, .* Nothing was changed\. Make room there"):
        clinic.upgrade(services=services)
    assert services.said == []
    assert clinic.stands() == OLD


@pytest.mark.parametrize("verb", ["backup", "migrate", "verify"])
def test_a_step_that_fails_brings_the_old_version_back(clinic: PretendedClinic, verb: str) -> None:
    services = Pretended(clinic)
    pretending(clinic).refuses = {f"{OLD if verb == 'backup' else NEW} {verb}"}
    if verb == "migrate":  # the look before must not fail
        pretending(clinic).refuses = set()
        pretending(clinic)._migrate = half_way(pretending(clinic))  # type: ignore[method-assign]
    with pytest.raises(NotKeptError, match=r"(?s)did not succeed: .* pretended.*1.0-0123456789ab is installed again"):
        clinic.upgrade(services=services)
    assert clinic.stands() == OLD
    assert look(clinic.places.collector_data) == (1, 723)
    assert services.runs == set(Pretended.at_first(clinic))


def half_way(hands: Pretending) -> Callable[[Path, str], str]:
    def migrate(data: Path, _version: str) -> str:
        hands._set(data, 1_000)
        raise InstallError("Bringing the data up failed: pretended")

    return migrate


def test_a_version_that_does_not_stay_up_is_taken_back_with_the_data_of_before(clinic: PretendedClinic) -> None:
    services = Pretended(clinic, fails="soakledger-collector.service did not stay up (it is failed).")
    with pytest.raises(NotKeptError) as raised:
        clinic.upgrade(services=services)
    assert clinic.stands() == OLD
    (aside,) = clinic.places.var.glob("collector.not-kept-*")
    assert look(aside) == (2, 723)
    assert str(raised.value) == (
        f"The upgrade to {NEW} did not succeed: soakledger-collector.service did not stay up (it is failed).\n"
        f"{OLD} is installed again, and the data are as they were. What the new version made of them is kept in "
        f"{aside} to be looked at."
    )
    assert services.runs == set(Pretended.at_first(clinic))


def test_an_old_version_that_does_not_start_either_is_told_as_well(
    clinic: PretendedClinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    services = Pretended(clinic)

    def start(_units: object) -> None:
        raise InstallError("soakledger-collector.service does not start.")

    monkeypatch.setattr(services, "start", start)
    with pytest.raises(NotKeptError, match=r"(?s)is installed again.*collector\.service does not start\.$"):
        clinic.upgrade(services=services)
    assert clinic.stands() == OLD


def test_a_collector_that_says_nothing_is_not_up(clinic: PretendedClinic) -> None:
    services = Pretended(clinic, meanwhile=clinic.places.status.unlink)
    with pytest.raises(NotKeptError, match="does not say how it is"):
        clinic.upgrade(services=services)
    assert clinic.stands() == OLD


def test_a_collector_that_can_store_nothing_is_not_well(clinic: PretendedClinic) -> None:
    """It runs, systemd is content, and every reading would be turned away."""

    def say() -> None:
        wrong = [Condition("broker-away", "", "", 0), Condition("cannot-store", "", "no such column", 0)]
        status = Status("e", "r", running=True, boot="b", beat_ms=1, said_ms=1, stored_ms=None, conditions=wrong)
        clinic.places.status.write_bytes(encoded(status))

    with pytest.raises(NotKeptError, match=r"The collector runs and can store nothing \(cannot-store\)\."):
        clinic.upgrade(services=Pretended(clinic, meanwhile=say))
    assert clinic.stands() == OLD


def test_what_stops_storing_is_what_the_collector_says_it_is() -> None:
    stops = {code for code, words in WORDS.items() if words.stops_storing}
    assert stops == health.STORES_NOTHING


def test_nothing_that_came_in_is_lost_by_going_back(clinic: PretendedClinic) -> None:
    """With a broker elsewhere a receipt may have gone out: the node has let go of what the new version holds."""
    data = clinic.places.collector_data
    services = Pretended(clinic, fails="it did not stay up", meanwhile=lambda: take_in(data, 5))
    with pytest.raises(ByHandError, match=r"(?s)It stays installed: it has already taken in .* are in .*/backup-0"):
        clinic.upgrade(services=services)
    assert clinic.stands() == NEW
    assert look(data) == (2, 728)
    assert services.runs == set(Pretended.at_first(clinic))


def test_without_a_migration_the_old_version_goes_on_with_what_came_in(tmp_path: Path) -> None:
    clinic = PretendedClinic(tmp_path, migrates=False)
    data = clinic.places.collector_data
    services = Pretended(clinic, fails="it did not stay up", meanwhile=lambda: take_in(data, 5))
    with pytest.raises(NotKeptError):
        clinic.upgrade(services=services)
    assert clinic.stands() == OLD
    assert look(data) == (1, 728)
    assert list(clinic.places.var.glob("collector.not-kept-*")) == []


def test_a_backup_that_cannot_be_put_back_leaves_the_data_in_place_and_is_tried_again(clinic: PretendedClinic) -> None:
    """The old version must never find an empty folder: it would begin with nothing."""
    services = Pretended(clinic, fails="it did not stay up")
    pretending(clinic).refuses = {f"{OLD} restore"}
    with pytest.raises(InstallError, match=r"(?s)going back did not either: .*Nothing is lost: the data are in"):
        clinic.upgrade(services=services)
    assert look(clinic.places.collector_data) == (2, 723)
    assert not services.runs
    pretending(clinic).refuses = set()
    clinic.recover(services, at_boot=False)
    assert clinic.stands() == OLD
    assert services.runs == set(Pretended.at_first(clinic))


def test_a_full_disk_in_the_middle_gives_its_ballast_back_and_goes_back(
    clinic: PretendedClinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, places = Pretending.file, clinic.places

    def file(self: Pretending, step: File) -> None:
        if places.ballast.exists() and step.path.parent == places.units:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(step.path))
        real(self, step)

    monkeypatch.setattr(Pretending, "file", file)
    with pytest.raises(NotKeptError, match="The disk is full"):
        clinic.upgrade(services=Pretended(clinic))
    assert clinic.stands() == OLD


def test_where_only_the_installer_was_killed_nothing_runs_on_data_that_are_put_back(clinic: PretendedClinic) -> None:
    """Any unit that is started then asks systemd for what settles it at boot; the new collector still runs."""

    def killed() -> None:
        raise KeyboardInterrupt

    services = Pretended(clinic, meanwhile=killed)
    with pytest.raises(KeyboardInterrupt):
        clinic.upgrade(services=services)
    assert "soakledger-collector.service" in services.runs
    assert "mosquitto.service" not in services.runs
    running_at: list[bool] = []
    real = clinic.hands.rename

    def rename(path: Path, to: Path) -> None:
        running_at.append("soakledger-collector.service" in services.runs)
        real(path, to)

    clinic.hands.rename = rename  # type: ignore[method-assign]
    services.said.clear()
    assert clinic.recover(services, at_boot=True)
    assert clinic.stands() == OLD
    assert running_at
    assert not any(running_at), "the data were moved away from under a collector"
    assert not [said for said in services.said if said.startswith("start ") and "soon" not in said], (
        "would wait for ever"
    )
    assert {"start soon soakledger-collector.service", "start soon mosquitto.service"} <= set(services.said)


def test_a_node_is_restarted_and_neither_data_nor_broker_are_touched(tmp_path: Path) -> None:
    clinic = PretendedClinic(tmp_path, parts=(Part.NODE,))
    services = Pretended(clinic)
    clinic.upgrade(services=services)
    assert clinic.stands() == NEW
    assert services.said == ["stop soakledger-node.service", "start soakledger-node.service"]
    assert list(clinic.places.backups.iterdir()) == []


def test_a_node_that_does_not_stay_up_goes_back(tmp_path: Path) -> None:
    clinic = PretendedClinic(tmp_path, parts=(Part.NODE,))
    with pytest.raises(NotKeptError):
        clinic.upgrade(services=Pretended(clinic, fails="it did not stay up"))
    assert clinic.stands() == OLD


def test_a_closed_terminal_does_not_stop_it_half_way(clinic: PretendedClinic) -> None:
    def hang_up() -> None:
        os.kill(os.getpid(), signal.SIGHUP)
        os.kill(os.getpid(), signal.SIGINT)

    clinic.upgrade(services=Pretended(clinic, meanwhile=hang_up))
    assert clinic.stands() == NEW


def test_a_journal_that_cannot_be_read_stops_everything(clinic: PretendedClinic) -> None:
    clinic.places.journal.write_text('{"phase": "dreaming"}')
    with pytest.raises(InstallError, match="which says how far an upgrade came, cannot be used"):
        clinic.recover()
    assert clinic.places.current_name() == OLD


def test_nothing_was_cut_off(clinic: PretendedClinic) -> None:
    assert not Upgrade(clinic.places, clinic.hands, Pretended(clinic)).recover(at_boot=True)
