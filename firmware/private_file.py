"""A small file of the node's own: written whole or not at all, on the disk when the call returns, for its owner."""

from __future__ import annotations

import os
from pathlib import Path


def write_private(file: Path, content: bytes, mode: int = 0o600) -> None:
    """Put `content` in the place of what is in `file`.

    An administrator who writes into the folder of the node's user leaves the file to that user, who must read it.

    Raises:
        OSError: It could not be written; what was in the file before is still in it.
    """
    draft = file.with_suffix(".new")
    with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, mode), "wb") as out:
        if os.geteuid() == 0:
            owner = (file if file.exists() else file.parent).stat()
            os.fchown(out.fileno(), owner.st_uid, owner.st_gid)
        os.fchmod(out.fileno(), mode)  # whatever a draft left behind had
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    draft.replace(file)
    folder = os.open(file.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def private_folder(folder: Path) -> None:
    """Make a folder for the owner of the one that it lies in, unless it is there.

    Raises:
        OSError: It cannot be made.
    """
    if folder.is_dir():
        return
    folder.mkdir(mode=0o700, parents=True)
    if os.geteuid() == 0:
        owner = folder.parent.stat()
        os.chown(folder, owner.st_uid, owner.st_gid)
