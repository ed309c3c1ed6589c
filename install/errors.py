"""What ends an installation with one clear line."""

from __future__ import annotations


class InstallError(Exception):
    """It cannot go on: the text says what happened, what it means here, what to do next."""

    exit_code = 1


class NotKeptError(InstallError):
    """An upgrade failed and the machine is as it was before."""

    exit_code = 3


class ByHandError(InstallError):
    """An upgrade failed at a point at which going back by itself could lose something: a person decides."""

    exit_code = 4
