"""`python3 -m install`: what `./run install` and `./run uninstall` call once they are root."""

from __future__ import annotations

import argparse
import fcntl
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from install import services
from install.building import Builder, disk_words
from install.errors import InstallError
from install.hands import Hands, say
from install.installing import Installing, Order
from install.places import Part, Places
from install.uninstalling import uninstall
from install.upgrade import Upgrade

_NAME = (
    "name or address of this machine for browsers and nodes; may be given several times [default: as last time, else "
    "its host name]"
)
_SOURCE = Path(__file__).resolve().parent.parent


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit status 0: done. 1: not done. 2: wrong use. 3: an upgrade was taken back. 4: a person must decide."""
    asked = _asked(arguments)
    places = Places(asked.root.absolute())
    try:
        if getattr(asked, "dry_run", False):
            _installing(asked, places).say_plan(_order(asked))
            return 0
        _refuse_without_root(places)
        with _alone(places, refuses=asked.verb != "recover") as alone:
            if alone:
                _do(asked, places)
    except InstallError as error:
        say(f"\n{error}")
        return error.exit_code
    except OSError as error:
        say(f"\n{disk_words(error)}")
        return InstallError.exit_code
    return 0


def _refuse_without_root(places: Places) -> None:
    if places.earnest and os.geteuid() != 0:
        raise InstallError("This changes the machine, so it needs root: put sudo before the command.")


def _do(asked: argparse.Namespace, places: Places) -> None:
    hands = Hands(accounts=places.earnest)
    if asked.verb == "recover":
        Upgrade(places, hands, _services(places, hands)).recover(at_boot=asked.boot)
    elif asked.verb == "uninstall":
        uninstall(Part(asked.part), places, hands, _services(places, hands))
    else:
        _installing(asked, places).install(_order(asked))


def _installing(asked: argparse.Namespace, places: Places) -> Installing:
    hands = Hands(accounts=places.earnest)
    builder = Builder(places, hands, _SOURCE, asked.packages_of)
    return Installing(places, hands, _services(places, hands), builder)


def _services(places: Places, hands: Hands) -> services.Services:
    return services.Systemd(hands) if services.here(places) else services.NoSystemd(places, hands)


def _order(asked: argparse.Namespace) -> Order:
    return Order(
        Part(asked.verb), tuple(asked.name), asked.enrolment.absolute() if asked.enrolment else None, not asked.no_start
    )


def _asked(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="./run install", description=__doc__)
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="{node,collector}")
    for part in Part:
        one = verbs.add_parser(
            part.value, help=f"install or upgrade a {part.value}", prog=f"./run install {part.value}"
        )
        _common(one)
        one.add_argument("--name", action="append", default=[], metavar="HOST", help=_NAME)
        one.add_argument("--enrolment", type=Path, metavar="FILE", help="node: the file that `soakledger enrol` made")
        one.add_argument("--no-start", action="store_true", help="start nothing")
        one.add_argument("--dry-run", action="store_true", help="say what would be done, and do nothing")
        one.add_argument("--packages-of", metavar="PYTHON", help=argparse.SUPPRESS)
    gone = verbs.add_parser("uninstall", prog="./run uninstall")
    gone.add_argument("part", choices=[part.value for part in Part])
    _common(gone)
    recover = verbs.add_parser("recover")
    recover.add_argument("--boot", action="store_true")
    _common(recover)
    asked = parser.parse_args(arguments)
    if asked.verb == Part.COLLECTOR and asked.enrolment:
        parser.error("--enrolment is a node's: a collector makes such files, with `soakledger enrol`.")
    if asked.verb == Part.NODE and asked.enrolment and not asked.enrolment.is_file():
        parser.error(
            f"{asked.enrolment} is no file. Copy it from the collector, where `soakledger enrol` made it; once it "
            "was taken in it is gone, and needed no more."
        )
    return asked


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--root", type=Path, default=Path("/"), metavar="DIR", help="put everything below DIR, without "
                        "users and services")  # fmt: skip


@contextmanager
def _alone(places: Places, *, refuses: bool) -> Iterator[bool]:
    """Whether nobody else is at it: two at once would undo each other's work.

    An upgrade starts services that ask for `recover` first; there is nothing to settle while it is alive.

    Raises:
        InstallError: Somebody is, and that is refused.
    """
    places.opt.mkdir(parents=True, exist_ok=True)
    with places.lock.open("w") as lock:
        os.fchmod(lock.fileno(), 0o600)  # whoever may open it may hold it, and keep an upgrade from being settled
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if refuses:
                raise InstallError("Another installation is running on this machine. Wait for its end.") from None
            yield False
        else:
            yield True


if __name__ == "__main__":
    sys.exit(main())
