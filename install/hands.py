"""Everything that the installer does to a machine: each deed whole or not at all, on the disk when it returns."""

from __future__ import annotations

import ctypes
import grp
import os
import pwd
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from install.errors import InstallError
from install.steps import File, Folder, Gone, Link, Own, Owned, Run, Step

_PR_SET_PDEATHSIG = 1
_LINES = 12  # of a failed command: enough to see why


def say(text: str) -> None:
    """Tell the person; whoever has lost the terminal must not end an upgrade by it."""
    with suppress(OSError, ValueError):
        print(text, file=sys.stderr, flush=True)


class Hands:
    """Does steps.

    Args:
        accounts: Users exist and matter: on this machine itself, not below another root.
    """

    def __init__(self, *, accounts: bool) -> None:
        self._accounts = accounts

    def do(self, steps: Iterable[Step]) -> None:
        """Do them in order.

        Raises:
            InstallError: A command failed.
            OSError: The disk refused; what was there before is still there.
        """
        for step in steps:
            match step:
                case Folder():
                    self.folder(step)
                case File():
                    self.file(step)
                case Own():
                    self.own(step)
                case Link():
                    self.link(step)
                case Gone():
                    self.remove(step.path)
                case Run():
                    self.run(step)

    def folder(self, step: Folder) -> None:
        """Make it if it is not there; give it owner and mode."""
        step.path.mkdir(parents=True, exist_ok=True)
        try:  # not through a link: whoever may write beside could have root give them any folder
            handle = os.open(step.path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        except NotADirectoryError:
            raise InstallError(f"{step.path} is a link or a file. Move it away, then run this again.") from None
        try:
            self._own(handle, step.owned)
            os.fchmod(handle, step.owned.mode)
        finally:
            os.close(handle)

    def file(self, step: File) -> None:
        """Write beside it, then put it in its place."""
        step.path.parent.mkdir(parents=True, exist_ok=True)
        part = step.path.with_name(f".{step.path.name}.part")
        part.unlink(missing_ok=True)
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(step.content)
            file.flush()
            self._own(file.fileno(), step.owned)
            os.fchmod(file.fileno(), step.owned.mode)
            os.fsync(file.fileno())
        part.replace(step.path)
        flush_folder(step.path.parent)

    def own(self, step: Own) -> None:
        """Give a file owner and mode."""
        handle = os.open(step.path, os.O_RDONLY)
        try:
            self._own(handle, step.owned)
            os.fchmod(handle, step.owned.mode)
        finally:
            os.close(handle)

    def link(self, step: Link) -> None:
        """Make it beside, then put it in its place: there is never none."""
        step.path.parent.mkdir(parents=True, exist_ok=True)
        part = step.path.with_name(f".{step.path.name}.part")
        part.unlink(missing_ok=True)
        part.symlink_to(step.target)
        part.replace(step.path)
        flush_folder(step.path.parent)

    def rename(self, path: Path, to: Path) -> None:
        """Give something another name beside."""
        path.rename(to)
        flush_folder(to.parent)

    def remove(self, path: Path) -> None:
        """A file or link; it may be gone already."""
        if path.is_symlink() or path.exists():
            path.unlink()
            flush_folder(path.parent)

    def remove_tree(self, path: Path) -> None:
        """A folder with all that is in it."""
        shutil.rmtree(path, ignore_errors=True)

    def run(self, step: Run, environment: Mapping[str, str] | None = None, *, ok: tuple[int, ...] = (0,)) -> str:
        """Run a command to its end. A Ctrl-C at the terminal does not reach it.

        Returns:
            What it wrote to its standard output.

        Raises:
            InstallError: It could not be started, or ended with another status than `ok`.
        """
        owner = step.user if self._accounts else None
        account = pwd.getpwnam(owner) if owner else None
        groups = os.getgrouplist(owner, account.pw_gid) if owner and account else None
        try:
            done = subprocess.run(
                step.argv,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                errors="replace",
                check=False,
                cwd="/",
                env=dict(environment) if environment is not None else clean_environment(),
                start_new_session=True,
                user=account.pw_uid if account else None,
                group=account.pw_gid if account else None,
                extra_groups=groups,
                preexec_fn=_end_with_installer,
            )
        except OSError as error:
            raise InstallError(f"{step.why} failed: {step.argv[0]} cannot be run ({error.strerror}).") from None
        if done.returncode not in ok:
            said = (done.stderr.strip() or done.stdout.strip() or f"exit status {done.returncode}").splitlines()
            raise InstallError(f"{step.why} failed: " + "\n".join(said[-_LINES:]))
        return done.stdout

    def _own(self, handle: int, owned: Owned) -> None:
        if self._accounts:
            os.fchown(handle, pwd.getpwnam(owned.user).pw_uid, grp.getgrnam(owned.group).gr_gid)


def _end_with_installer() -> None:
    """Nothing goes on working on data that the next installer settles: killed with whoever started it (prctl(2))."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def clean_environment() -> dict[str, str]:
    """Nothing of the caller's shell that could change what a command does."""
    return {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8", "HOME": "/"}


def flush_folder(path: Path) -> None:
    """Onto the disk: a power cut leaves the old name or the new one."""
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
