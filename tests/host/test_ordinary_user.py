"""An ordinary user at an installed machine: told to use sudo, never that something is wrong that they may not see."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

_AS_NOBODY = """
import encodings.ascii, encodings.idna, importlib, json, os, sys
from click.testing import CliRunner
from soakledger import COMMANDS
wanted = json.loads(sys.argv[1])
commands = {words[0]: importlib.import_module(COMMANDS[words[0]][0]).command for words in wanted}
import collector.doctor, firmware.doctor
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
results = [CliRunner().invoke(commands[words[0]], words[1:]) for words in wanted]
print(json.dumps([[each.exit_code, each.output, repr(each.exception)] for each in results]))
"""


@pytest.fixture
def installed() -> Iterator[tuple[Path, Path]]:
    """Folders that others may pass through but not look into, as on an installed machine."""
    folder = Path(tempfile.mkdtemp(prefix="soakledger-test-"))
    etc, var = folder / "etc", folder / "var"
    closed = []
    for file in ("node.toml", "collector.toml", "tls/ca.pem"):
        (etc / file).parent.mkdir(parents=True, exist_ok=True)
        (etc / file).write_text("x = 1\n")
        (etc / file).chmod(0)
    for private in (etc / "broker", etc / "authority", var / "node", var / "collector"):
        private.mkdir(parents=True)
        closed.append(private)
    (etc / "broker" / "setup.json").write_text('{"names": ["soakledger.test"]}')
    (folder / "dashboard.toml").write_text('certificate = "etc/broker/a.pem"\nkey = "etc/broker/a.key"\n')
    for private in closed:
        private.chmod(0)
    (folder / "dashboard.toml").chmod(0o444)
    for passed in (folder, var, etc):
        passed.chmod(0o111)
    yield etc, var
    for shut in (folder, etc, var, *closed):
        shut.chmod(0o700)
    shutil.rmtree(folder)


def test_an_ordinary_user_is_told_to_be_the_administrator(installed: tuple[Path, Path]) -> None:
    etc, var = installed
    at = ["--etc", str(etc)]
    wanted = [
        ["doctor", *at, "--var", str(var)],
        ["enrol", "room-3", *at],
        ["revoke", "room-3", *at],
        ["certificates", *at],
        ["broker-setup", "--name", "soakledger.test", *at],
        ["join", str(etc / "collector.toml"), *at],
        ["commission", "--settings", str(etc / "node.toml"), "--by", "Ada"],
        ["node", "--check", "--settings", str(etc / "node.toml")],
        ["collector", "--check", "--settings", str(etc / "collector.toml"), "--data", str(var / "collector")],
        ["dashboard", "--settings", str(etc.parent / "dashboard.toml"), "--data", str(var / "collector")],
    ]
    done = subprocess.run(
        [sys.executable, "-c", _AS_NOBODY, json.dumps(wanted)], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    for words, (code, text, raised) in zip(wanted, json.loads(done.stdout), strict=True):
        assert raised == f"SystemExit({code})", (words, raised, text)
        assert code != 0, words
        assert "sudo" in text, (words, text)
        assert "is not readable" not in text, (words, text)
    page = json.loads(done.stdout)[0][1]
    for line in page.splitlines():
        wrong = line.startswith("WRONG")
        assert not wrong or " clock:" in line, f"it was not seen, so it cannot be wrong: {line}"
