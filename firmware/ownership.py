"""Who owns what an administrator writes for the node: the node's own user, who must read it."""

from __future__ import annotations

import os
from pathlib import Path


def give_to_folders_owner(path: Path) -> None:
    """Let something belong to whom the folder around it belongs, where an administrator has made it.

    Raises:
        OSError: It cannot be given away.
    """
    if os.geteuid() == 0:
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def own_folder(folder: Path) -> None:
    """Make a private folder for the owner of the one that it lies in, unless it is there.

    Raises:
        OSError: It cannot be made.
    """
    if not folder.is_dir():
        folder.mkdir(mode=0o700, parents=True)
        give_to_folders_owner(folder)
