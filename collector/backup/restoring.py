"""Putting a backup back: onto a folder with nothing in it, and verified again there."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from collector.backup import manifest as manifests
from collector.backup.manifest import Manifest
from collector.backup.proving import wrong_with_data
from collector.errors import DataError
from collector.schema import FILE_NAME


def restore(
    backup: Path, data_dir: Path, *, processes: int = 1, say: Callable[[str], None] = lambda _line: None
) -> Manifest:
    """Make a data folder from a backup. The backup is only read.

    A collector started on it notices by the nodes' receipts whether anything is newer than the backup, and begins a new
    epoch then: nodes send again what they still hold.

    Args:
        backup: The backup's folder.
        data_dir: Where the data are to be; it must not exist, or be empty.
        processes: How many open pages side by side.
        say: Told how it goes.

    Returns:
        What was restored.

    Raises:
        DataError: The backup is damaged, of a newer version, or there is something in the folder; nothing was made.
    """
    manifest = manifests.read(backup)
    data_dir = _place(data_dir, backup)
    if found := manifests.differing(backup, manifest):
        raise DataError(f"{backup} is damaged: {found} Nothing was restored. Use another backup.")
    say("every file of the backup is as it was written")
    unfinished = data_dir.with_name(f".restoring-{data_dir.name}")
    try:
        shutil.rmtree(unfinished, ignore_errors=True)
        unfinished.mkdir(mode=0o700, parents=True)
        for name in manifest.files:
            target = unfinished / name
            target.parent.mkdir(mode=0o700, exist_ok=True)
            shutil.copyfile(backup / name, target)
            target.chmod(0o600)
            with target.open("rb") as file:
                os.fsync(file.fileno())
    except BaseException as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        if isinstance(error, OSError):
            raise _not_made(data_dir, error) from None
        raise
    say("it is copied; now it is verified there")
    try:
        found = wrong_with_data(unfinished, manifest, processes=processes, say=say)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    if found:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise DataError(f"What was restored does not hold: {found} It was taken away again. Use another backup.")
    try:
        for left in unfinished.glob(f"{FILE_NAME}-*"):  # of the look at it
            left.unlink()
        if data_dir.exists():
            data_dir.rmdir()
        unfinished.rename(data_dir)
    except OSError as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise _not_made(data_dir, error) from None
    return manifest


def _not_made(data_dir: Path, error: OSError) -> DataError:
    return DataError(
        f"{data_dir} cannot be made ({error.strerror or error}). Nothing was restored. Look at the owner and free "
        "space of the folder above it, then run this again."
    )


def _place(data_dir: Path, backup: Path) -> Path:
    """Where the data are to be, by its whole name; where a link leads, for the link itself stays.

    Raises:
        DataError: It cannot be there.
    """
    try:
        place = data_dir.resolve()
        _refuse_anything_in(place)
        within = backup.resolve() in (place, *place.parents)
    except (OSError, RuntimeError) as error:  # RuntimeError: links that lead to each other
        why = error.strerror if isinstance(error, OSError) else error
        raise DataError(f"{data_dir} cannot be looked at ({why}). Nothing was restored. Name another folder.") from None
    if within:
        raise DataError(
            f"{place} lies inside the backup, which must stay as it is. Nothing was restored. Name another folder."
        )
    if place.is_mount():
        raise DataError(
            f"{place} is where a disk is mounted, and data come as a folder of their own. Nothing was restored. Name a "
            f"folder on that disk, such as {place / 'data'}."
        )
    return place


def _refuse_anything_in(data_dir: Path) -> None:
    if data_dir.exists() and (not data_dir.is_dir() or any(data_dir.iterdir())):
        raise DataError(
            f"{data_dir} is there and not empty. Nothing was changed: a restore never writes over data. Name an empty "
            "folder, or move this one away first and keep it."
        )
