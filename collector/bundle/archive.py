"""A ZIP file written part by part, and read back.

Nothing in it depends on when or where it was packed: the same parts give the same bytes.
"""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from collections.abc import Iterable
from contextlib import nullcontext, suppress
from typing import IO, NamedTuple

import msgspec

MANIFEST = "manifest.json"
_AT_ONCE = 1 << 20
_EARLIEST = (1980, 1, 1, 0, 0, 0)
"""The earliest moment that a ZIP file can give; every entry has it."""

_PLAIN_FILE = 0o100600
"""A file that only its owner reads: there are names of people in it."""


class Part(NamedTuple):
    """A file of the bundle, as the manifest names it."""

    bytes: int
    sha256: str


class Archive:
    """Writes a bundle's files one after the other.

    Args:
        file: Where to; it can be written and searched.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self._zip = zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED)
        self.parts: dict[str, Part] = {}

    def add(self, path: str, chunks: Iterable[bytes], *, packed: bool = True) -> None:
        """Add a file.

        Args:
            path: Its path in the bundle.
            chunks: Its bytes, piece by piece.
            packed: Deflate it; not for what is packed already.
        """
        entry = zipfile.ZipInfo(path, _EARLIEST)
        entry.create_system = 3  # Unix, whatever this runs on
        entry.external_attr = _PLAIN_FILE << 16
        entry.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        digest, size = hashlib.sha256(), 0
        with self._zip.open(entry, "w", force_zip64=True) as out:
            for chunk in chunks:
                out.write(chunk)
                digest.update(chunk)
                size += len(chunk)
        self.parts[path] = Part(size, digest.hexdigest())

    def close(self) -> None:
        """Write the list of what is in it."""
        self._zip.close()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """Closed either way; what was being written when something went wrong is thrown away."""
        with suppress(OSError, ValueError) if kind else nullcontext():
            self.close()


class DamagedBundleError(ValueError):
    """What was written is not what can be read."""


def read_back(file: IO[bytes]) -> None:
    """Read a bundle whole: every checksum of the ZIP, and every digest of the manifest.

    Raises:
        DamagedBundleError: One does not hold.
        OSError: The file cannot be read.
    """
    try:
        with zipfile.ZipFile(file) as found:
            names = found.namelist()
            parts = {name: _measured(found, name) for name in names}
            manifest = msgspec.json.decode(found.read(MANIFEST))
    except (zipfile.BadZipFile, zlib.error, EOFError, KeyError, msgspec.DecodeError) as error:
        raise DamagedBundleError(str(error)) from None
    told = {path: Part(part["bytes"], part["sha256"]) for path, part in manifest["files"].items()}
    del parts[MANIFEST]
    if len(names) != len(set(names)) or parts != told:
        raise DamagedBundleError("its files are not those of its manifest.")


def _measured(archive: zipfile.ZipFile, name: str) -> Part:
    digest, size = hashlib.sha256(), 0
    with archive.open(name) as part:
        while chunk := part.read(_AT_ONCE):
            digest.update(chunk)
            size += len(chunk)
    return Part(size, digest.hexdigest())
