"""The same with the real thing: two versions, real data, real commands; `campaign.py` does it at each point."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from upgradekit import Clinic, Mortal, Pretended, killed_after, with_migration

from install.journal import Phase, read
from install.steps import Run


class KilledAfterMigrating(Mortal):
    """The power goes when the database has just been changed."""

    def run(self, step: Run, *arguments: Any, **named: Any) -> str:
        said = super().run(step, *arguments, **named)
        if "migrate" in step.argv and "--state" not in step.argv:
            self._left = 0
        return said


def test_cut_off_then_settled_then_done(tmp_path: Path) -> None:
    clinic = Clinic(tmp_path, with_migration)
    heads = clinic.heads()
    assert killed_after(-1, lambda hands: clinic.upgrade(hands, Pretended(clinic)), KilledAfterMigrating)
    entry = read(clinic.places.journal)
    assert entry is not None
    assert (entry.phase, entry.migrates) == (Phase.MIGRATING, True)
    assert clinic.changed()

    assert clinic.recover()
    assert clinic.places.current_name() == clinic.old
    assert not clinic.changed()
    assert clinic.heads() == heads

    clinic.upgrade(services=Pretended(clinic))
    assert clinic.places.current_name() == clinic.new
    assert clinic.changed()
    assert clinic.heads()[: len(heads)] == heads
