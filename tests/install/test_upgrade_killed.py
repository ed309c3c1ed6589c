"""The power goes at any point of an upgrade, and again while it is settled: one whole version stands."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from pretendkit import NEW, OLD, PretendedClinic, Pretending, look, take_in
from upgradekit import Pretended, killed_after

from install.errors import InstallError
from install.upgrade import Upgrade


def upgrade(clinic: PretendedClinic, fails: str, hands: Pretending) -> None:
    clinic.upgrade(hands, Pretended(clinic, fails=fails))


def recover(clinic: PretendedClinic, hands: Pretending) -> None:
    Upgrade(clinic.places, hands, Pretended(clinic)).recover(at_boot=True)


@pytest.mark.parametrize("fails", ["", "it did not stay up"])
def test_killed_before_each_deed(tmp_path: Path, fails: str) -> None:
    stood, deeds = [], 0
    while True:
        clinic = PretendedClinic(tmp_path / str(deeds))
        mortal = partial(Pretending, schemas=clinic.schemas)
        if not killed_after(deeds, partial(upgrade, clinic, fails), mortal):
            break
        clinic.recover()
        stood.append(clinic.stands())
        assert not clinic.recover()
        deeds += 1
    assert deeds > 20
    # Until the new version is whole and the journal gone it is the old one; never the other way round again.
    assert set(stood) == ({OLD, NEW} if not fails else {OLD})
    assert stood == sorted(stood)


def test_killed_again_and_again_while_it_is_settled(tmp_path: Path) -> None:
    """From the point at which there is most to take back: the data are changed, the new version is about to start."""
    deeds = 0
    while True:
        clinic = PretendedClinic(tmp_path / str(deeds))
        mortal = partial(Pretending, schemas=clinic.schemas)

        def begun(hands: Pretending, clinic: PretendedClinic = clinic) -> None:
            services = Pretended(clinic, meanwhile=lambda: hands.rename(Path("/"), Path("/dev/null")))
            hands._left = -1
            services._meanwhile = lambda: setattr(hands, "_left", 0) or hands.remove(Path("/nowhere"))  # type: ignore[func-returns-value]
            clinic.upgrade(hands, services)

        assert killed_after(-1, begun, mortal)
        assert look(clinic.places.collector_data) == (2, 723)
        ended = not killed_after(deeds, partial(recover, clinic), mortal)
        if not ended:
            clinic.recover()
        assert clinic.stands() == OLD
        if ended:
            break
        deeds += 1
    assert deeds > 10


def test_cut_off_on_trial_after_readings_came_in(tmp_path: Path) -> None:
    """At the next boot the new version stays: the old one could not read what came in."""
    clinic = PretendedClinic(tmp_path)

    def cut_off() -> None:
        take_in(clinic.places.collector_data, 5)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        clinic.upgrade(services=Pretended(clinic, meanwhile=cut_off))
    clinic.recover()
    assert clinic.stands() == NEW
    assert look(clinic.places.collector_data) == (2, 728)


def test_cut_off_on_trial_with_data_that_cannot_be_read(tmp_path: Path) -> None:
    """They may hold anything, so they stay."""
    clinic = PretendedClinic(tmp_path)
    hands = clinic.hands
    assert isinstance(hands, Pretending)

    def cut_off() -> None:
        hands.refuses = {f"{NEW} migrate"}
        raise InstallError("it did not stay up")

    with pytest.raises(InstallError, match="It stays installed"):
        clinic.upgrade(services=Pretended(clinic, meanwhile=cut_off))
    assert clinic.stands() == NEW
