"""Kills real upgrades before each thing they do, then at moments by chance, and looks what becomes of them.

By hand: `python tests/install/campaign.py [--random N]`. Real versions, real data, real commands below a folder: some
minutes. The suite kills pretended commands at each point (`test_upgrade_killed.py`), and real ones at a few.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from upgradekit import Clinic, Mortal, Pretended, killed_after, with_migration  # noqa: E402

from install.building import version  # noqa: E402
from install.errors import NotKeptError  # noqa: E402
from install.hands import Hands  # noqa: E402


def settled(clinic: Clinic, heads: list[str]) -> str:
    """Which version stands; fails if not exactly one does, with whole data of its own and all records of before."""
    clinic.recover()
    places, name = clinic.places, clinic.places.current_name()
    assert name in (clinic.old, clinic.new), name
    assert version(places, name) is not None
    assert not places.journal.exists()
    assert not places.recovering.is_symlink()
    assert clinic.changed() == (name == clinic.new), "the data are of another version than the program"
    assert " hold. " in clinic.holds()
    assert clinic.heads()[: len(heads)] == heads
    assert not clinic.recover(), "there is nothing more to settle"
    return "old" if name == clinic.old else "new"


def at_each_deed(clinic: Clinic, folder: Path, fails: str) -> Counter[str]:
    """Kill before the first deed, the second, and so on until one comes to its end."""
    found: Counter[str] = Counter()
    deeds = 0
    while True:
        one = clinic.copied(folder / f"deed-{len(fails)}-{deeds}")
        heads = one.heads()

        def act(hands: Hands, one: Clinic = one) -> None:
            one.upgrade(hands, Pretended(one, fails=fails))

        if not killed_after(deeds, act):
            return found
        found[settled(one, heads)] += 1
        print(f"killed before deed {deeds + 1}: ok", dict(found), flush=True)
        deeds += 1


def at_random(clinic: Clinic, folder: Path, times: int, seed: int) -> Counter[str]:
    """Kill the upgrade and whatever it has started, at any moment; and now and then the recovery as well."""
    chance, found = random.Random(seed), Counter[str]()
    for number in range(times):
        one = clinic.copied(folder / f"chance-{number}")
        heads = one.heads()
        fails = chance.choice(("", "it did not stay up"))
        _killed_within(
            chance.uniform(0.05, 6), lambda one=one, fails=fails: one.upgrade(Mortal(-1), Pretended(one, fails))
        )
        if chance.random() < 0.5:
            _killed_within(chance.uniform(0.02, 1.5), one.recover)
        found[settled(one, heads)] += 1
        print(f"chance {number + 1}: ok", dict(found), flush=True)
    return found


def _killed_within(seconds: float, act: object) -> None:
    child = os.fork()
    if child == 0:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        try:
            act()  # type: ignore[operator]
        except NotKeptError:
            pass
        finally:
            os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)  # what it started ends with it
    os.waitpid(child, 0)


def main() -> None:
    """Both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--random", type=int, default=0, metavar="N")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-deeds", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        clinic = Clinic(Path(folder) / "clinic", with_migration)
        if not asked.no_deeds:
            for fails in ("", "it did not stay up"):
                found = at_each_deed(clinic, Path(folder), fails)
                print(f"at each deed{', failing' if fails else ''}: {found.total()} killed, settled as {dict(found)}")
        if asked.random:
            found = at_random(clinic, Path(folder), asked.random, asked.seed)
            print(f"at random: {sum(found.values())} killed, settled as {dict(found)}")


if __name__ == "__main__":
    main()
