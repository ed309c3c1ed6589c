"""Whether the node runs, without disturbing it: by the lock on its outbox, and by what systemd says of its service."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from firmware.errors import FirmwareError
from firmware.outbox_file import FILE_NAME
from host.doctor import AS_ADMINISTRATOR, Found, Mark

SERVICE = "soakledger-node"
STOP = f"sudo systemctl stop {SERVICE}"
START = f"sudo systemctl start {SERVICE}"
_LOCKS = Path("/proc/locks")
_SYSTEMD = Path("/run/systemd/system")


class RunningError(FirmwareError):
    """The node runs, and holds the pins and the sensors."""

    exit_code = 5


def lock_file(data: Path) -> Path:
    """What a running node holds locked."""
    return (data / FILE_NAME).with_suffix(".lock")


def runs(data: Path, locks: Path = _LOCKS) -> bool | None:
    """Whether a node holds its outbox locked, from the kernel's list of locks (proc_locks(5)); None: not seen.

    The lock itself is not touched: a node that starts at that moment would be refused it.
    """
    try:
        inode = lock_file(data).stat().st_ino
    except FileNotFoundError:
        return False
    except OSError:
        return None
    try:
        lines = locks.read_text().splitlines()
    except OSError:
        return None
    return any(
        "FLOCK" in words and any(word.count(":") == 2 and word.rpartition(":")[2] == str(inode) for word in words)
        for words in map(str.split, lines)
    )


@contextmanager
def keep_node_away(data: Path) -> Iterator[None]:
    """No node starts on this data folder meanwhile.

    Raises:
        RunningError: One runs.
    """
    try:
        held = os.open(lock_file(data), os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:  # none has ever run: making the file would make it the administrator's
        yield
        return
    except OSError as error:
        said = f"{lock_file(data)} cannot be opened ({error.strerror})."
        raise RunningError(f"{said} Run this as the administrator: `sudo soakledger commission`.") from error
    try:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise RunningError(
                "The node runs: it holds the pins and the sensors. Nothing is in a basin? Then stop it with "
                f"`{STOP}`, run this again, and start it afterwards with `{START}`."
            ) from None
        yield
    finally:
        os.close(held)


def look_at_service() -> str:
    """What `systemctl is-active` says of the node's service; empty where there is no systemd."""
    program = shutil.which("systemctl")
    if program is None or not _SYSTEMD.is_dir():
        return ""
    try:
        told = subprocess.run(
            [program, "is-active", f"{SERVICE}.service"], capture_output=True, text=True, timeout=10, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return told.stdout.strip()


def judge_service(word: str, running: bool | None) -> Found:
    """What systemd and the lock say together."""
    if word == "active" or (not word and running):
        return Found("service", Mark.GOOD, "the node runs.")
    if running:
        said = f"the node runs, but not as a service (systemd says {word})."
        todo = f"If nobody tries it out by hand, end that and start the service: `{START}`."
        return Found("service", Mark.NOTE, said, todo)
    if word == "failed":
        todo = f"Read why with `journalctl -u {SERVICE} -n 50`, mend that, then `{START}`."
        return Found("service", Mark.WRONG, "it has failed: no basin is watched.", todo)
    if word == "activating":
        todo = f"If this stays so, read why with `journalctl -u {SERVICE} -n 50`."
        return Found("service", Mark.NOTE, "it starts, or starts again and again.", todo)
    if not word and running is None:
        return Found("service", Mark.UNKNOWN, "whether the node runs cannot be seen.", AS_ADMINISTRATOR)
    return Found("service", Mark.WRONG, "the node does not run: no basin is watched.", f"Start it: `{START}`.")
