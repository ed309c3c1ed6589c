"""What a backup says of itself, in `manifest.json` beside its files."""

from __future__ import annotations

import datetime
import hashlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import msgspec

from collector.errors import DataError
from soak.decoding import from_json

FORMAT = 1
NAME = "manifest.json"
UNFINISHED = ".unfinished-"
_PREFIX = "soakledger-"
_NAMED = re.compile(rf"{_PREFIX}\d{{8}}T\d{{9}}Z")
_BLOCK_BYTES = 1 << 20
_Count = Annotated[int, msgspec.Meta(ge=0)]
_Moment = Annotated[int, msgspec.Meta(ge=0, le=250_000_000_000_000)]
"""Up to about the year 9892: calendars end with 9999."""
_Sha256 = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}$")]


class KeptFile(msgspec.Struct, frozen=True):
    """One file of a backup."""

    bytes: _Count
    sha256: _Sha256


class Manifest(msgspec.Struct, frozen=True):
    """What is in a backup.

    Attributes:
        format: How this manifest is written.
        made_ms: When its database was copied, milliseconds since 1970.
        software: What made it.
        site: The site's name, for people.
        ledger: The ledger's id.
        records: How many records its ledger has.
        hash: Of the last of them.
        keep_until: Last day of the site's retention of what was recorded that day; a backup is the only copy of it if
            the collector's disk fails.
        files: By path inside the backup.
    """

    format: int
    made_ms: _Moment
    software: str
    site: str
    ledger: str
    records: _Count
    hash: _Sha256
    keep_until: str
    files: dict[str, KeptFile]


class _Written(msgspec.Struct):
    """The part of a manifest that every version can read."""

    format: int


def name_of(made_ms: int) -> str:
    """The name of a backup's folder, by its moment in UTC."""
    moment = datetime.datetime.fromtimestamp(made_ms // 1000, datetime.UTC)
    return f"{_PREFIX}{moment:%Y%m%dT%H%M%S}{made_ms % 1000:03d}Z"


def backups(folder: Path) -> list[Path]:
    """The finished backups in a folder, oldest first.

    Raises:
        DataError: The folder cannot be read.
    """
    try:
        if not folder.is_dir():
            return []
        return sorted(each for each in folder.iterdir() if _NAMED.fullmatch(each.name) and each.is_dir())
    except OSError as error:
        raise DataError(
            f"{folder} cannot be read ({error.strerror or error}). Look at its name and its owner."
        ) from None


def of_file(path: Path) -> KeptFile:
    """Size and digest of a file, read from the disk and not from memory as far as the system can."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
            size += len(block)
    return KeptFile(size, digest.hexdigest())


def files_in(backup: Path) -> Iterator[tuple[str, Path]]:
    """Every file of a backup but the manifest, with its path inside."""
    for path in sorted(backup.rglob("*")):
        if path.is_file() and path != backup / NAME:
            yield path.relative_to(backup).as_posix(), path


def write(backup: Path, manifest: Manifest) -> None:
    """Write it beside the files."""
    (backup / NAME).write_bytes(msgspec.json.format(msgspec.json.encode(manifest, order="deterministic"), indent=2))


def read(backup: Path) -> Manifest:
    """Read it.

    Raises:
        DataError: It is missing or unreadable, or of a newer version.
    """
    path = backup / NAME
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DataError(
            f"{backup} is no finished backup: {NAME} in it cannot be read ({error.strerror}). Name the folder of a "
            "backup; `soakledger backup --list` shows them."
        ) from None
    try:
        written = from_json(content, _Written).format
        if written > FORMAT:
            raise DataError(
                f"{backup} was written by a newer version of this program (format {written}). It was left as it is. "
                "Restore it with that version or a newer one."
            )
        return from_json(content, Manifest)
    except msgspec.DecodeError as error:
        raise DataError(
            f"{path} cannot be understood ({error}): the backup is damaged or was cut short. Use another backup."
        ) from None


def differing(backup: Path, manifest: Manifest) -> str:
    """The first file that is not as the manifest says; empty if all are."""
    there = dict(files_in(backup))
    for name, kept in manifest.files.items():
        if name not in there:
            return f"{name} is missing."
        try:
            found = of_file(there[name])
        except OSError as error:
            return f"{name} cannot be read ({error.strerror or error})."
        if found != kept:
            how = f"has {found.bytes} bytes instead of {kept.bytes}" if found.bytes != kept.bytes else "was changed"
            return f"{name} {how}."
    return "".join(f"{name} does not belong to it." for name in sorted(set(there) - set(manifest.files))[:1])
