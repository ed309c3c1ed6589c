"""Pictures of record: a label, a paper form. Kept beside the data under their digest, never changed."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from pathlib import Path
from typing import NamedTuple

import msgspec

from collector.errors import DataError
from collector.record.errors import RefusedError

FOLDER = "pictures"
MOST_BYTES = 8 * 1024 * 1024
_SHA256 = re.compile(r"[0-9a-f]{64}")


class _Form(NamedTuple):
    """A kind of file: how it begins, its ending, its media type."""

    magic: bytes
    ending: str
    media_type: str


_FORMS = (
    _Form(b"\xff\xd8\xff", "jpg", "image/jpeg"),
    _Form(b"\x89PNG\r\n\x1a\n", "png", "image/png"),
    _Form(b"%PDF-", "pdf", "application/pdf"),
)


class Kept(NamedTuple):
    """A picture that is on the disk."""

    sha256: str
    media_type: str
    bytes: int


class Pictures:
    """The folder of pictures.

    Args:
        data_dir: The collector's data folder.
    """

    def __init__(self, data_dir: Path) -> None:
        self._folder = data_dir / FOLDER

    def keep(self, content: bytes) -> Kept:
        """Keep a picture; the same one once more is the same file.

        Returns:
            When this returns, it is on the disk.

        Raises:
            RefusedError: It is too large, or none of the kinds that are kept.
            DataError: It cannot be written.
        """
        form = _form(content)
        digest = hashlib.sha256(content).hexdigest()
        path = self._folder / f"{digest}.{form.ending}"
        try:
            if not path.exists():
                self._write(path, content)
        except OSError as error:
            raise DataError(
                f"The picture cannot be kept in {self._folder} ({error.strerror or error}). Nothing was recorded. "
                "Look at the folder's owner and free space, then send it again."
            ) from None
        return Kept(digest, form.media_type, len(content))

    def find(self, digest: str) -> tuple[bytes, str] | None:
        """A picture and its media type; None if there is none with this digest.

        Raises:
            DataError: Its content is another than it was.
        """
        for form in _FORMS if _SHA256.fullmatch(digest) else ():
            path = self._folder / f"{digest}.{form.ending}"
            if path.is_file():
                content = path.read_bytes()
                if hashlib.sha256(content).hexdigest() != digest:
                    raise DataError(f"{path} is damaged: its content is another than it was. Restore it from a backup.")
                return content, form.media_type
        return None

    def refuse_missing(self, said: msgspec.Struct) -> None:
        """What is said names pictures by their digest, in fields called …_sha256: each must be here.

        Raises:
            RefusedError: One is not.
            DataError: One is damaged.
        """
        for name in said.__struct_fields__:
            digest = getattr(said, name) if name.endswith("_sha256") else None
            if isinstance(digest, str) and digest and self.find(digest) is None:
                raise RefusedError(
                    "unknown-picture",
                    f"No picture with the digest {digest[:12]}… is kept here.",
                    "Send the picture first, then name it by the digest that is answered.",
                )

    def _write(self, path: Path, content: bytes) -> None:
        """Under another name first, so that a file of this name is always whole."""
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        waiting = self._folder / f".{secrets.token_hex(8)}"
        try:
            with waiting.open("xb") as file:
                os.fchmod(file.fileno(), 0o600)
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            waiting.rename(path)
        finally:
            waiting.unlink(missing_ok=True)
        for folder in (self._folder, self._folder.parent):  # their entries too must survive a power cut
            descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)


def _form(content: bytes) -> _Form:
    if len(content) > MOST_BYTES:
        raise RefusedError(
            "picture-size",
            f"The picture is larger than {MOST_BYTES // 1024 // 1024} MB.",
            "Take it with fewer pixels; the print must stay legible.",
        )
    for form in _FORMS:
        if content.startswith(form.magic):
            return form
    raise RefusedError(
        "picture-kind",
        "That is neither a JPEG, a PNG nor a PDF file.",
        "Take the picture again, or scan the paper as PDF.",
    )
