"""What the bundle's tests build on: a furnished clinic, bundles of it, and the checker that travels in them."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))  # the kits of their tests stand there
sys.path.insert(0, str(Path(__file__).parents[1] / "collector"))

import pagekit
import pytest
import recorded

from collector.bundle.make import Made, write_file
from collector.bundle.span import Span
from collector.pictures import Pictures

PICTURE = b"%PDF-1.7\nthe label of the bottle, as it was scanned\n"
WHOLE = Span(0, 4_000_000_000_000)
MADE_MS = pagekit.NOW_MS


class Checked(NamedTuple):
    """What verify.py said.

    Attributes:
        status: Its exit status.
        said: Both its outputs.
    """

    status: int
    said: str


def clinic(data: Path) -> Path:
    """A clinic with a morning of soaks and of deeds, and the picture of a label."""
    pagekit.clinic(data).close()
    Pictures(data).keep(PICTURE)
    done = recorded.Morning.do

    def do(morning: recorded.Morning, *kind: str, **said: object) -> str:
        if "picture_sha256" in said:
            said["picture_sha256"] = hashlib.sha256(PICTURE).hexdigest()
        return done(morning, *kind, **said)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recorded.Morning, "do", do)
        recorded.record(data)
    return data


def copied(data: Path, to: Path) -> Path:
    """A data folder once more, with its pictures."""
    to.mkdir()
    for each in data.rglob("*"):
        if each.is_file():
            place = to / each.relative_to(data)
            place.parent.mkdir(exist_ok=True)
            place.write_bytes(each.read_bytes())
    return to


def bundled(data: Path, span: Span = WHOLE, **more: bool) -> tuple[Path, Made]:
    """A bundle of it, beside the data."""
    out = data.parent / "bundle.zip"
    return out, write_file(data, span, out, MADE_MS, replace=True, **more)


def unpacked(bundle: Path) -> Path:
    """The folder of an unpacked bundle."""
    folder = bundle.with_suffix("")
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(folder)
    return folder


def checked(folder: Path, *options: str) -> Checked:
    """Let verify.py of an unpacked bundle check it, with Python's standard library alone."""
    command = [sys.executable, "-I", "-S", "verify.py", *options]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    return Checked(done.returncode, done.stdout + done.stderr)
