"""Where everything is on an installed machine; the one list of folders, files and names."""

from __future__ import annotations

import enum
from pathlib import Path

USER = GROUP = "soakledger"
GPIO = "gpio"
"""Who may use the pins: there on Raspberry Pi OS, made on plain Debian."""

DATABASE = "soakledger.sqlite"
STATUS = "collector.status"


class Part(enum.StrEnum):
    """What a machine is for; it may be both."""

    NODE = "node"
    COLLECTOR = "collector"


EXTRA = {Part.NODE: "node", Part.COLLECTOR: "server"}
"""requirements/….txt of each part."""

SETTINGS = {Part.NODE: ("node.toml",), Part.COLLECTOR: ("collector.toml", "dashboard.toml")}
"""In /etc/soakledger, and as examples in install/examples; the first one decides whether the part is started."""

RECOVER = "soakledger-recover.service"
UNITS = {
    Part.NODE: ("soakledger-node.service",),
    Part.COLLECTOR: (
        "soakledger-collector.service",
        "soakledger-dashboard.service",
        "soakledger-certificates.service",
        "soakledger-certificates.timer",
    ),
}
STARTED = {
    Part.NODE: ("soakledger-node.service",),
    Part.COLLECTOR: ("soakledger-collector.service", "soakledger-dashboard.service", "soakledger-certificates.timer"),
}
"""Enabled and started, in this order."""

BROKER = "mosquitto.service"
UDEV_RULES = "60-soakledger.rules"


def units_of(parts: tuple[Part, ...]) -> tuple[str, ...]:
    """Every unit file of a machine with these parts."""
    return (RECOVER, *(unit for part in parts for unit in UNITS[part]))


def started_of(parts: tuple[Part, ...]) -> tuple[str, ...]:
    """What runs on a machine with these parts."""
    return tuple(unit for part in parts for unit in STARTED[part])


class Places:
    """Folders and files below a root.

    Args:
        root: "/" in earnest; another folder for tests and images.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.opt = root / "opt/soakledger"
        self.versions = self.opt / "versions"
        self.current = self.opt / "current"
        self.journal = self.opt / "upgrade.json"
        self.recovering = self.opt / "recovering"
        self.ballast = self.opt / "ballast"
        self.lock = self.opt / "install.lock"
        self.command = root / "usr/local/bin/soakledger"
        self.etc = root / "etc/soakledger"
        self.mosquitto = root / "etc/mosquitto"
        self.units = root / "etc/systemd/system"
        self.udev = root / "etc/udev/rules.d"
        self.var = root / "var/lib/soakledger"
        self.collector_data = self.var / "collector"
        self.node_data = self.var / "node"
        self.backups = self.var / "backups"
        self.database = self.collector_data / DATABASE
        self.status = self.collector_data / STATUS

    @property
    def earnest(self) -> bool:
        """This machine itself: with users and services."""
        return self.root == Path("/")

    def version(self, name: str) -> Path:
        """A version's folder."""
        return self.versions / name

    def soakledger(self, name: str) -> Path:
        """A version's command."""
        return self.version(name) / "venv/bin/soakledger"

    def current_name(self) -> str | None:
        """The version that `current` leads to; None where nothing is installed."""
        if not self.current.is_symlink():
            return None
        name = self.current.readlink().name
        return name if self.version(name).is_dir() else None
