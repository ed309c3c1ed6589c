"""Writing a paper to a file that somebody names on the command line."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from collector.asking import fail

_BAD_INPUT = 2


def written(command: str, path: Path, write: Callable[[BinaryIO], object]) -> None:
    """A file is there whole or not at all, none is written over, and only its owner reads it: papers name people.

    It is opened before anything is issued, so that no issue stands on record for a folder that is not there.

    Args:
        command: Whose, for what is said.
        path: The file.
        write: Writes it; where it ends the command by `SystemExit`, what was written stays.
    """
    if _there(path):
        fail(command, f"{path} is there already. Name another file: papers are not written over.", _BAD_INPUT)
    part = path.with_name(f".{path.name}.part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600), "wb") as file:
            try:
                write(file)
            except SystemExit:
                _kept(part, path, file)
                raise
            _kept(part, path, file)
    except OSError as error:
        fail(command, f"{path} cannot be written ({error.strerror}). Name a folder that has room.", _BAD_INPUT)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _there(path: Path) -> bool:
    """A name that no disk takes is said when it is written."""
    try:
        return path.exists()
    except OSError:
        return False


def _kept(part: Path, path: Path, file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())
    part.rename(path)
