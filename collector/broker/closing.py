"""Closes keys that somebody put here, as with a copy of /etc/soakledger from another machine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from collector.broker.certificates import SERVERS
from collector.broker.place import BROKERS_GROUP, Place
from host.private_file import FOR_A_GROUP, PRIVATE, give_to_group


def close(place: Place) -> None:
    """Let each belong to this user and the group that reads it, and be closed to everybody else.

    A stick keeps neither modes nor owners, and users have other numbers on another machine. What is written anew at
    each setting up, passwords, needs none of it.

    Raises:
        OSError: It is another user's, and this one is no administrator.
    """
    for file, mode, group in _wanted(place):
        try:
            handle = os.open(file, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        except FileNotFoundError:
            continue
        try:
            os.fchmod(handle, mode)
            os.fchown(handle, os.geteuid(), -1)
            if group is not None:
                give_to_group(handle, group)
        finally:
            os.close(handle)


def _wanted(place: Place) -> Iterator[tuple[Path, int, str | None]]:
    for file in sorted(place.authority.glob("*.*")):
        yield file, PRIVATE, None
    for server, group in SERVERS.items():
        yield place.key(server), FOR_A_GROUP, group
    yield place.acl, FOR_A_GROUP, BROKERS_GROUP
