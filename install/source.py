"""Which files make a version, and its name: the same files for the same parts on the same Python have the same name."""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path

from install.errors import InstallError
from install.places import Part

FOLDERS = ("soak", "host", "firmware", "collector", "dashboard", "install", "requirements")
FILES = ("pyproject.toml", "README.md", "LICENSE", "soakledger.py")
_LEFT_OUT = ("__pycache__", ".pyc", ".part")


def files(source: Path) -> Iterator[Path]:
    """Every file that belongs to a version, relative to the checkout, in order."""
    for name in FILES:
        yield Path(name)
    for folder in FOLDERS:
        for path in sorted((source / folder).rglob("*")):
            if path.is_file() and not any(each.endswith(_LEFT_OUT) for each in path.parts):
                yield path.relative_to(source)


def name_of(source: Path, parts: Iterable[Part], python: str) -> str:
    """`0.2.0-1f2e3d4c5b6a`: the version, then what the files, the parts and the Python come to.

    Args:
        source: A checkout, or the folder of a version.
        parts: What the machine is for.
        python: The Python that its virtual environment is for, such as 3.11: with another it must be made anew.

    Raises:
        InstallError: This is no whole checkout.
    """
    digest = hashlib.sha256(f"{','.join(sorted(parts))} {python}\n".encode())
    try:
        for path in files(source):
            content = (source / path).read_bytes()
            digest.update(f"{path} {len(content)}\n".encode() + content)
        text = (source / "pyproject.toml").read_text("utf-8")
    except OSError as error:
        raise InstallError(
            f"{error.filename} cannot be read ({error.strerror}): this is no whole copy of Soakledger. Get it anew."
        ) from None
    found = re.search(r'^version = "([0-9A-Za-z.+]+)"$', text, re.MULTILINE)
    if not found:
        raise InstallError(f"{source / 'pyproject.toml'} names no version. Get a whole copy of Soakledger.")
    return f"{found[1]}-{digest.hexdigest()[:12]}"


def copy(source: Path, target: Path) -> None:
    """Copy a version's files, readable by everybody whatever the umask of whoever runs this.

    Raises:
        OSError: The disk refused.
    """
    for path in files(source):
        to = target / path
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source / path, to)
        to.chmod(0o644)
