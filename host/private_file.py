"""Files that not every user of the machine may read: private from their first byte, written whole or not at all."""

from __future__ import annotations

import grp
import os
import secrets
from contextlib import suppress
from pathlib import Path

PRIVATE = 0o600
FOR_A_GROUP = 0o640
FOR_ALL = 0o644

OUR_GROUP = "soakledger"
"""Of our services, and of the settings that they read, on an installed machine."""


def unread(error: OSError, todo: str) -> str:
    """Why a file cannot be read, and what to do: where only the rights are missing, nothing is wrong with the file.

    Args:
        error: What was raised.
        todo: What to do where it is not there, or cannot be read by anybody.
    """
    if isinstance(error, PermissionError):
        todo = "It is closed to this user: run this as the administrator, with sudo."
    return f"cannot be read ({error.strerror}). {todo}"


def write_private(file: Path, content: str | bytes, mode: int = PRIVATE, group: str | None = None) -> None:
    """Put `content` in the place of what is in `file`; when this returns it is on the disk.

    Args:
        file: The file; its folder exists.
        content: All of it.
        mode: What the file may have in the end; until its content is whole nobody but its owner reads it.
        group: Whom it belongs to besides its owner; where there is no such group, or only an administrator may
            give files away, it keeps the writer's.

    Raises:
        OSError: It could not be written; what was in the file before is still in it.
    """
    draft = file.with_name(f".{file.name}.{secrets.token_hex(4)}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
    try:
        with open(os.open(draft, flags, PRIVATE), "wb") as out:
            out.write(content.encode() if isinstance(content, str) else content)
            out.flush()
            if group is not None:
                give_to_group(out.fileno(), group)
            os.fchmod(out.fileno(), mode)
            os.fsync(out.fileno())
        draft.replace(file)
    except BaseException:
        with suppress(OSError):
            draft.unlink()
        raise
    flush_folder(file.parent)


def make_folder(folder: Path, mode: int, group: str | None = None) -> None:
    """A folder with this mode, also where it exists already; the folders above it are made as they come.

    Raises:
        OSError: It cannot be made, or is another user's.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    with suppress(FileExistsError):
        folder.mkdir(mode=PRIVATE | 0o100)
    if group is not None:
        give_to_group(folder, group)
    folder.chmod(mode)


def set_rights(file: Path, mode: int, group: str | None = None) -> None:
    """Give a file that is there the rights with which `write_private` would have written it: copying loses them.

    Raises:
        OSError: It is not there, or another user's.
    """
    with suppress(PermissionError):
        os.chown(file, os.geteuid(), -1)
    if group is not None:
        give_to_group(file, group)
    file.chmod(mode)


def give_to_group(file: int | Path, group: str) -> None:
    """Let a file belong to a group, as far as there is one and this user may do so."""
    with suppress(KeyError, PermissionError):
        os.chown(file, -1, grp.getgrnam(group).gr_gid)


def flush_folder(folder: Path) -> None:
    """Let the names in a folder reach the disk."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
