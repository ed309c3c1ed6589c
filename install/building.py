"""Builds a version beside those that are there: its files and its virtual environment, marked when it is whole."""

from __future__ import annotations

import errno
import importlib.util
import json
import os
import shlex
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from install import source as sources
from install.errors import InstallError
from install.hands import Hands, clean_environment, say
from install.places import EXTRA, Part, Places
from install.steps import ROOTS, ROOTS_FILE, File, Folder, Run

WHOLE = "whole.json"
"""Written last. A version's folder without it was never finished."""

ROOM_BYTES = {Part.NODE: 200 * 2**20, Part.COLLECTOR: 700 * 2**20}
"""What a version takes, and as much again for pip's own work: twice the size of one that was built, rounded up."""


class Version(NamedTuple):
    """A version that is whole.

    Attributes:
        name: Of its folder.
        parts: What it was built for.
    """

    name: str
    parts: tuple[Part, ...]


def version(places: Places, name: str) -> Version | None:
    """A version if it is whole, else None."""
    try:
        told = json.loads((places.version(name) / WHOLE).read_text("utf-8"))
        return Version(name, tuple(Part(each) for each in told["parts"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def current(places: Places) -> Version | None:
    """The version that is installed."""
    name = places.current_name()
    return version(places, name) if name else None


def clear(places: Places, hands: Hands, keep: tuple[str, ...]) -> None:
    """Take away versions that were never finished, and whole ones that are not in `keep`."""
    if places.versions.is_dir():
        for folder in places.versions.iterdir():
            if folder.name not in keep or version(places, folder.name) is None:
                hands.remove_tree(folder)


class Builder:
    """Builds versions.

    Args:
        places: Where.
        hands: What does it.
        source: The checkout.
        packages_of: A Python that has every package already, used instead of pip: for tests.
    """

    def __init__(self, places: Places, hands: Hands, source: Path, packages_of: str | None = None) -> None:
        self._places, self._hands, self.source, self._packages_of = places, hands, source, packages_of

    def name(self, parts: tuple[Part, ...]) -> str:
        """What the version of this checkout is called."""
        return sources.name_of(self.source, parts, f"{sys.version_info.major}.{sys.version_info.minor}")

    def build(self, parts: tuple[Part, ...]) -> Version:
        """Build it unless it is there; what is installed and runs is not touched.

        Raises:
            InstallError: No network, no room, or something of the build failed; what was begun is taken away again.
        """
        name = self.name(parts)
        if found := version(self._places, name):
            return found
        folder = self._places.version(name)
        self._hands.remove_tree(folder)
        try:
            self._hands.folder(Folder(self._places.versions, ROOTS))
            self._refuse_without_room(parts)
            say(f"Building {name} in {folder}")
            self._hands.folder(Folder(folder, ROOTS))
            sources.copy(self.source, folder)
            if self._packages_of:
                self._borrow(folder, self._packages_of)
            else:
                self._fill(folder, parts)
            self._hands.run(
                Run((str(self._places.soakledger(name)), "--version"), "The first start of the new version")
            )
            os.sync()  # thousands of files: on the disk before the mark that says so
            told = json.dumps({"version": name, "parts": parts})
            self._hands.file(File(folder / WHOLE, f"{told}\n".encode(), ROOTS_FILE))
        except InstallError as error:
            self._hands.remove_tree(folder)
            raise InstallError(f"{error}\n{self._unchanged()}") from None
        except OSError as error:
            self._hands.remove_tree(folder)
            raise InstallError(f"{disk_words(error)} {self._unchanged()}") from None
        return Version(name, parts)

    def _fill(self, folder: Path, parts: tuple[Part, ...]) -> None:
        """A virtual environment with what is pinned, by hash; lgpio from Debian where Debian has it."""
        venv, python = folder / "venv", str(folder / "venv/bin/python")
        debians = Part.NODE in parts and importlib.util.find_spec("lgpio") is not None
        see = ("--system-site-packages",) if debians else ()
        self._hands.run(Run((sys.executable, "-m", "venv", *see, str(venv)), "Making a virtual environment"))
        pip = (python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-cache-dir")
        for part in parts:
            listed = folder / f"requirements/{EXTRA[part]}.txt"
            if debians:
                listed.write_text(without(listed.read_text("utf-8"), "lgpio"), "utf-8")
            self._pip(
                (*pip, "--ignore-installed", "--require-hashes", "-r", str(listed)), f"Installing what {listed} pins"
            )
        build = folder / "requirements/build.txt"
        self._pip((*pip, "--require-hashes", "-r", str(build)), f"Installing what {build} pins")
        offline = ("--no-build-isolation", "--no-deps", "--no-index")
        self._pip((*pip, *offline, str(folder)), "Installing Soakledger itself")
        shutil.rmtree(folder / "build", ignore_errors=True)

    def _pip(self, argv: tuple[str, ...], why: str) -> None:
        settings = {
            name: text for name, text in os.environ.items() if name.startswith("PIP_") or "proxy" in name.lower()
        }
        try:
            self._hands.run(Run(argv, why), {**clean_environment(), "HOME": os.environ.get("HOME", "/"), **settings})
        except InstallError as error:
            advice = _advice(str(error))
            raise InstallError(f"{error}\n{advice}") from None

    def _borrow(self, folder: Path, python: str) -> None:
        """A command that runs this folder's files with another Python's packages."""
        script = f'#!/bin/sh\nPYTHONPATH={shlex.quote(str(folder))} PYTHONSAFEPATH=1 exec {python} -m soakledger "$@"\n'
        self._hands.file(File(folder / "venv/bin/soakledger", script.encode(), ROOTS))

    def _refuse_without_room(self, parts: tuple[Part, ...]) -> None:
        wanted = 0 if self._packages_of else sum(ROOM_BYTES[part] for part in parts)
        free = shutil.disk_usage(self._places.versions).free
        if free < wanted:
            raise InstallError(
                f"{self._places.versions} has {free // 2**20:,} MiB free, and a version needs {wanted // 2**20:,}. "
                "Nothing was built. Make room there, then run this again."
            )

    def _unchanged(self) -> str:
        name = self._places.current_name()
        return f"Nothing was changed: {name} is installed as before." if name else "Nothing was installed."


def _advice(failure: str) -> str:
    """The next step after pip has failed."""
    if "No space left" in failure:
        return "Look at the free space, then run this again."
    if "lgpio" in failure:
        return (
            "lgpio, which drives the pins, is not to be had for this Python from the package index. Use Raspberry Pi "
            "OS, which has it as python3-lgpio, and run this again."
        )
    return "Look at the network, then run this again."


def disk_words(error: OSError) -> str:
    """What a refusing disk means."""
    where = error.filename or "the disk"
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"The disk is full ({where}). Make room, then run this again."
    if isinstance(error, PermissionError) and os.geteuid() != 0:
        return f"{where} is closed to this user. Run this as the administrator: put sudo before the command."
    return f"{where} could not be written or read ({error.strerror or error}). Look at the disk, then run this again."


def without(requirements: str, package: str) -> str:
    """A requirements file without one package: its line and the lines that go on with its hashes."""
    return "".join(block for block in _blocks(requirements) if not block.startswith(f"{package}=="))


def _blocks(requirements: str) -> Iterator[str]:
    block = ""
    for line in requirements.splitlines(keepends=True):
        block += line
        if not line.rstrip().endswith("\\"):
            yield block
            block = ""
    if block:
        yield block
