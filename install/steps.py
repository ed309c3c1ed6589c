"""What is to be done to a machine, as data: a plan is a list of these, printed by --dry-run or done by `hands.py`."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple


class Owned(NamedTuple):
    """Whose a file or folder is.

    Attributes:
        user: Its owner.
        group: Its group.
        mode: Its permissions.
    """

    user: str
    group: str
    mode: int

    def __str__(self) -> str:
        return f"{self.user}:{self.group} {self.mode:04o}"


ROOTS = Owned("root", "root", 0o755)
ROOTS_FILE = Owned("root", "root", 0o644)


class Folder(NamedTuple):
    """A folder; there already, it gets its owner and mode, and what is in it stays."""

    path: Path
    owned: Owned

    def __str__(self) -> str:
        return f"folder   {self.path}  {self.owned}"


class File(NamedTuple):
    """A file with this content, whole or not at all."""

    path: Path
    content: bytes
    owned: Owned

    def __str__(self) -> str:
        return f"file     {self.path}  {self.owned}  {len(self.content)} bytes"


class Own(NamedTuple):
    """A file that is there gets its owner and mode, whoever put it there; what is in it stays."""

    path: Path
    owned: Owned

    def __str__(self) -> str:
        return f"owner    {self.path}  {self.owned}"


class Link(NamedTuple):
    """A symbolic link, changed in one step."""

    path: Path
    target: str

    def __str__(self) -> str:
        return f"link     {self.path} -> {self.target}"


class Gone(NamedTuple):
    """A file or link that must not be there."""

    path: Path

    def __str__(self) -> str:
        return f"remove   {self.path}"


class Run(NamedTuple):
    """A command.

    Attributes:
        argv: Program and arguments.
        why: What it is for: "Setting up the broker".
        user: Who runs it; None: root.
    """

    argv: tuple[str, ...]
    why: str
    user: str | None = None

    def __str__(self) -> str:
        as_user = f"  as {self.user}" if self.user else ""
        return f"run      {' '.join(self.argv)}{as_user}"


Step = Folder | File | Own | Link | Gone | Run
