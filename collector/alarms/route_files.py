"""The file of routes of a person: read, and checked by the library that sends.

A route's address may hold a password: it appears in no error, no log and no outcome. A route is named by its kind and
its line.
"""

from __future__ import annotations

import stat
import subprocess
import sys
from pathlib import Path

import msgspec

from soak.decoding import from_json

MOST_ROUTES = 20
"""Of all people together: each may have two messages under way, each in a process of its own."""

_LONGEST_LINE, _LONGEST_FILE = 2_000, 65_536
_CHECKED_WITHIN_S = 60.0


class Route(msgspec.Struct, frozen=True):
    """One line of a file of routes.

    Attributes:
        line: Which, from 1.
        url: What apprise understands. Secret.
    """

    line: int
    url: str

    @property
    def name(self) -> str:
        """For people, once the kind is known to be one: "mailto line 2"."""
        return f"{self.url.partition(':')[0].lower()} line {self.line}"


def read_routes(path: Path) -> list[Route]:
    """The routes in a file, one a line; empty lines and what begins with # are passed over.

    Raises:
        ValueError: It cannot be used; says what would be right.
    """
    try:
        if path.stat().st_mode & stat.S_IRWXO:
            raise ValueError(
                f"{path} holds addresses with passwords, and everybody on this machine may use it. "
                f"Close it to others: chmod o= {path}"
            )
        with path.open("rb") as file:
            content = file.read(_LONGEST_FILE + 1)
        lines = content.decode("utf-8-sig").splitlines()
    except OSError as error:
        raise ValueError(
            f"{path} cannot be read ({error.strerror}). Name a text file with one route a line, "
            "which the collector's user may read."
        ) from None
    except UnicodeDecodeError:
        raise ValueError(f"{path} is no text in UTF-8. Write it again with a text editor.") from None
    if len(content) > _LONGEST_FILE:
        raise ValueError(f"{path} is longer than {_LONGEST_FILE} bytes. Write one route a line, and nothing else.")
    routes = [
        Route(number, line.strip())
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not routes:
        raise ValueError(f"{path} holds no route: nobody would be told. Write one route a line, such as mailto://…")
    for route in routes:
        if len(route.url) > _LONGEST_LINE or not route.url.isprintable():
            raise ValueError(
                f"{path} line {route.line}: is longer than {_LONGEST_LINE} characters or holds some that cannot be "
                "printed. Write one route a line."
            )
    return routes


def check_routes(files: dict[Path, list[Route]]) -> None:
    """Ask the library whether it can use them; nothing is sent.

    It is asked in a process of its own: the collector never loads it, and what it logs of an address goes nowhere.

    Raises:
        ValueError: It cannot use one, by file and line.
    """
    routes = [(path, route) for path, of_file in files.items() for route in of_file]
    if not routes:
        return
    try:
        done = subprocess.run(
            [sys.executable, "-m", "collector.alarms.route_process", "check"],
            input=msgspec.json.encode([route.url for _, route in routes]),
            capture_output=True,
            timeout=_CHECKED_WITHIN_S,
            check=True,
        )
        usable = from_json(done.stdout, list[bool])
    except (OSError, subprocess.SubprocessError, msgspec.DecodeError) as error:
        raise ValueError(
            f"The routes could not be checked ({type(error).__name__}): the library that sends does not start. "
            "Install what requirements/server.txt pins, then start again."
        ) from None
    for (path, route), fine in zip(routes, usable, strict=True):
        if not fine:
            raise ValueError(
                f"{path} line {route.line}: is no route that can be used. Compare its kind (the part before ://) and "
                "what must follow with the documentation of apprise; nothing is fetched from other hosts."
            )
