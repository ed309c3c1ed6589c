"""Gives a node its login at the broker and ends it; neither is said to be so before the broker itself has shown it."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import NamedTuple

from collector.broker import passwords
from collector.broker.authority import ALWAYS, checked_names
from collector.broker.place import BROKERS_GROUP, Place, Setup
from collector.broker.telling import Answer, ask, becomes, tell
from collector.errors import BrokerError
from host.enrolment import COLLECTOR, Enrolment, node_name
from host.private_file import FOR_A_GROUP, PRIVATE, write_private


class Proof(enum.Enum):
    """What the broker made of a change."""

    SHOWN = enum.auto()
    NOT_RUNNING = enum.auto()
    NOT_SHOWN = enum.auto()


class Shown(NamedTuple):
    """The same with what it said."""

    proof: Proof
    said: str = ""


class Enrolled(NamedTuple):
    """A node was enrolled.

    Attributes:
        again: It had a login before, which ended.
        shown: What the broker made of it.
    """

    again: bool
    shown: Shown


def checked_node(node: str) -> str:
    """A name that a node may have.

    Raises:
        BrokerError: It may not.
    """
    try:
        return node_name(node)
    except ValueError as error:
        raise BrokerError(f"{error} It must be the same as `node` in the node's settings.") from None


def checked_host(setup: Setup, host: str | None) -> str:
    """What a node is to call this machine: a name that the broker's certificate has, or the node would not believe it.

    Raises:
        BrokerError: It has no such name.
    """
    if host is None:
        return setup.names[0]
    (name,) = checked_names([host])
    if name not in (*setup.names, *ALWAYS):
        raise BrokerError(
            f"The broker's certificate is not for {name}: no node would believe it. Names it has: "
            f"{', '.join(setup.names)}. Run `soakledger broker-setup` first, with --name for each of these and {name}."
        )
    return name


def read_logins(place: Place) -> dict[str, str]:
    """Everybody who has a login.

    Raises:
        OSError: The file cannot be read.
        BrokerError: Somebody has written something else into it.
    """
    try:
        return passwords.logins(place.passwords.read_text(encoding="ascii"))
    except FileNotFoundError:
        return {}
    except UnicodeDecodeError:
        raise BrokerError(
            f"{place.passwords} is no longer what was written there: it holds characters that no login has. Put it "
            "back from a copy; or take it away, run `soakledger broker-setup`, and enrol every node again."
        ) from None


def keep_logins(place: Place, known: dict[str, str]) -> None:
    """For the broker to read.

    Raises:
        OSError: They cannot be written.
    """
    write_private(place.passwords, passwords.text(known), FOR_A_GROUP, BROKERS_GROUP)


def enrol(place: Place, node: str, out: Path, host: str | None = None) -> Enrolled:
    """Give a node a new password; one that it had before ends.

    Args:
        place: Where the broker's files are.
        node: Its name.
        out: Enrolment file to write, for its owner alone.
        host: What the node is to call this machine; else the first name of the setting up.

    Raises:
        BrokerError: The name cannot be, nothing is set up here, or a file cannot be written.
    """
    checked_node(node)
    setup = place.setup()
    host = checked_host(setup, host)
    if not out.absolute().parent.is_dir():
        raise BrokerError(
            f"There is no folder {out.absolute().parent} for the enrolment file. Name another with --out."
        )
    with place.alone():
        known, password = read_logins(place), passwords.new_password()
        hashed = passwords.hashed(node, password)
        enrolment = Enrolment(node, host, setup.port, node, password, place.ca.read_text(encoding="ascii"))
        write_private(out, enrolment.text(), PRIVATE)  # first: what nobody was given lets nobody in
        keep_logins(place, known | {node: hashed})
        return Enrolled(node in known, _shown(place, setup, node, password, accepted=True))


def revoke(place: Place, node: str) -> Shown:
    """End a node's login at once; the broker throws the node out if it is connected.

    The old password is nobody's here to try. So the login first gets another one, which the broker lets in: it has
    read the file, and the old one is over. Then the login goes, and what was let in a moment ago must be refused.

    Raises:
        BrokerError: It has no login, nothing is set up here, or a file cannot be written.
    """
    setup = place.setup()
    with place.alone():
        known = read_logins(place)
        if node not in known or node == COLLECTOR:
            nodes = ", ".join(sorted(set(known) - {COLLECTOR})) or "none"
            raise BrokerError(f"No node {node!r} has a login. Nodes with one: {nodes}.")
        probe = passwords.new_password()
        try:
            keep_logins(place, known | {node: passwords.hashed(node, probe)})
            replaced = _shown(place, setup, node, probe, accepted=True)
        finally:
            keep_logins(place, {login: hashed for login, hashed in known.items() if login != node})
        gone = _shown(place, setup, node, probe, accepted=False)
        return gone if replaced.proof is Proof.SHOWN else replaced


def prove(place: Place, setup: Setup, login: str, password: str) -> Shown:
    """Have the broker read its files, and see that it lets this login in."""
    return _shown(place, setup, login, password, accepted=True)


def _shown(place: Place, setup: Setup, login: str, password: str, *, accepted: bool) -> Shown:
    told, answers = tell(setup), [Answer(False)]

    def as_wanted() -> bool:
        answers.append(ask(place, setup, login, password))
        return answers[-1].accepted if accepted else answers[-1].refused

    if not told:
        answer = ask(place, setup, login, password)
        if not answer.accepted and not answer.refused:
            return Shown(Proof.NOT_RUNNING, answer.said)
        return Shown(Proof.NOT_SHOWN, f"It runs, but {setup.pid_file} does not name it, so that it could not be told.")
    if becomes(as_wanted):
        return Shown(Proof.SHOWN)
    return Shown(Proof.NOT_SHOWN, answers[-1].said or "It still lets the login in.")
