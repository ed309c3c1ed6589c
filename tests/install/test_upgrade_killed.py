"""The power goes at any point of an upgrade, and again while it is settled: one whole version stands."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from pretendkit import NEW, OLD, PowerCut, PretendedClinic, Pretending, look, take_in
from upgradekit import Pretended

from install.errors import InstallError, NotKeptError
from install.upgrade import Upgrade


def upgraded(clinic: PretendedClinic, fails: str, deeds: int) -> bool:
    """Whether it came to an end before the power went."""
    try:
        with suppress(NotKeptError):
            clinic.upgrade(Pretending(deeds, clinic.schemas), Pretended(clinic, fails=fails))
    except PowerCut:
        return False
    return True


def settled(clinic: PretendedClinic, deeds: int) -> bool:
    """Likewise, of settling it at the next boot."""
    hands = Pretending(deeds, clinic.schemas)
    try:
        Upgrade(clinic.places, hands, Pretended(clinic)).recover(at_boot=True)
    except PowerCut:
        return False
    return True


@pytest.mark.parametrize("fails", ["", "it did not stay up"])
def test_killed_before_each_deed(tmp_path: Path, fails: str) -> None:
    stood: list[str] = []
    while True:
        clinic = PretendedClinic(tmp_path / str(len(stood)))
        if upgraded(clinic, fails, len(stood)):
            break
        clinic.recover()
        stood.append(clinic.stands())
        assert not clinic.recover()
    assert len(stood) > 20
    # Until the new version has stayed up it is the old one; never the other way round again.
    assert set(stood) == ({OLD, NEW} if not fails else {OLD})
    assert stood == sorted(stood)


def test_killed_again_while_it_is_settled(tmp_path: Path) -> None:
    """From the point at which there is most to take back: the data are changed, the new version is on trial."""
    deeds = 0
    while True:
        clinic = PretendedClinic(tmp_path / str(deeds))

        def cut() -> None:
            raise PowerCut

        with pytest.raises(PowerCut):
            clinic.upgrade(services=Pretended(clinic, meanwhile=cut))
        assert look(clinic.places.collector_data) == (2, 723)
        ended = settled(clinic, deeds)
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
        raise PowerCut

    with pytest.raises(PowerCut):
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
