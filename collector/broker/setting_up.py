"""Sets the broker up: authority, certificates, rules, settings, the collector's login. It may be done again."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import NamedTuple

from collector.broker import access, certificates, conf, passwords
from collector.broker.authority import checked_names
from collector.broker.closing import close
from collector.broker.enrolling import Shown, keep_logins, prove, read_logins
from collector.broker.place import BROKERS_GROUP, Place, Setup
from collector.broker.telling import tell
from collector.errors import BrokerError
from host.enrolment import COLLECTOR
from host.private_file import FOR_A_GROUP, FOR_ALL, OUR_GROUP, set_rights, write_private

_PROBE = "_setup"
"""No node can be called so, and the rules let it say and hear nothing."""


class Done(NamedTuple):
    """What came of it.

    Attributes:
        setup: As it is now.
        new_authority: There was none.
        renewed: Servers with a new certificate, each with why.
        conf: The broker's settings file.
        restart: The settings changed, which only a restart takes in.
        shown: Whether the broker works by what was written; None where a restart must come first.
    """

    setup: Setup
    new_authority: bool
    renewed: dict[str, str]
    conf: Path
    restart: bool
    shown: Shown | None


def set_up(place: Place, mosquitto: Path, wanted: Setup, now: datetime.datetime) -> Done:
    """Write whatever is missing or no longer as it should be.

    Args:
        place: Where.
        mosquitto: Mosquitto's own folder, /etc/mosquitto.
        wanted: Names, port and the file of the process id.
        now: When.

    Raises:
        BrokerError: A name is none, a file cannot be written, Mosquitto is not there.
    """
    folder = mosquitto.absolute() / "conf.d"
    if not folder.is_dir():
        raise BrokerError(
            f"There is no folder {folder}. Install the broker, apt install mosquitto, or name its folder with "
            "--mosquitto."
        )
    setup = Setup(checked_names(wanted.names), wanted.port, wanted.pid_file)
    place.make()
    with place.alone():
        close(place)
        new_authority = certificates.make_authority(place, now)
        certificates.write_bundle(place)
        place.keep_setup(setup)
        renewed = certificates.renew(place, setup.names, now)
        certificates.set_all_rights(place)
        _write(place.acl, access.acl(), FOR_A_GROUP, BROKERS_GROUP)
        password = _collectors_password(place)
        logins = read_logins(place) | {COLLECTOR: passwords.hashed(COLLECTOR, password)}
        keep_logins(place, logins)
        file = folder / conf.FILE_NAME
        restart = _write(file, conf.conf(place, setup), FOR_ALL, None)
        shown = None if restart else _taken_in(place, setup, logins)
    return Done(setup, new_authority, renewed, file, restart, shown)


def _taken_in(place: Place, setup: Setup, logins: dict[str, str]) -> Shown:
    """Whether the broker reads what was written, by a login of the moment.

    The collector's own would throw out the collector and empty what waits for it: the broker keeps one connection, and
    one store of messages, for each login.
    """
    password = passwords.new_password()
    try:
        keep_logins(place, logins | {_PROBE: passwords.hashed(_PROBE, password)})
        return prove(place, setup, _PROBE, password)
    finally:
        keep_logins(place, logins)
        tell(setup)


def _collectors_password(place: Place) -> str:
    try:
        known = place.collector_password.read_text(encoding="ascii").strip()
    except (FileNotFoundError, UnicodeDecodeError):
        known = ""
    password = known or passwords.new_password()
    write_private(place.collector_password, f"{password}\n", FOR_A_GROUP, OUR_GROUP)
    return password


def _write(file: Path, content: str, mode: int, group: str | None) -> bool:
    """Write it if it is not so already; True if it was not."""
    if file.exists() and file.read_text(encoding="utf-8") == content:
        set_rights(file, mode, group)
        return False
    write_private(file, content, mode, group)
    return True
