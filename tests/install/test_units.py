"""The units are what systemd takes, and as closed as they can be."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from install.places import STARTED, UNITS, Part, units_of

ROOT = Path(__file__).parent.parent.parent
FOLDER = ROOT / "install/units"
SERVICES = sorted(FOLDER.glob("*.service"))
MOST_EXPOSED = 3.0
ANALYZE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(
    ANALYZE is None,
    reason="NOT CHECKED: systemd-analyze is missing, so nothing was said about the units (apt: systemd)",
)


def settings(unit: Path) -> dict[str, list[str]]:
    """What a unit sets, by key."""
    found: dict[str, list[str]] = {}
    for line in unit.read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


@needs_systemd
@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.name)
def test_little_is_exposed(unit: Path) -> None:
    command = (
        str(ANALYZE),
        "security",
        "--offline=true",
        "--no-pager",
        f"--threshold={MOST_EXPOSED * 10:.0f}",
        str(unit),
    )
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    level = re.search(r"Overall exposure level for \S+: ([0-9.]+)", run.stdout)
    assert level, run.stderr
    assert float(level[1]) < MOST_EXPOSED, run.stdout


@needs_systemd
def test_systemd_understands_every_line(tmp_path: Path) -> None:
    for unit in FOLDER.iterdir():
        text = unit.read_text().replace("/opt/soakledger/current/venv/bin/soakledger", "/bin/true")
        (tmp_path / unit.name).write_text(text.replace("/usr/bin/python3", "/bin/true"))
    command = (str(ANALYZE), "verify", "--recursive-errors=no", "--man=no", *map(str, sorted(tmp_path.iterdir())))
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (run.stdout, run.stderr, run.returncode) == ("", "", 0)


def test_every_unit_belongs_to_a_part() -> None:
    assert sorted(units_of(tuple(Part))) == sorted(path.name for path in FOLDER.iterdir())
    for part in Part:
        assert set(STARTED[part]) <= set(UNITS[part])
        for unit in STARTED[part]:
            assert "WantedBy" in settings(FOLDER / unit)


@pytest.mark.parametrize("name", ["node", "collector", "dashboard"])
def test_what_hangs_is_started_again_and_what_is_wrongly_set_is_not(name: str) -> None:
    unit = settings(FOLDER / f"soakledger-{name}.service")
    assert unit["Type"] == ["notify"]
    assert unit["Restart"] == ["always"]
    assert int(unit["WatchdogSec"][0]) >= 60
    assert int(unit["RestartSec"][0]) >= 5
    assert unit["User"] == ["soakledger"]
    assert not any(value.endswith("recover.service") for value in unit.get("Before", []))
    assert "soakledger-recover.service" in unit["After"][0]


def test_the_node_sees_its_pins_and_its_clock() -> None:
    """What would hide them must not come in with the next hardening."""
    unit = settings(FOLDER / "soakledger-node.service")
    assert unit["DeviceAllow"] == ["char-gpiochip rw"]
    assert unit["SupplementaryGroups"] == ["gpio"]
    assert unit["RuntimeDirectory"] == ["soakledger-node"]
    assert "LG_WD=/run/soakledger-node" in unit["Environment"][0]
    assert not {"PrivateDevices", "ProtectClock", "ProcSubset", "PrivateNetwork"} & unit.keys()
    assert "adjtimex" in unit["SystemCallFilter"][0]


def test_data_are_not_used_before_a_cut_off_upgrade_is_settled() -> None:
    for name in ("collector", "dashboard"):
        assert settings(FOLDER / f"soakledger-{name}.service")["Requires"] == ["soakledger-recover.service"]
    recover = settings(FOLDER / "soakledger-recover.service")
    assert recover["ConditionPathExists"] == ["/opt/soakledger/upgrade.json"]
    assert recover["WorkingDirectory"] == ["/opt/soakledger/recovering"]
