"""`./run fresh`: a Debian with nothing but what the README names, in a folder, and this checkout tried in it.

What is committed is tried. Mounts are made in a namespace of their own, so that none is left whatever happens, and no
process either. Needs root and debootstrap.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.fresh import debian
from tests.fresh.debian import FreshError, say

ROOT = Path(__file__).resolve().parents[2]
_EXTRA = {"install": ("systemd",)}
"""What else is on every machine that the part is for."""

_MOUNTS = """
set -e
mount --rbind /dev "$1/dev"
mount -t proc proc "$1/proc"
mount -t sysfs -o ro sysfs "$1/sys"
mount -t tmpfs -o mode=1777 tmpfs "$1/tmp"
root=$1; shift
while [ "$1" != -- ]; do mkdir -p "$root$1"; mount --bind -o ro "$1" "$root$1"; shift; done
shift
cd /
exec chroot "$root" /bin/sh -c 'cd /soakledger && exec "$@"' sh "$@"
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit status 0: it went well there. 1: it did not, or the machine could not be made."""
    parser = argparse.ArgumentParser(prog="./run fresh", description=__doc__)
    parser.add_argument("what", choices=["demo", "test", "install"])
    parser.add_argument("options", nargs=argparse.REMAINDER, help="for that command, there")
    parser.add_argument("--folder", type=Path, help="keep the machine in it, and its base for the next time")
    asked = parser.parse_args(arguments)
    options = asked.options or {"demo": ["--history", "0"]}.get(asked.what, [])
    if os.geteuid() != 0:
        say("run fresh: this makes a machine in a folder, so it needs root: put sudo before the command.")
        return 1
    try:
        with _folder(asked.folder) as folder:
            machine = _machine(folder, asked.what)
            return _run(machine, ["/usr/bin/python3", "-B", "tests/fresh/inside.py", asked.what, *options])
    except (FreshError, OSError, subprocess.CalledProcessError) as error:
        say(f"run fresh: {error}")
        return 1


@contextmanager
def _folder(kept: Path | None) -> Iterator[Path]:
    if kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
        yield kept.resolve()
        return
    with tempfile.TemporaryDirectory(prefix="soakledger-fresh-", dir="/var/tmp") as folder:
        yield Path(folder)


def _machine(folder: Path, what: str) -> Path:
    extra = _EXTRA.get(what, ())
    base, machine = folder / "-".join(["base", *extra]), folder / "machine"
    if not base.exists():
        debian.make(base, extra)
    if machine.exists():
        shutil.rmtree(machine)
    subprocess.run(["cp", "--archive", "--reflink=auto", str(base), str(machine)], check=True)
    debian.equip(machine)
    checkout = machine / "soakledger"
    checkout.mkdir()
    made = subprocess.Popen(["git", "-C", str(ROOT), "archive", "HEAD"], stdout=subprocess.PIPE)
    subprocess.run(["tar", "--extract", "--directory", str(checkout)], stdin=made.stdout, check=True)
    if made.wait():
        raise FreshError("git could not say what is committed here.")
    return machine


def _run(machine: Path, command: Sequence[str]) -> int:
    """In namespaces of its own for mounts and processes: when it ends, by whatever, nothing of it is left."""
    say(f"In {machine}: {' '.join(command)}")
    own = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "--propagation", "private"]
    shared = [str(each) for each in dict.fromkeys(debian.local_folders())]
    words = [*own, "/bin/sh", "-c", _MOUNTS, "sh", str(machine), *shared, "--", *command]
    return subprocess.run(words, env=debian.environment(), stdin=subprocess.DEVNULL, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
