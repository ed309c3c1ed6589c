"""This software's version, as it is installed."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as version_of


def software_version() -> str:
    """This software's version; empty in a checkout that is not installed."""
    try:
        return version_of("soakledger")
    except PackageNotFoundError:
        return ""
