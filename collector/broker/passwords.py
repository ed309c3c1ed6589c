"""The broker's file of logins: one line each, the password only as Mosquitto's own tool hashes it (PBKDF2, SHA-512)."""

from __future__ import annotations

import secrets
import shutil
import subprocess
import tempfile
from pathlib import Path

from collector.errors import BrokerError

_RANDOM_BYTES = 32
"""256 bits: nobody types it, so it need not be short, and no number of guesses is enough."""

_TOOL = "mosquitto_passwd"
_PATIENCE_S = 30


def new_password() -> str:
    """A random one, letters that need no quoting anywhere."""
    return secrets.token_urlsafe(_RANDOM_BYTES)


def logins(content: str) -> dict[str, str]:
    """Each login with its hashed password, as the file says."""
    pairs = (line.partition(":") for line in content.splitlines() if ":" in line)
    return {login: hashed for login, _, hashed in pairs}


def text(known: dict[str, str]) -> str:
    """The file's content, in alphabetical order."""
    return "".join(f"{login}:{hashed}\n" for login, hashed in sorted(known.items()))


def hashed(login: str, password: str) -> str:
    """A password as the broker keeps it.

    Mosquitto's tool does it, in a folder of our own: on a command line every user of the machine could read it.

    Raises:
        BrokerError: The tool is not there, or fails.
    """
    tool = shutil.which(_TOOL)
    if tool is None:
        raise BrokerError(f"{_TOOL} is not there. Install the broker: apt install mosquitto")
    with tempfile.TemporaryDirectory(prefix="soakledger-") as folder:  # for its owner alone
        file = Path(folder) / "login"
        file.write_text(f"{login}:{password}\n", encoding="ascii")
        done = subprocess.run([tool, "-U", str(file)], capture_output=True, timeout=_PATIENCE_S, check=False)
        found = logins(file.read_text(encoding="ascii")).get(login, "")
    if done.returncode or not found.startswith("$7$") or password in found:
        said = done.stderr.decode(errors="replace").strip() or f"exit status {done.returncode}"
        raise BrokerError(f"{_TOOL} did not hash the password ({said}). Is it Mosquitto 2.0 or newer?")
    return found
