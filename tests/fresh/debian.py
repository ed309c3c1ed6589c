"""A Debian in a folder, made of what this machine's own package sources offer, and the machine's ways to them.

Only the standard library: this runs before there is an environment.
"""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

CERTIFICATES = Path("/etc/ssl/certs/ca-certificates.crt")
_PIP_FILES = (Path("/etc/pip.conf"), Path.home() / ".config/pip/pip.conf", Path.home() / ".pip/pip.conf")
_PASSED = ("PIP_", "UV_INDEX", "SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "SOAKLEDGER_PICTURES")
_PROXIES = ("http_proxy", "https_proxy", "no_proxy")


class FreshError(Exception):
    """What is missing and what to do."""


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


class Source(NamedTuple):
    """One of this machine's package sources that is Debian's."""

    uri: str
    release: str
    component: str
    codename: str

    @property
    def line(self) -> str:
        return f"deb {self.uri} {self.release} {self.component}"


def debian_sources() -> list[Source]:
    """Of this machine, as apt reads them; the archive itself first."""
    told = "$(REPO_URI)|$(RELEASE)|$(COMPONENT)|$(CODENAME)|$(ORIGIN)"
    said = subprocess.run(
        ["apt-get", "indextargets", "--format", told, "Created-By: Packages"],
        capture_output=True,
        text=True,
        check=True,
    )
    rows = (line.split("|") for line in said.stdout.splitlines())
    sources = [Source(*row[:4]) for row in rows if len(row) == 5 and row[4] == "Debian"]
    if not sources:
        raise FreshError("This machine has no package source of Debian's. Run it on Debian, after apt-get update.")
    return sorted(set(sources), key=lambda each: (each.release != each.codename, each.release, each.component))


def make(root: Path, extra: Iterable[str]) -> None:
    """The smallest Debian there is, with what the README says that it needs."""
    program = shutil.which("debootstrap") or "/usr/sbin/debootstrap"
    if not Path(program).exists():
        raise FreshError("debootstrap is missing: apt-get install debootstrap")
    sources = debian_sources()
    first = sources[0]
    wanted = ",".join(["python3", "ca-certificates", *extra])
    say(f"Making a Debian {first.codename} (minbase, {wanted}) in {root}")
    log = root.with_name(root.name + ".log")
    with log.open("w") as out:
        done = subprocess.run(
            [program, "--variant=minbase", f"--include={wanted}", first.codename, str(root), first.uri],
            stdout=out,
            stderr=out,
            check=False,
        )
    if done.returncode:
        shutil.rmtree(root, ignore_errors=True)
        end = "\n".join(log.read_text().splitlines()[-5:])
        raise FreshError(f"debootstrap failed with {done.returncode}:\n{end}")
    (root / "etc/apt/sources.list").write_text("".join(f"{each.line}\n" for each in sources))


def equip(root: Path) -> None:
    """The ways of this machine to package sources and index: names, certificates, pip's settings."""
    for name in ("resolv.conf", "hosts"):
        shutil.copyfile(Path("/etc") / name, root / "etc" / name)
    if CERTIFICATES.exists():
        shutil.copyfile(CERTIFICATES, root / CERTIFICATES.relative_to("/"))
    (root / "etc/pip.conf").write_text(_pip_settings())


def _pip_settings() -> str:
    """All that pip is told here, in one file; one of several index addresses a line, as pip writes them."""
    merged = configparser.RawConfigParser()
    merged.read([file for file in _PIP_FILES if file.exists()])
    lines = []
    for section in merged.sections():
        lines.append(f"[{section}]")
        lines += [f"{key} = {value}".replace("\n", "\n    ") for key, value in merged.items(section)]
    return "\n".join(lines) + "\n"


def environment() -> dict[str, str]:
    """What a shell has on a machine that somebody just set up, and this machine's ways to the network."""
    own = {
        "HOME": "/root",
        "LANG": "C.UTF-8",
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "TERM": "dumb",
    }
    passed = {name: value for name, value in os.environ.items() if name.startswith(_PASSED) or name.lower() in _PROXIES}
    return own | passed


def local_folders() -> Iterator[Path]:
    """Folders of this machine that pip is told to look into."""
    words = _pip_settings().replace("=", " ").split()
    words += [word for name, value in environment().items() if name.startswith("PIP_") for word in value.split()]
    for word in words:
        path = Path(urlsplit(word).path if word.startswith("file://") else word)
        if path.is_absolute() and path.is_dir():
            # an index beside its files: what it links to lies next to it
            yield path.parent if path.name == "simple" else path
